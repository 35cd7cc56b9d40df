"""Wow and flutter of a return, from its followed map; and of a test tone, the classical way, to hold against it.

Conventions: deviation = speed over mean speed less 1, in percent; rates of modulation in Hz of return time, as a tone would show
them; drift below 0.5 Hz, wow 0.5 to 6 Hz (as in J. Audio Eng. Soc. 55(4), 2007), flutter 6 to 100 Hz, as rms; weighted =
AES6-2008: weighting, then the level that the size of the deviation exceeds 5 % of the time ("two sigma"), over at least 5 s.

A smoothed map is calmer than the machine was, where the music says little. So figures are not read off the map itself but off
draws from its posterior: map plus error, the error simulated with the same information and the same learned speed process
(conditional simulation: J. Durbin and S. J. Koopman, Biometrika 89 (2002) 603). Their mean is the figure, their scatter its
standard deviation; how much of the weighted flutter is the map's and not the error's is the share that the material resolved.
What is not resolved is known through the learned process alone, whose power counts as known within _PROCESS_DOUBT of itself:
that is part of the standard deviation too.
"""

from typing import NamedTuple

import numpy as np
from scipy import fft

from bounceproof import at_once
from bounceproof.compiling import compiled
from bounceproof.quantities import amplitude_from_db, flutter_weighting_db

from . import smoother
from .material import BIN_S
from .speed import discretise

WOW_BAND_HZ, FLUTTER_BAND_HZ = (0.5, 6.0), (6.0, 100.0)
TONE_HZ = 3150.0
EXCEEDED_SHARE = 0.05
LEAST_S = 5.0
DRAWS = 10
# Relative standard deviation of the learned process' power, where the music does not show it; our own estimate.
_PROCESS_DOUBT = 0.7
# So many values of draws are held at once.
_HELD = 4_000_000
# Two bins to a step: 100 Hz still lies below half the rate of the steps.
POOL = 2
_POSITION_SD_US, _SPEED_SD_PPM = 3e3, 3e3
_CHUNK = 4096
_MIRROR_S = 6.0
_LEAST_INFO = 1e-6
# Speed within so many seconds of a jump is the jump's.
_JUMP_S = 0.1
_TONE_STEP_S = 0.002
_TONE_HALF_BAND_HZ = 250.0

FIGURES = (
    "speed_percent",
    "drift_percent",
    "drift_range_percent",
    "wow_percent",
    "flutter_percent",
    "weighted_flutter_percent",
    "peak_timing_error_us",
)


class Flutter(NamedTuple):
    """Figures of one return, and `sigmas`, one standard deviation each (the same names).

    figures: FIGURES by name; drift rms and range of the deviation below 0.5 Hz, wow and flutter rms, weighted two-sigma peak
    (not a number under 5 s), peak timing error about the straight line that fits best. flutter_resolved_share: of the weighted
    power of the flutter band, 0 to 1. seconds: looked at.
    """

    figures: dict
    sigmas: dict
    flutter_resolved_share: float
    seconds: float

    def values(self):
        """Plain values by name, each figure's deviation beside it with `_sigma` before the unit, and the bands."""
        out = {}
        for name in FIGURES:
            stem, unit = name.rsplit("_", 1)
            out[name], out[f"{stem}_sigma_{unit}"] = self.figures[name], self.sigmas[name]
        bands = {"wow_band_hz": list(WOW_BAND_HZ), "flutter_band_hz": list(FLUTTER_BAND_HZ)}
        return {**out, **bands, "flutter_resolved_share": self.flutter_resolved_share, "flutter_seconds": self.seconds}


