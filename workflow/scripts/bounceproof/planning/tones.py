"""One step of a steady tone in a return: its level, its harmonics, the hiss beside it.

Conventions: levels are peaks of sines in dBFS; harmonics are amplitude ratios to the fundamental. A tape shakes all partials of a
tone alike, so the fundamental's own phase, k times over, is the reference for the k-th harmonic: wow and flutter drop out.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.quantities import DB_PER_POWER_RATIO

# Around the fundamental (shares of its frequency): where it may wander, and where the hiss beside it is read.
_WANDER, _HISS_FROM, _HISS_TO = 0.05, 0.07, 0.2
_CLEAR = 4.0
_LINE_BINS, _SIDE_BINS = 2, 24


class Step(NamedTuple):
    """level_db with sd_db (NaN where hiss hides the tone); harmonics and harmonics_sd: ratios by order, from the second on,
    negative where there was less than the hiss beside; hiss_dbfs_hz: power density of the hiss beside the tone (mean square per
    Hz, in dB).
    """

    level_db: float
    sd_db: float
    harmonics: dict
    harmonics_sd: dict
    hiss_dbfs_hz: float


def read_step(samples, rate_hz, tone_hz, *, orders=(2, 3)):
    """The Step of a stretch (frames,) through which a tone near `tone_hz` sounds."""
    from scipy import fft

    samples = np.asarray(samples, dtype=float)
    window = np.hanning(samples.size + 2)[1:-1]
    window /= window.mean()
    spread = np.mean(window**2)
    spectrum = fft.fft(samples * window)
    freq_hz = fft.fftfreq(samples.size, 1.0 / rate_hz)
    power = 2.0 * np.abs(spectrum) ** 2 / samples.size**2 / spread
    away = np.abs(freq_hz / tone_hz - 1.0)
    own, beside = away < _WANDER, (away > _HISS_FROM) & (away < _HISS_TO)
    density = float(np.mean(power[beside])) * samples.size / rate_hz
    bins = int(own.sum())
    hiss = float(np.mean(power[beside])) * bins
    clear = float(power[own].sum()) - hiss
    if clear < _CLEAR * hiss / np.sqrt(bins) * 2:
        nothing = dict.fromkeys(orders, np.nan)
        return Step(np.nan, np.nan, nothing, nothing, _db(density))
    sd = np.sqrt(4.0 * clear * hiss / bins + 2.0 * hiss**2 / bins)
    level_db = _db(2.0 * clear) if clear < _CLEAR * hiss else 20 * np.log10(_steady(samples, spectrum, own, window))
    harmonics, harmonics_sd = _harmonics(samples, rate_hz, spectrum, own, window, tone_hz, orders, np.sqrt(2.0 * clear))
    return Step(float(level_db), float(DB_PER_POWER_RATIO * sd / clear), harmonics, harmonics_sd, _db(density))


def _db(power):
    return float(10.0 * np.log10(max(power, 1e-30)))


def _turning(spectrum, own):
    """The fundamental's analytic signal over its size: exp(i phase)."""
    from scipy import fft

    analytic = fft.ifft(np.where(own, spectrum, 0.0))
    return analytic / np.maximum(np.abs(analytic), 1e-30)


def _steady(samples, spectrum, own, window):
    return 2.0 * np.abs(np.mean(samples * window * np.conj(_turning(spectrum, own))))


def _harmonics(samples, rate_hz, spectrum, own, window, tone_hz, orders, amplitude):
    from scipy import fft

    turning = _turning(spectrum, own)
    ratios, sds = {}, {}
    for order in orders:
        if order * tone_hz > 0.47 * rate_hz:
            ratios[order], sds[order] = np.nan, np.nan
            continue
        line = 2.0 * fft.fft(samples * window * np.conj(turning) ** order) / samples.size
        power = np.abs(line) ** 2
        near = np.r_[_LINE_BINS + 2 : _SIDE_BINS, -_SIDE_BINS : -_LINE_BINS - 1]
        hiss = float(np.mean(power[near]))
        # Less than the hiss beside it comes out negative, so that a mean of many steps is not biased.
        ratios[order] = float(np.copysign(np.sqrt(abs(power[0] - hiss)), power[0] - hiss) / amplitude)
        sds[order] = float(np.sqrt(hiss / 2.0) / amplitude)
    return ratios, sds
