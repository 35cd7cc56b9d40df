"""Map and response together: steps in which neither waits for the other.

Conventions: unknowns are a correction of the map (us, under the smoother's prior), one of theta, the response, and, where the
tape bends what it holds, of the powers' shares (`bending`). The map is taken out by elimination; what is left are normal
equations in theta and shares alone. In a long return bins are grouped here, since the response's pull on the map is slow;
not where the clicks pass: they tie the low notes of a bass to the highs, and a map held level within a sweep would bend the
response. (Grouped by four bins the steps creep: the constant of a bass ended 8 us off.) The anchor's delay of the response is
held at none. Source: block elimination of a linear Gaussian model (S. Boyd and L. Vandenberghe, Convex Optimization, appendix
C.4). Memory: one float32 array (groups, columns).
"""

from typing import NamedTuple

import numpy as np

from bounceproof import at_once

from . import response, smoother, sweep
from .learn import start_steps
from .material import BIN_S

CHUNK = 16
# What so many unknowns add to the map's variance, weighted by information, is left out up to this share of the map's own.
LEFT_OUT = 1e-4
# Up to so many bins (5 minutes) none are grouped, up to twice as many by two, and so on.
WHOLE_BINS = 160_000
ANCHOR_SD_SAMPLES, ANCHOR_SHARE = 1e-4, 1.0
# Sums of single precision are unsure by this share of the largest.
ROUNDING = 1e-8
# Of a step's change this share is taken: its constant overshoots where whitening and response differ most.
SHARE = 0.85
# No further ahead than so many times the last step.
MOST_AHEAD = 5.0


class Step(NamedTuple):
    """unknowns: the new theta, and shares; pull_us: what their change does to the map, per bin."""

    unknowns: np.ndarray
    pull_us: np.ndarray


class Elimination:
    """The normal equations of a Pass with the map taken out.

    seen: a Pass with its coupling; unknowns: theta, and the powers' shares where the Pass was asked for them; edges: its
    `groups`; kept: the Gains over them, where each bin stands alone and was smoothed so before.
    """

    def __init__(self, seen, unknowns, anchor, model, *, edges, extra=None, kept=None):
        self.edges, self.coupling = edges, seen.coupling
        self.info = np.add.reduceat(seen.info, edges[:-1])
        between_s = BIN_S * np.diff(_middles(edges), prepend=-0.5)
        self.steps = smoother.paced(between_s, lambda step_s: start_steps(model, step_s))
        if kept is None:
            extra = None if extra is None else (np.searchsorted(edges, extra[0], side="right") - 1, extra[1], extra[2])
            kept = smoother.gains(self.info, self.steps, extra=extra)
        self.kept = kept
        gram, _ = response.gram(seen.normal)
        if seen.bend_gram is not None:
            gram = np.block([[gram, seen.bend_gram[:, : len(gram)].T], [seen.bend_gram]])
        taken = smoother.told_twice((self.coupling, self.info[:, None]), self.info, self.kept, self.steps)
        self._taken, mean = taken[:-1, :-1], taken[-1, :-1] / max(self.info.sum(), 1e-300)
        gram -= self._taken
        slope, delay = _anchored(unknowns, anchor)
        # The anchor's delay is held where it is by a very sure measurement. However loud the music, its say must not outweigh
        # what counts as no delay.
        sure = max(1 / ANCHOR_SD_SAMPLES**2, ANCHOR_SHARE * np.trace(gram) / float(slope @ slope))
        prior = _prior_precision(unknowns, anchor)
        # Where nothing is known, what single precision leaves can lie below nothing, and steps on that would run away.
        values, vectors = np.linalg.eigh((gram + gram.T) / 2)
        known = (vectors * np.maximum(values, ROUNDING * values[-1])) @ vectors.T
        covariance = np.linalg.inv(known + np.diag(prior) + sure * np.outer(slope, slope))
        self.covariance = (covariance + covariance.T) / 2
        # Of the map's mean, weighted by information: doubt of the constant between music and anchor.
        self.offset_variance = float(mean @ self.covariance @ mean)
        self._unknowns, self._told = unknowns, seen.error_cross
        self._prior_pull, self._anchor_pull = prior * unknowns, sure * slope * delay

    def step(self, off_us):
        """The Step with the map free to follow. off_us: by how much the smoothed map for unchanged unknowns differs from the one
        that the Pass was made with, per bin."""
        right = self._told + self.coupling.T @ sweep.group_means(off_us, self.edges).astype(np.float32)
        change = SHARE * self.covariance @ (right - self._prior_pull - self._anchor_pull)
        pull_us = self._answer((self.coupling @ change.astype(np.float32))[:, None])[:, 0]
        return Step(self._unknowns + change, _spread(pull_us, self.edges))

    def variance(self, own):
        """What doubt of the unknowns adds to the map's variance, per bin. own: the smoothed map's, per bin."""
        root = _root(self.covariance)
        # Turned to the directions that the map answers to, of which few matter beside what the map is unsure of by itself.
        values, turned = np.linalg.eigh(root.T @ self._taken @ root)
        enough = LEFT_OUT * np.sum(self.info * sweep.group_means(own, self.edges))
        root = (root @ turned[:, np.cumsum(np.maximum(values, 0)) > enough]).astype(np.float32)
        parts = [root[:, k : k + CHUNK] for k in range(0, root.shape[1], CHUNK)]
        answers = at_once.each(lambda part: np.sum(self._answer(self.coupling @ part) ** 2, axis=1), parts)
        total = sum(answers, np.zeros(self.info.size))
        return _spread(total, self.edges)

    def _answer(self, scores):
        """How the smoothed map answers these scores, column by column."""
        return smoother.smooth_columns(scores, self.info, self.kept, self.steps)