def of_map(line, x_us, info, model, *, inflation=1.0, known=None, extra=None, seed=0):
    """The Flutter of a followed map, or None where less than a second of it is known.

    line: (a, b), x_us, info: the map (return = a + b * sent + x) and what the music said about it (1/us^2), per bin; model:
    the SpeedModel it was smoothed with; inflation: of its standard deviations; known: bins (bool) to count; extra: jumps as the
    smoother takes them.
    """
    reach = np.flatnonzero(info > _LEAST_INFO * np.max(info, initial=0.0)) if info.any() else np.zeros(0, int)
    if reach.size < 2 or (reach[-1] - reach[0]) * BIN_S < 1.0:
        return None
    first, count = reach[0], (reach[-1] - reach[0]) // POOL
    part = slice(first, first + count * POOL)
    counted = _counted(known, extra, part, x_us.size)
    if np.count_nonzero(counted) * BIN_S * POOL < 1.0:
        return None
    read, mean_us = _Read(BIN_S * POOL, line[1]), _pooled(x_us, first, count)

    def read_with(error_us):
        there = read.figures_of_map(mean_us + inflation * error_us, counted)
        return there, read.unresolved(inflation * error_us, counted)

    errors = _errors(info[part].reshape(-1, POOL).sum(axis=1), model, _from(extra, first, count), seed)
    drawn, unresolved = zip(*at_once.each(read_with, errors), strict=True)
    shares = _resolved([one["powers"] for one in drawn], unresolved)
    return _doubted(_gathered(drawn, shares[-1], counted, read), shares)


def of_time_map(time_map):
    """The Flutter of a map that is taken as it stands (a true one): a TimeMap with evenly spaced knots at most 4 ms apart."""
    step_s = float(np.median(np.diff(time_map.stem_s)))
    slope = 1 / time_map.mean_speed_ratio
    x_us = 1e6 * (time_map.return_s - time_map.return_s[0] - slope * (time_map.stem_s - time_map.stem_s[0]))
    read, counted = _Read(step_s, slope), np.isfinite(time_map.sigma_us[1:])
    return _gathered([read.figures_of_map(x_us, counted)], 1.0, counted, read)


def of_tone(samples, rate_hz, *, tone_hz=TONE_HZ):
    """The Flutter of a recorded tone by frequency demodulation of its analytic signal (D. Gabor, J. IEE 93 (1946) 429).

    samples: mono, the tone all through, at least 1 s. Its sigmas say what the hiss adds: noise shakes size and phase of a tone
    alike, so the size, read in the phase's stead, shows it (real changes of level count as noise too).
    """
    phase, size = _demodulated(np.asarray(samples, dtype=float), rate_hz, tone_hz)
    read, counted = _Read(_TONE_STEP_S, 1.0), np.ones(phase.size - 1, bool)
    evenly_s = np.arange(phase.size) * _TONE_STEP_S
    moved_s, shaken_s = (angle / (2 * np.pi * tone_hz) for angle in (phase, size / size.mean()))
    found, noise = (
        read.figures(np.diff(sent_s) / _TONE_STEP_S, 1e6 * sent_s, counted) for sent_s in (moved_s, evenly_s + shaken_s)
    )
    sigmas = {name: float(np.hypot(found[name], noise[name]) - found[name]) for name in FIGURES}
    return _gathered([found], 1.0, counted, read)._replace(sigmas={**sigmas, "speed_percent": abs(noise["speed_percent"])})


def two_sigma(deviation):
    """The level that |deviation| exceeds 5 % of the time: 0.997 of a sine's peak, 1.96 times the rms of Gaussian noise."""
    return float(np.quantile(np.abs(deviation), 1 - EXCEEDED_SHARE))


