"""Stretches that lie on the wrong cycle: the map there is not where its surroundings, and the way the machine moves, expect it.

Conventions: us of return time; per bin. A stretch is judged by what the rest says about it: every third stretch is left out in turn,
the others are smoothed with the learned speed process, and where the map is further from that than chance has it, it is a suspect.
Source of the idea: cross-validation by blocks (S. Geisser, J. American Statistical Association 70 (1975) 320).
"""

import numpy as np

from . import smoother
from .learn import start_steps
from .material import BIN_S

STRETCHES_S = (0.12, 0.35, 1.0)
TURNS = 3
# In standard deviations of the expectation, and in us: less is no cycle.
LEAST_SIGMAS, LEAST_US = 6.0, 120.0


def suspects(x_us, z_us, info, model, *, extra=None):
    """Which bins (bool) are suspected of lying on the wrong cycle."""
    steps = start_steps(model, BIN_S)
    loud = info > 1e-6 * np.max(info, initial=0.0)
    found = np.zeros(x_us.size, dtype=bool)
    for stretch_s in STRETCHES_S:
        stretch = (np.arange(x_us.size) // max(2, round(stretch_s / BIN_S))).astype(np.int64)
        for turn in range(TURNS):
            out = stretch % TURNS == turn
            others = smoother.smooth(z_us, np.where(out, 0.0, info), steps, extra=extra)
            far = np.abs(x_us - others.mean_us) > np.maximum(LEAST_SIGMAS * np.sqrt(others.variance), LEAST_US)
            hit = np.unique(stretch[out & far & loud])
            found |= np.isin(stretch, hit)
    return found


def expected(z_us, info, model, suspect, *, extra=None):
    """The map (Smoothed) as all but the suspects have it."""
    return smoother.smooth(z_us, np.where(suspect, 0.0, info), start_steps(model, BIN_S), extra=extra)
