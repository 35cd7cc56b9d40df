"""Rotating parts of a machine, proposed from what the music says about the map.

Conventions: as in `learn`. A part is a sine of the position. How much one of rate f would gain in likelihood over a speed process
without it is b' A^-1 b / 2, with b = X' C^-1 z and A = X' C^-1 X for its cosine and sine X, C the covariance of the measurements
z (generalised least squares: A. C. Aitken, Proc. Royal Society of Edinburgh 55 (1935) 42). C^-1 z = info * (z - smoothed z), so
that one run of the smoother serves all rates. That stays right where the music says something now and then only, which leaves
a spectrum of the smoothed speed full of images. The strongest is taken out and the rest looked at again (matching pursuit:
S. Mallat and Z. Zhang, IEEE Trans. Signal Processing 41 (1993) 3397).
"""

import itertools

import numpy as np
from scipy import fft

from bounceproof import at_once

from . import smoother
from .speed import Line

BAND_HZ = (0.3, 60.0)
MOST = 6
# Looked at: so many stretches at most, in which most is known, so long (s).
STRETCHES, STRETCH_S = 4, 30.0
# Gained likelihood (nats, over what chance gives) below which nothing is proposed.
LEAST_GAIN = 6.0
_GRID, _AT_ONCE, _FINER = 60, 10, 4
_HALF_WIDTH_HZ = 0.03


def propose(evidence, steps):
    """The likeliest Lines, strongest first, at most MOST. evidence: of `learn`; steps: the Steps of the process without them."""
    step_s = evidence.step_s
    spans = _telling(evidence.info, round(STRETCH_S / step_s))
    parts = at_once.each(lambda span: _Stretch(evidence, span, steps), spans)
    rates_hz = np.arange(BAND_HZ[0], min(BAND_HZ[1], 0.25 / step_s), 1 / (_FINER * STRETCH_S))
    free, found = np.ones(rates_hz.size, bool), []
    # The median of what chance gives: of a gamma distribution.
    chance = len(parts) - 1 / 3
    while len(found) < MOST and free.any():
        gains = sum(part.gains(rates_hz) for part in parts)
        # A process that had to explain the lines as well expects too much everywhere: chance seems to give less than it does.
        gains = np.where(free, gains * np.maximum(1, chance / _usual(gains, rates_hz)), -np.inf)
        best = int(np.argmax(gains))
        if gains[best] - len(parts) < LEAST_GAIN:
            break
        rate_hz = float(rates_hz[best])
        power = np.mean([part.take_out(rate_hz) for part in parts])
        # The speed of a part, from its position's.
        found.append(Line(rate_hz, float(2 * np.pi * rate_hz * np.sqrt(power)), _HALF_WIDTH_HZ))
        free &= np.abs(rates_hz - rate_hz) > 0.12 + 0.02 * rate_hz
    return found


def _usual(gains, rates_hz):
    """Running median over a quarter to both sides, at least 0.5 Hz."""
    places_hz = np.geomspace(rates_hz[0], rates_hz[-1], 2 * _GRID)
    reach_hz = np.maximum(0.5, 0.25 * places_hz)
    first, last = (np.searchsorted(rates_hz, places_hz + turn * reach_hz) for turn in (-1, 1))
    medians = [np.median(gains[a:b]) for a, b in zip(first, last, strict=True)]
    return np.exp(np.interp(np.log(rates_hz), np.log(places_hz), np.log(np.maximum(medians, 1e-300))))


def _telling(info, length):
    """(first, last) of the stretches of about `length` steps in which most is known."""
    count = max(1, info.size // length)
    edges = np.linspace(0, info.size, count + 1).astype(int)
    known = [np.sum(np.sqrt(info[a:b])) for a, b in itertools.pairwise(edges)]
    return [(edges[k], edges[k + 1]) for k in np.sort(np.argsort(known)[-STRETCHES:])]


class _Stretch:
    """A stretch of measurements, and what is left of them (weighted: C^-1 z) once lines are taken out."""

    def __init__(self, evidence, span, steps):
        self.info, self.steps, self.step_s = evidence.info[slice(*span)], steps, evidence.step_s
        self.kept = smoother.gains(self.info, steps, extra=evidence.extra_within(*span))
        self.left = self._weighted(evidence.z[slice(*span), None])[:, 0]
        self.grid_hz = np.geomspace(BAND_HZ[0], min(BAND_HZ[1], 0.25 / self.step_s), _GRID)
        # Some columns at a time: a run of the smoother costs little more for many than for two.
        parts = (self._waves(part_hz) for part_hz in np.split(self.grid_hz, _GRID // _AT_ONCE))
        told = np.concatenate([np.sum(waves * self._weighted(waves), axis=0) for waves in parts])
        self.grid_weight = 0.5 * told.reshape(-1, 2).sum(axis=1)

    def _waves(self, rates_hz):
        """Cosine and sine of each rate, a column each."""
        angles = 2 * np.pi * self.step_s * np.outer(np.arange(self.info.size), rates_hz)
        return np.stack((np.cos(angles), np.sin(angles)), axis=2).reshape(self.info.size, -1)

    def _weighted(self, columns):
        """C^-1 columns."""
        scores = self.info[:, None] * columns
        return scores - self.info[:, None] * smoother.smooth_columns(scores, self.info, self.kept, self.steps)

    def gains(self, rates_hz):
        """Likelihood (nats) that a line of each rate would gain here."""
        size = fft.next_fast_len(max(self.info.size, int(2 * _FINER * STRETCH_S / self.step_s)), real=True)
        power = np.abs(fft.rfft(self.left, size)) ** 2
        power = np.interp(rates_hz, np.arange(power.size) / (size * self.step_s), power)
        weight = np.interp(np.log(rates_hz), np.log(self.grid_hz), self.grid_weight)
        return 0.5 * power / np.maximum(weight, 1e-300)

    def take_out(self, rate_hz):
        """Take the line of this rate out; its mean square, us^2."""
        waves = self._waves(rate_hz)
        weighted = self._weighted(waves)
        sizes = np.linalg.lstsq(waves.T @ weighted, waves.T @ self.left, rcond=1e-9)[0]
        self.left = self.left - weighted @ sizes
        return 0.5 * float(sizes @ sizes)
