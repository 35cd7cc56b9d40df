"""Runs: stretches of an array in which something holds."""

import numpy as np


def runs(flags):
    """(first, one past the last) of each stretch of True in `flags` (one-dimensional, bool), in order: an array (runs, 2)."""
    return np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))).reshape(-1, 2)