class Ahead:
    """Where steps that each go a share of the way lead to, from how one follows the other.

    Source: D. G. Anderson, J. Association for Computing Machinery 12 (1965) 547, with one step remembered; the map's residual,
    weighted by information, tells how far.
    """

    def __init__(self):
        self._last = None

    def of(self, before_us, x_us, unknowns, info):
        """(x_us, unknowns) further along. before_us: the map that the step was made from; x_us, unknowns: where it leads."""
        left_us, last = x_us - before_us, self._last
        self._last = left_us, x_us, unknowns
        if last is None:
            return x_us, unknowns
        change_us = left_us - last[0]
        change = np.sum(info * change_us * left_us) / max(np.sum(info * change_us**2), 1e-300)
        share = np.clip(change, -MOST_AHEAD, 0.0)
        return x_us - share * (x_us - last[1]), unknowns - share * (unknowns - last[2])


def groups(bins, *, fine=None):
    """The bins (edges, the last one `bins`) at which groups begin: more to each in a long return, so that memory stays bounded;
    each bin that is `fine` (bool, per bin) stands alone."""
    pool = next((pool for pool in (1, 2, 4) if bins < pool * WHOLE_BINS), 8)
    begins = np.arange(bins) % pool == 0
    if fine is not None:
        begins |= fine
        begins[1:] |= fine[:-1]
    return np.append(np.flatnonzero(begins), bins)


def _spread(values, edges):
    """Values of the groups back on the bins, along straight lines."""
    return np.interp(np.arange(edges[-1]), _middles(edges), values)


def _middles(edges):
    return 0.5 * (edges[:-1] + edges[1:] - 1)


def _prior_precision(unknowns, anchor):
    """Of each unknown; none of a power's share."""
    taps = response.prior_precision(max(anchor.gain(_theta(unknowns)), 1e-12))
    return np.pad(taps, (0, len(unknowns) - len(taps)))


def _anchored(unknowns, anchor):
    """(d(delay) / d(unknowns), the anchor's delay with them)."""
    theta = _theta(unknowns)
    return np.pad(anchor.slope(theta), (0, len(unknowns) - len(theta))), anchor.delay(theta, within=2)[0]


def _theta(unknowns):
    return unknowns[: response.basis()[1].size]


def _root(covariance):
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0))