class _Read:
    """Reads the figures of speeds at even steps: of step_s, return times of step_s * slope."""

    def __init__(self, step_s, slope):
        self.step_s, self.slope = step_s, slope

    def figures_of_map(self, x_us, counted):
        """Of a map return = slope * sent + x_us."""
        return self.figures(1 / (self.slope + 1e-6 * np.diff(x_us) / self.step_s), x_us, counted)

    def figures(self, speed, x_us, counted):
        """speed: replay over record, one a step; x_us: the timing error but for a straight line, one more of them."""
        mean = 1 / np.mean(1 / speed[counted])
        deviation = self._filled(100 * (speed / mean - 1), counted)
        drift, wow, flutter, weighted, weighted_flutter = (part[counted] for part in self._bands(deviation))
        drift = drift - drift.mean()
        powers = np.array([np.mean(part**2) for part in (drift, wow, flutter, weighted, weighted_flutter)])
        long_enough = np.count_nonzero(counted) * self.step_s * self.slope >= LEAST_S
        return {
            "speed_percent": float(100 * (mean - 1)),
            "drift_percent": float(np.sqrt(powers[0])),
            "drift_range_percent": float(np.ptp(drift)),
            "wow_percent": float(np.sqrt(powers[1])),
            "flutter_percent": float(np.sqrt(powers[2])),
            "weighted_flutter_percent": two_sigma(weighted) if long_enough else np.nan,
            "peak_timing_error_us": _peak_about_line(x_us[1:], counted),
            "powers": powers,
        }

    def unresolved(self, error_us, counted):
        """Powers (percent^2) that an error of the map has in the bands."""
        deviation = self._filled(-1e-4 * np.diff(error_us) / self.step_s / self.slope, counted)
        return np.array([np.mean(part[counted] ** 2) for part in self._bands(deviation)])

    def _filled(self, deviation, counted):
        """The deviation, straight across what does not count."""
        if counted.all():
            return deviation
        places = np.arange(deviation.size)
        return np.interp(places, places[counted], deviation[counted])

    def _bands(self, deviation):
        """Drift, wow, flutter, the weighted whole, and the weighted flutter band, each as long as the deviation."""
        mirror = min(deviation.size - 1, int(_MIRROR_S / self.step_s))
        padded = np.pad(deviation, mirror, mode="reflect")
        size = fft.next_fast_len(padded.size, real=True)
        spectrum = fft.rfft(padded, size)
        rate_hz = np.arange(spectrum.size) / (size * self.step_s * self.slope)
        # A difference over one step has averaged the speed over it.
        spectrum /= np.maximum(np.sinc(rate_hz * self.step_s * self.slope), 0.3)
        heard = amplitude_from_db(flutter_weighting_db(np.maximum(rate_hz, 1e-6))) * (rate_hz <= FLUTTER_BAND_HZ[1])
        flutter = (rate_hz >= FLUTTER_BAND_HZ[0]) & (rate_hz <= FLUTTER_BAND_HZ[1])
        wow = (rate_hz >= WOW_BAND_HZ[0]) & (rate_hz < WOW_BAND_HZ[1])
        shapes = (rate_hz < WOW_BAND_HZ[0], wow, flutter, heard, heard * flutter)
        return [fft.irfft(spectrum * shape, size)[mirror : mirror + deviation.size] for shape in shapes]


def _peak_about_line(x_us, counted):
    places = np.arange(x_us.size)[counted]
    left = x_us[counted] - np.polyval(np.polyfit(places, x_us[counted], 1), places)
    return float(np.max(np.abs(left)))


def _gathered(drawn, resolved, counted, read):
    figures = {name: float(np.mean([one[name] for one in drawn])) for name in FIGURES}
    sigmas = {name: float(np.std([one[name] for one in drawn], ddof=1)) if len(drawn) > 1 else np.nan for name in FIGURES}
    return Flutter(figures, sigmas, float(resolved), float(np.count_nonzero(counted) * read.step_s * read.slope))


def _resolved(powers, unresolved):
    """Share of each band's power that is the map's."""
    return np.clip(1 - np.mean(unresolved, axis=0) / np.maximum(np.mean(powers, axis=0), 1e-300), 0.0, 1.0)


def _doubted(found, shares):
    """With the doubt about the learned process in the figures that rest on it."""
    names = ("drift_percent", "wow_percent", "flutter_percent", "weighted_flutter_percent")
    doubts = {
        name: float(np.hypot(found.sigmas[name], 0.5 * _PROCESS_DOUBT * (1 - share) * found.figures[name]))
        for name, share in zip(names, shares[:4], strict=True)
    }
    return found._replace(sigmas={**found.sigmas, **doubts})


def _counted(known, extra, part, bins):
    """Steps (bool, between pooled bins) that count: known at both ends and away from jumps."""
    good = np.ones(bins, bool) if known is None else known.copy()
    reach = round(_JUMP_S / BIN_S)
    for jump in () if extra is None else extra[0]:
        good[max(0, int(jump) - reach) : int(jump) + reach] = False
    good = good[part].reshape(-1, POOL).all(axis=1)
    return good[1:] & good[:-1]


