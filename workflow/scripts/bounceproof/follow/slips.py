"""Stretches that lie on the wrong cycle: the map there is not where its surroundings, and the way the machine moves, expect it.

Conventions: us of return time; per bin. A stretch is judged by what the rest says about it: every third stretch is left
out in turn,
the others are smoothed with the learned speed process, and where the map is further from that than chance has it, it is a
suspect.
Source of the idea: cross-validation by blocks (S. Geisser, J. American Statistical Association 70 (1975) 320).
"""

import itertools
from typing import NamedTuple

import numpy as np

from bounceproof.runs import runs

from . import abreast, smoother
from .learn import start_steps
from .material import BIN_S

STRETCHES_S = (0.16, 0.7)
TURNS = 3
# One suspect vouches for another beside it: without the first, the second is found.
ROUNDS = 4
# In standard deviations of the expectation, and in us: less is no cycle.
LEAST_SIGMAS, LEAST_US = 4.5, 100.0
# Further off than a cycle of the lowest notes is no slip: the rest, beyond a long silence, knows less than it believes.
MOST_US = 5000.0
POOL = 4
# Where the music tells something: share of the most that a bin tells.
LOUD = 1e-6
# Independent samples in a bin, and the evidence (nats) by which the music vouches for a stretch.
FREE_PER_BIN, VOUCHED = 16, 10.0
BLEND = 16


class Rest(NamedTuple):
    """suspect: bool per bin; mean_us, sd_us: the map there as all but the suspects have it, per bin."""

    suspect: np.ndarray
    mean_us: np.ndarray
    sd_us: np.ndarray


def expected(x_us, z_us, info, model, *, extra=None, sure=None):
    """The suspects of a map and where the rest expects it (Rest), or None where there are none."""
    x, z, j = pooled(x_us, z_us, info)
    suspect = _pooled_suspects(x, z, j, model, sooner(extra), _pooled_sure(sure))
    if not suspect.any():
        return None
    rest = smoother.smooth(z, np.where(suspect, 0.0, j), start_steps(model, BIN_S * POOL), extra=sooner(extra))
    bins = np.arange(x_us.size)
    middles = (np.arange(x.size) + 0.5) * POOL - 0.5
    mean, sd = np.interp(bins, middles, rest.mean_us), np.interp(bins, middles, np.sqrt(rest.variance))
    suspect = _within_a_cycle(np.repeat(suspect, POOL)[: x_us.size], np.abs(mean - x_us), info)
    return Rest(suspect, mean, sd) if suspect.any() else None


def put_back(x_us, rest):
    """The map with the suspects where the rest expects them, blended over the bins beside them."""
    share = np.convolve(rest.suspect, np.ones(2 * BLEND + 1), mode="same")
    share = np.where(rest.suspect, 1.0, np.minimum(share / BLEND, 1.0))
    return x_us + share * (rest.mean_us - x_us)


def evidence(seen):
    """How much (nats) of each bin the stem explains, from a Pass."""
    left = np.maximum(seen.left_over, 1e-30)
    return FREE_PER_BIN / 2 * np.log1p(seen.explained / left)


def not_vouched(suspect, lost):
    """The suspects (bool per bin) less those stretches where the music would lose by being elsewhere: `lost` nats a bin."""
    return _only(suspect, lambda part: np.sum(lost[part]) < VOUCHED)


def _within_a_cycle(suspect, away_us, info):
    """The suspects (bool per bin) less those stretches whose music is expected further away than any cycle."""
    loud = info > LOUD * np.max(info, initial=0.0)
    return _only(suspect, lambda part: np.max(away_us[part][loud[part]], initial=0.0) < MOST_US)


def _only(suspect, holds):
    """The suspects in those stretches (slices) for which something holds."""
    out = suspect.copy()
    for first, last in runs(suspect):
        out[first:last] = holds(slice(first, last))
    return out


def pooled(x_us, z_us, info):
    """Groups of POOL bins: the map's mean, the measurements' mean, their information; the last group is filled up."""
    short = -x_us.size % POOL
    x, j = np.pad(x_us, (0, short), mode="edge"), np.pad(info, (0, short))
    z = np.pad(z_us, (0, short), mode="edge")
    x, j, z = x.reshape(-1, POOL), j.reshape(-1, POOL), z.reshape(-1, POOL)
    total = j.sum(axis=1)
    return x.mean(axis=1), (j * z).sum(axis=1) / np.maximum(total, 1e-300), total


def _pooled_sure(sure):
    return None if sure is None else np.pad(sure, (0, -sure.size % POOL)).reshape(-1, POOL).any(axis=1)


def sooner(extra):
    return None if extra is None else (np.asarray(extra[0]) // POOL, extra[1], extra[2])


def _pooled_suspects(x_us, z_us, info, model, extra, sure):
    steps = start_steps(model, BIN_S * POOL)
    loud = info > LOUD * np.max(info, initial=0.0)
    found = np.zeros(x_us.size, dtype=bool)
    for _ in range(ROUNDS):
        more = found | _far_from_others(x_us, z_us, np.where(found, 0.0, info), loud, steps, extra)
        if sure is not None:
            more &= ~sure
        if np.array_equal(more, found):
            break
        found = more
    return found


def _far_from_others(x_us, z_us, info, loud, steps, extra):
    stretches = [np.arange(x_us.size) // max(2, round(stretch_s / BIN_S / POOL)) for stretch_s in STRETCHES_S]
    turns = [(stretch, stretch % TURNS == turn) for stretch, turn in itertools.product(stretches, range(TURNS))]
    others = abreast.smooth([(z_us, np.where(out, 0.0, info), steps, extra) for _, out in turns])
    found = np.zeros(x_us.size, dtype=bool)
    for (stretch, out), (mean_us, variance) in zip(turns, others, strict=True):
        far = np.abs(x_us - mean_us) > np.maximum(LEAST_SIGMAS * np.sqrt(variance), LEAST_US)
        found |= np.isin(stretch, np.unique(stretch[out & far & loud]))
    return found
