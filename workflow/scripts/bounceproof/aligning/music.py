"""Is it the music that was sent, and how far does it stray from a map?

Conventions: `laid` is the return read through a map, on the stem's time base; a delay is positive where the return comes late;
likeness = normalised correlation of a window, 1 = equal. Times in seconds of the stem.
"""

from typing import NamedTuple

import numpy as np
from scipy import fft

from bounceproof import at_once
from bounceproof.audio import resample

WORK_HZ = 12000
_WINDOW = 4096
_HOP = 2048
_LAGS = 480
_WITHIN_DB = 40.0


class Windows(NamedTuple):
    """Per window in which the stem plays: its middle (s), delay (s), likeness, the stem's power; and the likeness by chance."""

    middle_s: np.ndarray
    delay_s: np.ndarray
    likeness: np.ndarray
    power: np.ndarray
    chance: float


def compare(stem, laid, rate_hz, *, polarity=1, most=None):
    """Windows of 0.34 s of a stem and a laid return (of the given polarity); delays searched to +-40 ms. most: of so many
    windows, evenly spread, at most (all if None).

    The stem is first given the return's long-term spectrum (third-octave wide), so that what the machine cannot carry does not
    count. A bass line has many near-equal correlation peaks: the delays are one path through all windows' correlations, chosen by
    dynamic programming, that pays for changing its lag. Chance = the mean likeness of each window with another part of the
    return.
    """
    stem, laid = (resample(np.asarray(one, dtype=np.float32), rate_hz, WORK_HZ) for one in (stem, laid))
    laid = laid * np.float32(polarity)
    stem = np.pad(stem, (0, max(0, _WINDOW + 2 * _LAGS - stem.size)))
    laid = np.pad(laid, (0, max(0, stem.size - laid.size)))[: stem.size]
    stem = _spectrum_matched(stem, laid)
    starts = np.arange(_LAGS, stem.size - _WINDOW - _LAGS + 1, _HOP)
    power = np.array([np.mean(np.square(stem[s : s + _WINDOW])) for s in starts])
    playing = power > 10 ** (-_WITHIN_DB / 10) * max(power.max(initial=0.0), 1e-20)
    # Where nothing was laid there is silence, which resembles nothing.
    heard = np.array([np.mean(np.square(laid[s : s + _WINDOW])) for s in starts])
    playing &= heard > 1e-9 * max(heard.max(initial=0.0), 1e-20)
    every = -(-np.count_nonzero(playing) // most) if most else 1
    starts, power = starts[playing][::every], power[playing][::every]
    away = np.roll(starts, max(1, int(0.37 * starts.size)))
    curves, chance = at_once.together(
        lambda: np.array([_correlation(stem, laid, s, s) for s in starts]).reshape(-1, 2 * _LAGS + 1),
        lambda: np.array([_correlation(stem, laid, s, other).max() for s, other in zip(starts, away, strict=True)]),
    )
    lags = _path(np.maximum(curves, 0.0) ** 2 * np.sqrt(power / max(power.max(initial=0.0), 1e-30))[:, None])
    return Windows(
        (starts + _WINDOW / 2) / WORK_HZ,
        np.array([(lag - _LAGS + _vertex(curve, lag)) / WORK_HZ for curve, lag in zip(curves, lags, strict=True)]),
        np.array([curve[lag] for curve, lag in zip(curves, lags, strict=True)]),
        power,
        float(np.average(chance, weights=power)) if starts.size else 0.0,
    )


def _path(gain):
    """The lag of each window (rows of gain) along the best path; a step of n lags costs (n / 24)^2, at most 48 at once."""
    if not len(gain):
        return np.zeros(0, dtype=int)
    reach = 48
    steps = np.arange(-reach, reach + 1)
    price = np.square(steps / 24.0) * 0.2
    best, came = gain[0], np.zeros(gain.shape, dtype=int)
    for k in range(1, len(gain)):
        before = np.pad(best, reach, constant_values=-np.inf)
        options = np.lib.stride_tricks.sliding_window_view(before, steps.size) - price
        came[k] = np.argmax(options, axis=1) - reach
        best = gain[k] + np.take_along_axis(options, came[k][:, None] + reach, axis=1)[:, 0]
    lags = [int(np.argmax(best))]
    for k in range(len(gain) - 1, 0, -1):
        lags.append(lags[-1] + int(came[k][lags[-1]]))
    return np.array(lags[::-1])


def _spectrum_matched(stem, laid):
    freq_hz = fft.rfftfreq(_WINDOW, 1 / WORK_HZ)
    stem_power, laid_power = at_once.each(_long_term, (stem, laid))
    gain = np.sqrt(
        _third_octave_mean(laid_power, freq_hz) / (_third_octave_mean(stem_power, freq_hz) + 1e-12 * stem_power.max() + 1e-30)
    )
    # A band where the stem has nothing holds hiss only; the gain there would lift the stem's own noise to it.
    gain[_third_octave_mean(stem_power, freq_hz) < 1e-6 * stem_power.max()] = 0.0
    gain[freq_hz < 40] = 0.0
    impulse = np.roll(fft.irfft(gain), _WINDOW // 2) * np.hanning(_WINDOW)
    return _filtered(stem, impulse)


def _filtered(samples, impulse):
    from bounceproof.spectra import convolved

    return convolved(samples, impulse.astype(np.float32))


def _long_term(samples):
    count = (samples.size - _WINDOW) // _HOP + 1
    total, window = np.zeros(_WINDOW // 2 + 1), np.hanning(_WINDOW)
    for k in range(count):
        total += np.square(np.abs(fft.rfft(samples[k * _HOP : k * _HOP + _WINDOW] * window)))
    return total / max(1, count)


def _third_octave_mean(power, freq_hz):
    total = np.concatenate(([0.0], np.cumsum(power)))
    low = np.searchsorted(freq_hz, freq_hz * 10**-0.05)
    high = np.searchsorted(freq_hz, freq_hz * 10**0.05, side="right")
    return (total[high] - total[low]) / np.maximum(1, high - low)


def _correlation(stem, laid, at, there):
    """Normalised correlation of the stem's window at `at` with the return around `there`, at lags -_LAGS .. +_LAGS."""
    piece = stem[at : at + _WINDOW]
    wide = laid[there - _LAGS : there + _WINDOW + _LAGS]
    length = fft.next_fast_len(wide.size, real=True)
    values = fft.irfft(fft.rfft(wide, length) * np.conj(fft.rfft(piece, length)), length)[: 2 * _LAGS + 1]
    energy = np.cumsum(np.concatenate(([0.0], np.square(wide, dtype=float))))
    company = energy[_WINDOW : _WINDOW + 2 * _LAGS + 1] - energy[: 2 * _LAGS + 1]
    company = np.maximum(company, 1e-6 * company.max(initial=0.0))
    return values / np.sqrt(np.maximum(company, 1e-20) * max(float(np.sum(np.square(piece, dtype=float))), 1e-20))


def _vertex(values, best):
    if not 0 < best < values.size - 1:
        return 0.0
    low, mid, high = values[best - 1 : best + 2]
    bend = low - 2 * mid + high
    return 0.5 * (low - high) / bend if bend < 0 else 0.0


def recognised(windows):
    """Whether the return holds the stem's music: its mean likeness stands clear of chance."""
    return mean_likeness(windows) > max(0.1, min(0.5, 1.1 * windows.chance))


def mean_likeness(windows):
    return float(np.average(windows.likeness, weights=windows.power)) if windows.power.size else 0.0


def timing_rms_us(windows):
    """Energy-weighted rms of the delays about their mean in us, from the windows that are alike; NaN where there are none."""
    good = windows.likeness > max(0.3, min(0.6, 1.2 * windows.chance))
    if not good.any():
        return float("nan")
    delay_us, weight = 1e6 * windows.delay_s[good], windows.power[good]
    return float(np.sqrt(np.average(np.square(delay_us - np.average(delay_us, weights=weight)), weights=weight)))
