"""Runs: stretches of an array in which something holds."""

from typing import NamedTuple

import numpy as np


class HeldRuns(NamedTuple):
    """The value held (its size), and the first sample and the length of each run there."""

    ceiling: float
    starts: np.ndarray
    lengths: np.ndarray


def runs(flags):
    """(first, one past the last) of each stretch of True in `flags` (one-dimensional, bool), in order: an array (runs, 2)."""
    return np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))).reshape(-1, 2)


def held_runs(samples, sign, shortest):
    """HeldRuns of `shortest` samples or more at the highest (sign 1) or lowest (sign -1) value."""
    ceiling = float(samples.max() if sign > 0 else -samples.min()) if len(samples) else 0.0
    if ceiling <= 0:
        return HeldRuns(ceiling, *np.zeros((2, 0), int))
    # One step of 16 bits below the ceiling still counts as held: converters dither.
    least = sign * (ceiling - 2.0**-15)
    held = np.flatnonzero(samples >= least if sign > 0 else samples <= least)
    first = np.flatnonzero(np.diff(held, prepend=-2) > 1)
    starts, lengths = held[first], np.diff(first, append=held.size)
    return HeldRuns(ceiling, starts[lengths >= shortest], lengths[lengths >= shortest])
