"""What of a return its stem explains: the stem through the fitted response, and how the level of the two compares in time.

Conventions: everything here lives at a working rate (the session's own divided by a power of two, still well over twice the
medium's band) and on the stem's time base. `expected` = stem through the response; `gain` = amplitude of the return re
`expected`, 1 where nothing happened; a cell is 2.5 ms.
"""

import numpy as np

from bounceproof import at_once, spectra
from bounceproof.sliced import Sliced

CELL_S = 2.5e-3
_TAPS_S = 0.04
_ROOM_OVER_BAND = 2.6
# A bin so far (50 dB) under its neighbours holds what wow and window leak of them, on both sides alike.
_LEAST_NEAR = 1e-5
_CELLS_AT_ONCE = 1 << 14


class Explained:
    """rate_hz; stem, aligned, expected: (frames,) at it; taps: the response, its middle = no delay; ride: what a level control
    did to the stem before it (amplitude per sample, Sliced), None for nothing.

    own, cross, whole: per cell, sums of expected^2, expected * aligned, aligned^2.
    """

    def __init__(self, rate_hz, stem, aligned, expected, taps, ride=None):
        self.rate_hz, self.stem, self.aligned, self.expected, self.taps = rate_hz, stem, aligned, expected, taps
        self._ride = ride
        self.cell = max(1, round(CELL_S * rate_hz))
        self.cell_s = self.cell / rate_hz
        self.own = self.cells(expected, expected)
        self.cross = self.cells(expected, aligned)
        self.whole = self.cells(aligned, aligned)

    def cells(self, one, other):
        """Per cell the sum of the products of two signals, which may be Sliced."""
        out = np.empty(len(one) // self.cell)
        for first in range(0, len(out), _CELLS_AT_ONCE):
            part = slice(first * self.cell, min(len(out), first + _CELLS_AT_ONCE) * self.cell)
            out[first : first + _CELLS_AT_ONCE] = (one[part] * other[part]).reshape(-1, self.cell).sum(axis=1)
        return out

    @property
    def sent(self):
        """(frames,) the stem as the response got it: with the ride on."""
        return self.stem if self._ride is None else self.stem * self._ride[:]

    @property
    def residual(self):
        """(frames,) what the stem does not explain, Sliced."""
        return Sliced(len(self.aligned), lambda first, last: self.aligned[first:last] - self.expected[first:last])

    def noise_per_sample(self, hiss_power):
        """(constant, share): the unexplained power per sample is constant + share * expected power.

        hiss_power: mean square of the hiss at rest within the working band. Taken from cells of 40 ms, by medians, so that
        dropouts and the ride of a level control hardly enter.
        """
        wide = max(1, round(0.04 / self.cell_s))
        count = len(self.own) // wide
        own, cross, whole = (part[: count * wide].reshape(count, wide).sum(axis=1) for part in (self.own, self.cross, self.whole))
        loud = own > 10.0 * wide * self.cell * max(hiss_power, 1e-30)
        if loud.sum() < 8:
            return hiss_power, 0.0
        left = np.maximum(whole[loud] - cross[loud] ** 2 / own[loud], 0.0) - wide * self.cell * hiss_power
        return hiss_power, float(max(np.median(left / own[loud]), 0.0))


def working_factor(rate_hz, high_hz):
    """The power of two by which the session's rate can be divided and still hold 1.3 times the medium's upper edge."""
    factor = 1
    while rate_hz / (2 * factor) >= _ROOM_OVER_BAND * high_hz and factor < 8:
        factor *= 2
    return factor


def explain(stem, aligned, both, rate_hz, *, high_hz):
    """The Explained of a return.

    stem, aligned: one-dimensional at rate_hz, or what slices into that; both: SpectralMatrix of the two (stem first); high_hz:
    upper edge of the medium.
    """
    factor = working_factor(rate_hz, high_hz)
    stem, aligned = at_once.each(lambda part: _at_working_rate(part, rate_hz, factor), (stem, aligned))
    frames = min(len(stem), len(aligned))
    taps = response_taps(both, rate_hz, factor)
    return Explained(rate_hz / factor, stem[:frames], aligned[:frames], through(stem[:frames], taps), taps)


def _at_working_rate(samples, rate_hz, factor):
    from bounceproof.audio import resample

    samples = samples[:]
    return np.asarray(
        resample(np.asarray(samples, np.float32), rate_hz, rate_hz // factor) if factor > 1 else samples, dtype=float
    )


def response_taps(both, rate_hz, factor):
    """Impulse response (odd length, its middle = no delay) at rate_hz / factor from H1, where stem and return are coherent."""
    bins = (len(both.freq_hz) - 1) // factor + 1
    cross, own = both.matrix[:bins, 0, 1], both.power(0)[:bins]
    clear = both.coherence(0, 1)[:bins] > spectra.zero_coherence_level(both.averages[:bins], confidence=0.999)
    clear &= (both.averages[:bins] >= spectra.LEAST_AVERAGES) & (own > _LEAST_NEAR * _loudest_near(own))
    response = np.where(clear & (own > 0), cross / np.where(own > 0, own, 1.0), 0.0)
    return taps_of(response, rate_hz / factor)


def taps_of(response, rate_hz):
    """Impulse response (odd length, its middle = no delay) from values at the bins of a segment; it fades out at its ends."""
    whole = np.fft.irfft(response)
    half = min(len(whole) // 2 - 1, round(_TAPS_S * rate_hz))
    return np.concatenate((whole[-half:], whole[: half + 1])) * np.hanning(2 * half + 3)[1:-1] ** 0.25


def _loudest_near(power):
    """The largest power within about a sixth of an octave to either side of each bin."""
    edges = np.unique(np.concatenate(([0], np.round(4 * 2.0 ** np.arange(0, 12, 1 / 6)).astype(int))))
    edges = edges[edges < len(power)]
    most = np.pad(np.maximum.reduceat(power, edges), 1, mode="edge")
    return np.repeat(np.maximum.reduce((most[:-2], most[1:-1], most[2:])), np.diff(np.append(edges, len(power))))


def through(samples, taps):
    """The samples through a response whose middle tap stands for no delay."""
    from bounceproof.spectra import convolved

    return convolved(samples, taps)


def ridden(explained, gain):
    """The Explained with a ride (amplitude per sample, Sliced) laid on the stem, and the response fitted anew to that.

    A level control works on what the machine hears, before tape and filters: these ring on from the edges that it makes.
    """
    sent = explained.stem * gain[:]
    taps = fitted_taps(sent, explained.aligned, explained.rate_hz)
    return Explained(explained.rate_hz, explained.stem, explained.aligned, through(sent, taps), taps, gain)


def fitted_taps(sent, aligned, rate_hz):
    """The `response_taps` of what was sent and what came back of it, both at the working rate."""
    both = spectra.spectral_matrix([sent, aligned], rate_hz, segment=spectra.segment_samples(rate_hz))
    return response_taps(both, rate_hz, 1)