def _from(extra, first, count):
    """The jumps within the part looked at, counted in pooled bins from its beginning."""
    if extra is None:
        return None
    at = (np.asarray(extra[0]) - first) // POOL
    inside = (at > 0) & (at < count)
    return at[inside], np.asarray(extra[1])[inside], np.asarray(extra[2])[inside]


def _pooled(x_us, first, count):
    """The map in the middle of each pair of bins, by a cubic through four neighbours."""
    x = np.concatenate(([2 * x_us[0] - x_us[1]], x_us, [2 * x_us[-1] - x_us[-2]]))
    k = first + POOL * np.arange(count)
    return (9 * (x[k + 1] + x[k + 2]) - (x[k] + x[k + 3])) / 16


def _errors(info, model, extra, seed):
    """DRAWS errors of the smoothed map (us, per pooled bin), drawn from its posterior, one after the other."""
    steps = discretise(model, BIN_S * POOL, position_sd_us=_POSITION_SD_US, mean_speed_sd_ppm=_SPEED_SD_PPM)
    random, kept = np.random.default_rng(seed), smoother.gains(info, steps, extra=extra)
    together = max(1, min(DRAWS, _HELD // info.size))
    for first in range(0, DRAWS, together):
        true = _walks(steps, info.size, min(together, DRAWS - first), extra, random)
        scores = random.standard_normal(true.shape)
        scores *= np.sqrt(info)[:, None]
        scores += info[:, None] * true
        true -= smoother.smooth_columns(scores, info, kept, steps)
        yield from true.T


def _walks(steps, count, draws, extra, random):
    """Positions (us), shape (count, draws), drawn from the speed process."""
    root = _root(steps.noise)
    state = _root(steps.prior) @ random.standard_normal((steps.row.size, draws))
    out = np.empty((count, draws))
    out[0] = state[0]
    for first in range(1, count, _CHUNK):
        last = min(first + _CHUNK, count)
        kicks = np.matmul(root, random.standard_normal((last - first, steps.row.size, draws)))
        for at, position, speed in zip(*(extra or ((), (), ())), strict=True):
            if first <= at < last:
                kicks[at - first, :2] += np.sqrt([[position], [speed]]) * random.standard_normal((2, draws))
        _step(state, kicks, steps.row, steps.blocks, out[first:last])
    return out


def _root(covariance):
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))


@compiled()
def _step(state, kicks, row, blocks, out):
    states, draws = state.shape
    for k in range(kicks.shape[0]):
        for c in range(draws):
            position = 0.0
            for i in range(states):
                position += row[i] * state[i, c]
            for b in range(blocks.shape[0]):
                i = 2 + 2 * b
                one = blocks[b, 0, 0] * state[i, c] + blocks[b, 0, 1] * state[i + 1, c]
                state[i + 1, c] = blocks[b, 1, 0] * state[i, c] + blocks[b, 1, 1] * state[i + 1, c]
                state[i, c] = one
            state[0, c] = position
            for i in range(states):
                state[i, c] += kicks[k, i, c]
            out[k, c] = state[0, c]


def _demodulated(samples, rate_hz, tone_hz):
    """Phase (radians, unwrapped) and size of the tone every _TONE_STEP_S, a tenth of a second left out at both ends."""
    size = fft.next_fast_len(samples.size)
    spectrum = fft.fft(samples * 1.0, size)
    freq_hz = np.arange(size) * rate_hz / size
    near = np.abs(freq_hz - tone_hz) < 0.15 * tone_hz
    middle_hz = freq_hz[near][np.argmax(np.abs(spectrum[near]))]
    away = np.abs(freq_hz - middle_hz) / _TONE_HALF_BAND_HZ
    spectrum *= np.where(away < 1, 1.0, np.where(away < 1.5, 0.5 + 0.5 * np.cos(2 * np.pi * (away - 1)), 0.0))
    analytic = fft.ifft(spectrum)[: samples.size]
    at = np.arange(0.1 * rate_hz, samples.size - 0.1 * rate_hz - 1, _TONE_STEP_S * rate_hz)
    turned = np.unwrap(np.angle(analytic))
    places = np.arange(samples.size)
    return np.interp(at, places, turned), np.interp(at, places, np.abs(analytic))
