"""The exponential sweep: made, and taken out of a return again, harmonics apart.

Method: A. Farina, AES 108th convention (2000), 5093; A. Novak et al., J. Audio Eng. Soc. 63(10) (2015): a sweep of T seconds from
f1 to f2 rises by e every L = T / ln(f2 / f1) seconds, so the response of the N-th harmonic arrives L ln N before the linear one.
Conventions: one channel; responses are amplitude ratios of return to sweep; the N-th harmonic's is given at the fundamental's
frequency, as amplitude of the harmonic over that of the sweep.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.quantities import DB_PER_POWER_RATIO

_FADE_IN_S, _FADE_OUT_S = 0.10, 0.02
# The response is looked for within so much of where it is due (a tape's drift), and taken over so much (its wow): the linear one
# longer, for its low notes, the harmonics' shorter, for the hiss.
_SEARCH_S, _REACH_S, _HARMONICS_REACH_S = 0.25, 0.15, 0.05
PER_OCTAVE = 12


def rise_s(low_hz, high_hz, seconds):
    """L: the time in which the sweep's frequency grows by e."""
    return seconds / np.log(high_hz / low_hz)


def exponential_sweep(low_hz, high_hz, seconds, rate_hz):
    """sin(2 pi f1 L (exp(t / L) - 1)), peak 1, faded in and out."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    rise = rise_s(low_hz, high_hz, seconds)
    samples = np.sin(2 * np.pi * low_hz * rise * np.expm1(t / rise))
    for fade_s, edge in ((_FADE_IN_S, slice(None)), (_FADE_OUT_S, slice(None, None, -1))):
        count = round(fade_s * rate_hz)
        samples[edge][:count] *= np.sin(0.5 * np.pi * np.arange(count) / count) ** 2
    return samples


class Bands(NamedTuple):
    """A response in twelfths of an octave: mid frequencies (of the fundamental), level and its sd in dB (NaN where hiss hides
    it), and the power itself, less that of the hiss, which may come out under nothing.
    """

    freq_hz: np.ndarray
    level_db: np.ndarray
    sd_db: np.ndarray
    power: np.ndarray

    def level_near(self, freq_hz):
        """Level at one frequency: mean of the four bands about it; NaN where they are hidden."""
        levels = self.level_db[np.argsort(np.abs(np.log(self.freq_hz / freq_hz)))[:4]]
        return float(np.mean(levels[np.isfinite(levels)])) if np.isfinite(levels).any() else np.nan

    def level_at(self, freq_hz):
        """Level at frequencies, straight between bands in log frequency; NaN outside what is known."""
        known = np.isfinite(self.level_db)
        return np.interp(np.log(freq_hz), np.log(self.freq_hz[known]), self.level_db[known], left=np.nan, right=np.nan)

    def power_near(self, freq_hz):
        """Mean power of the seven bands about a frequency."""
        return float(np.mean(self.power[np.argsort(np.abs(np.log(self.freq_hz / freq_hz)))[:7]]))


# What `responses` wants before and after the sweep, in seconds.
BEFORE_S, AFTER_S = 0.5, 1.5


def responses(returned, sent, rate_hz, low_hz, high_hz, *, orders=(1, 2, 3)):
    """{order: Bands} of a sweep's return.

    returned: (frames,) from BEFORE_S before the sweep is due until AFTER_S after its end; sent: the sweep as sent. Powers are
    summed over each band, so a tape's wow, which spreads the response in time, takes nothing off; the noise found in stretches
    of the same length beside the responses is subtracted.
    """
    from scipy import fft

    size = fft.next_fast_len(returned.size + sent.size, real=True)
    spectrum = fft.rfft(sent, size)
    power = np.abs(spectrum) ** 2
    impulse = fft.irfft(fft.rfft(returned, size) * np.conj(spectrum) / (power + 1e-6 * power.max()), size)
    rise = rise_s(low_hz, high_hz, sent.size / rate_hz)
    arrival = _arrival(impulse, round(BEFORE_S * rate_hz), rate_hz)
    out = {}
    for order in orders:
        reach = round((_REACH_S if order == 1 else _HARMONICS_REACH_S) * rate_hz)
        # The hiss half-way to the harmonics before and after: hiss rises under the signal, so it has to be of the same moments.
        middles = [arrival - round(rise * np.log(place) * rate_hz) for place in (order, order - 0.4, order + 0.5)]
        own, *hiss = (_piece(impulse, middle, reach) for middle in middles)
        out[order] = _bands(own, hiss, rate_hz, order, low_hz, high_hz)
    return out


def _arrival(impulse, due, rate_hz):
    """Sample, near the one where it is due, about which the energy of the linear response lies."""
    reach = round(_SEARCH_S * rate_hz)
    near = np.take(impulse, due + np.arange(-reach, reach), mode="wrap") ** 2
    smooth = np.convolve(near, np.ones(round(0.02 * rate_hz)), mode="same")
    return due + int(np.argmax(smooth)) - reach


def _piece(impulse, middle, reach):
    window = np.ones(2 * reach)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(reach // 4) / (reach // 4))
    window[: ramp.size] *= ramp
    window[-ramp.size :] *= ramp[::-1]
    return window * np.take(impulse, np.arange(middle - reach, middle + reach), mode="wrap")


def _bands(piece, noise, rate_hz, order, low_hz, high_hz):
    """Bands of one harmonic: what stands at order x f belongs to the fundamental f."""
    size = 1 << int(np.ceil(np.log2(4 * piece.size)))
    power = np.abs(np.fft.rfft(piece, size)) ** 2
    floor = np.mean([np.abs(np.fft.rfft(one, size)) ** 2 for one in noise], axis=0)
    step_hz = rate_hz / size
    first, last = np.ceil(PER_OCTAVE * np.log2(1.06 * low_hz / 1000)), np.floor(PER_OCTAVE * np.log2(0.94 * high_hz / 1000))
    mids_hz = 1000.0 * 2.0 ** (np.arange(first, last + 1) / PER_OCTAVE)
    half = 2.0 ** (0.5 / PER_OCTAVE)
    edges_hz = np.concatenate((order * mids_hz / half, [order * mids_hz[-1] * half]))
    inside = (order * mids_hz * half < min(high_hz, 0.49 * rate_hz)) & (edges_hz[:-1] > 0)
    total, hiss = (_mean_between(values, edges_hz / step_hz) for values in (power, floor))
    bins = np.maximum(np.diff(edges_hz) * piece.size / rate_hz, 1.0)
    clear = np.maximum(total - hiss, 0.0)
    sd = np.sqrt((2 * clear * hiss + hiss**2 * (1 + 1 / len(noise))) / bins)
    seen = inside & (clear > 3 * sd) & (clear > 0)
    level_db = 10 * np.log10(np.where(seen, clear, 1.0))
    sd_db = DB_PER_POWER_RATIO * sd / np.where(seen, clear, 1.0)
    return Bands(mids_hz, np.where(seen, level_db, np.nan), np.where(seen, sd_db, np.nan), total - hiss)


def _mean_between(values, edges):
    """Mean of `values` (at whole places) between neighbouring edges (fractional places), by the integral of their lines."""
    edges = np.clip(edges, 0, values.size - 1)
    total = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]))))
    whole = np.minimum(edges.astype(int), values.size - 2)
    part = edges - whole
    integral = total[whole] + part * values[whole] + 0.5 * part**2 * (values[whole + 1] - values[whole])
    return np.diff(integral) / np.maximum(np.diff(edges), 1e-9)
