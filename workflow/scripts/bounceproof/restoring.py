"""The equaliser that restores a return towards its stem, as far as what survived carries it.

Conventions: gains in dB per third-octave, at the stem's level. The gain of a band is the one that leaves the least error against
the stem: its coherence over its response, C / H, so that hiss is never lifted further than the signal deserves (Wiener's limit).
Boosts end at a limit; bands called lost, or not known, are left alone. The stem gives the curve only: no sample of it enters.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.quantities import amplitude_db, amplitude_from_db, power_db

LINEAR, MINIMUM = "linear", "minimum"
# Half the length of the filter: a third-octave at 60 Hz is 14 Hz wide.
_REACH_S = 0.1
_TOUCHED_DB, _TURNED_RAD = 0.1, 0.1
_TRIES = 10


class Equaliser(NamedTuple):
    """taps: (odd,), the middle one = no delay; rows: a dict a band: nominal_hz, gain_db, noise_gain_db (by which the filter lifts
    noise there), touched, error_before_db, error_after_db (power of the error against the stem re the stem's; None where nothing
    is touched).
    """

    taps: np.ndarray
    rows: list

    def applied(self, samples, kind=np.float32):
        return spectra.convolved(np.asarray(samples, dtype=kind), self.taps.astype(kind))


def equaliser(stem, laid, rate_hz, bands, over_hiss_db, *, phase, limit_db, lost_db):
    """The Equaliser of a return.

    stem, laid (the return at the stem's level): (frames,); over_hiss_db: {nominal_hz: dB, None or nan}, as bands.tsv tells it;
    bands under lost_db are lost; limit_db: largest boost and cut; phase: "linear" turns the recorder's phase back, so that
    recorder and filter together have none; "minimum" is a filter of minimum phase, which rings only afterwards. A band whose
    error would not fall is left alone. For "minimum" the error is that of the levels (phases taken as equal): bands that are lost
    cannot be lifted, and without them no such filter turns the phase at the edges back.
    """
    both = spectra.spectral_matrix([stem, laid], rate_hz)
    curve = _Curve(both, bands, rate_hz, phase, limit_db)
    free = np.array([_stands(over_hiss_db.get(band.nominal_hz), lost_db) for band in bands])
    before = curve.errors(np.ones(len(both.freq_hz)))
    for _ in range(_TRIES):
        taps = curve.taps(free)
        response = _response(taps, len(both.freq_hz))
        after, touched = curve.errors(response), curve.touched(response, free)
        worse = touched & (after >= before)
        if not worse.any():
            break
        # What reaches into a band that has to stay as it is comes from its neighbours.
        free = free & ~worse & ~((np.roll(worse & ~free, 1)) | np.roll(worse & ~free, -1))
    else:
        free = np.zeros(len(bands), dtype=bool)
        taps, touched, after = curve.taps(free), free, before
    noise_db = curve.noise_gains_db(_response(taps, len(both.freq_hz)))
    rows = [_row(*one) for one in zip(bands, curve.gains_db(free), noise_db, touched, before, after, curve.stem, strict=True)]
    return Equaliser(taps, rows)


def _stands(over_db, lost_db):
    # Not a number where nothing was measured: no comparison holds.
    return over_db is not None and over_db >= lost_db


class _Curve:
    """The gain and phase wanted in each band, and what a filter would do to the error there."""

    def __init__(self, both, bands, rate_hz, phase, limit_db):
        self.bands, self.rate_hz, self.phase, self._both = bands, rate_hz, phase, both
        self._share = spectra.band_matrix(bands, spectra.segment_samples(rate_hz), rate_hz)
        self.stem = both.power(0) @ self._share
        own, cross = both.power(1) @ self._share, both.matrix[:, 0, 1] @ self._share
        coherence = spectra.without_bias(both.coherence(0, 1), both.averages)
        self._coherent = np.sqrt(coherence * both.power(0) * both.power(1))
        gain = np.where(own > 0, self._coherent @ self._share / np.where(own > 0, own, 1.0), 1.0)
        self._best_db = np.clip(amplitude_db(np.maximum(gain, 1e-4)), -limit_db, limit_db)
        # The response has the phase of conj(S) X; what turns it back is the negative.
        self._turn = -np.unwrap(np.angle(cross))

    def gains_db(self, free):
        return np.where(free, self._best_db, 0.0)

    def errors(self, response):
        """|S - G X|^2 per band, for the minimum phase as if X and G turned nothing."""
        both, size = self._both, np.abs(response)
        common = size * self._coherent if self.phase == MINIMUM else (response * both.matrix[:, 0, 1]).real
        bins = both.power(0) - 2.0 * common + size**2 * both.power(1)
        return np.maximum(bins, 0.0) @ self._share

    def noise_gains_db(self, response):
        """By how much a filter lifts noise that is even within each band."""
        width = np.maximum(self._share.sum(axis=0), 1e-9)
        return power_db(np.maximum(np.abs(response) ** 2 @ self._share / width, 1e-12))

    def touched(self, response, free):
        """Bands whose level a filter moves or, where they are free, whose phase it turns."""
        moved_db = np.abs(amplitude_db(np.maximum(np.abs(response), 1e-6)))
        width = np.maximum(self._share.sum(axis=0), 1e-9)
        moved = moved_db @ self._share / width > _TOUCHED_DB
        if self.phase == MINIMUM:
            return moved
        return moved | (free & (np.abs(np.angle(response)) @ self._share / width > _TURNED_RAD))

    def taps(self, free):
        """The filter: straight lines over the logarithm of frequency through the free bands' gains, at most 0 dB in the
        others.
        """
        half = round(_REACH_S * self.rate_hz)
        size = 2 ** int(np.ceil(np.log2(8 * half)))
        freq_hz = np.maximum(np.fft.rfftfreq(size, 1.0 / self.rate_hz), 1.0)
        gain_db = _along(freq_hz, *self._knots(free, self.gains_db(free)))
        if self.phase == MINIMUM:
            response = _minimum_phase(gain_db * np.log(10.0) / 20.0, size)
        else:
            mids = np.array([band.mid_hz for band in self.bands])
            turn = _along(freq_hz, mids, np.where(free, self._turn, 0.0))
            response = amplitude_from_db(gain_db) * np.exp(1j * turn)
        whole = np.fft.irfft(response, size)
        taps = np.concatenate((whole[-half:], whole[: half + 1]))
        return taps * np.hanning(2 * half + 3)[1:-1] ** 0.25

    def _knots(self, free, gains_db):
        knots_hz, knots_db = [self.bands[0].low_hz], [0.0]
        for k, band in enumerate(self.bands):
            knots_hz.append(band.mid_hz)
            knots_db.append(gains_db[k])
            beside = bool(free[k + 1]) if k + 1 < len(self.bands) else False
            if beside != free[k]:
                knots_hz.append(band.high_hz)
                knots_db.append(min(0.0, gains_db[k], gains_db[k + 1] if k + 1 < len(self.bands) else 0.0))
        return np.array(knots_hz), np.array(knots_db)


def _along(freq_hz, knots_hz, values):
    return np.interp(np.log(freq_hz), np.log(knots_hz), values, left=0.0, right=0.0)


def _minimum_phase(log_size, size):
    """The response of the minimum phase to a size, through the cepstrum folded to its causal half (Oppenheim and Schafer)."""
    cepstrum = np.fft.irfft(log_size, size)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    return np.exp(np.fft.rfft(cepstrum, size))


def _response(taps, bins):
    """Response of taps about their middle at the bins of a spectral matrix."""
    size, half = 2 * (bins - 1), len(taps) // 2
    folded = np.zeros(size)
    np.add.at(folded, (np.arange(len(taps)) - half) % size, taps)
    return np.fft.rfft(folded)


def _row(band, gain_db, noise_db, touched, before, after, stem):
    def error_db(error):
        return 10.0 * float(np.log10(max(error / stem, 1e-12))) if touched and stem > 0 else None

    return {
        "nominal_hz": band.nominal_hz,
        "gain_db": float(gain_db),
        "noise_gain_db": float(noise_db),
        "touched": bool(touched),
        "error_before_db": error_db(before),
        "error_after_db": error_db(after),
    }
