"""Loudness, loudness range and true peak of a mix.

Conventions: samples are (frames, channels), or what slices into them, full scale = 1. Integrated loudness after ITU-R BS.1770
(gated at -70 LUFS and 10 LU under), loudness range after EBU Tech 3342 (windows of 3 s, gated at -70 LUFS and 20 LU under, 10 to
95 %), true peak after BS.1770 Annex 2 (four times oversampled). The weighting filters are pyloudnorm's.
"""

import threading
import warnings
from typing import NamedTuple

import numpy as np

from bounceproof.audio import resample
from bounceproof.quantities import amplitude_db, highest, power_db, power_from_db

_STEP_S = 0.1
_ABSOLUTE_LUFS = -70.0
_GATING_STEPS, _SHORT_TERM_STEPS = 4, 30
# Between two samples of what a mix holds a wave rises over them by 3 dB at most, if there is next to nothing above a quarter of
# the rate; blocks that stay further under the highest sample need no oversampling.
_NEAR_PEAK = 0.6
_BLOCK, _MARGIN = 1 << 13, 512
# Mixes are read so many frames, and weighted so many steps, at a time.
_READ, _STEPS_AT_ONCE = 1 << 18, 300
_ONE_BY_ONE = threading.Lock()


class Loudness(NamedTuple):
    """integrated_lufs and range_lu; None where a mix is silent or too short (0.4 s, 3 s)."""

    integrated_lufs: float | None
    range_lu: float | None


class Peaks(NamedTuple):
    """The highest sample in dBFS and the highest value between samples in dBTP; -inf for silence."""

    sample_dbfs: float
    true_dbtp: float


def loudness(samples, rate_hz):
    """The Loudness of a mix."""
    steps = _weighted_steps(samples, rate_hz)
    return Loudness(_integrated(_windows(steps, _GATING_STEPS)), _range(_windows(steps, _SHORT_TERM_STEPS)))


def _weighted_steps(samples, rate_hz):
    """Mean square of the K-weighted channels together, per 100 ms."""
    step = round(_STEP_S * rate_hz)
    total = np.zeros(len(samples) // step)
    if not total.size:
        return total
    filters = _weighting(rate_hz)
    for first in range(0, total.size, _STEPS_AT_ONCE):
        last = min(total.size, first + _STEPS_AT_ONCE)
        # After a second the filters have forgotten what lay before.
        before = min(first * step, rate_hz)
        for channel in np.asarray(samples[first * step - before : last * step], dtype=float).T:
            for one in filters:
                channel = one.apply_filter(channel)
            total[first:last] += np.square(channel[before:]).reshape(-1, step).mean(axis=1)
    return total


def _weighting(rate_hz):
    """The library's two filters. Of its designs this is the one whose 48 kHz coefficients are the recommendation's own (0.04 LU
    apart from its default)."""
    # What warnings are shown is the whole process's affair: one thread at a time.
    with _ONE_BY_ONE, warnings.catch_warnings():
        import pyloudnorm

        warnings.simplefilter("ignore")
        return list(pyloudnorm.Meter(rate_hz, filter_class="DeMan")._filters.values())


def _windows(steps, width):
    """Mean power of each run of `width` steps."""
    if len(steps) < width:
        return np.zeros(0)
    sums = np.concatenate(([0.0], np.cumsum(steps)))
    return np.maximum(sums[width:] - sums[:-width], 0.0) / width


def _lufs(power):
    return -0.691 + power_db(power)


def _gated(powers, relative_lu):
    """The windows over both gates: absolute, and so many LU under the mean of those over the absolute one."""
    powers = powers[powers > power_from_db(_ABSOLUTE_LUFS + 0.691)]
    return powers[powers > powers.mean() * power_from_db(-relative_lu)] if len(powers) else powers


def _integrated(powers):
    heard = _gated(powers, 10.0)
    return float(_lufs(heard.mean())) if len(heard) else None


def _range(powers):
    heard = _gated(powers, 20.0)
    return float(np.subtract(*_lufs(np.percentile(heard, (95, 10))))) if len(heard) else None


def peaks(samples, rate_hz):
    """The Peaks of a mix."""
    peak = found = highest(samples)
    for start in range(0, len(samples) if peak else 0, _READ):
        low = max(0, start - _MARGIN)
        there = samples[low : start + _READ + _MARGIN]
        for first in range(start, min(start + _READ, len(samples)), _BLOCK):
            before = min(first, _MARGIN)
            block = there[first - before - low : first + _BLOCK + _MARGIN - low]
            if max(block.max(), -block.min()) >= _NEAR_PEAK * peak:
                # A block's cut ends ring: only what lies inside of them counts.
                inner = resample(block, rate_hz, 4 * rate_hz)[4 * before : 4 * (before + _BLOCK)]
                found = max(found, float(inner.max(initial=0.0)), -float(inner.min(initial=0.0)))
    return Peaks(float(amplitude_db(peak)), float(amplitude_db(found)))
