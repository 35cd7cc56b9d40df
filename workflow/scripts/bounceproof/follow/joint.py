"""Map and response together: one exact step in which neither waits for the other.

Conventions: unknowns are a correction of the map (us, under the smoother's prior) and one of theta, the response. The map is
taken out by elimination; what is left are normal equations in theta alone. Bins are pooled here: the response's pull on the
map is slow. The anchor's delay of the response is held at none. Source: block elimination of a linear Gaussian model
(S. Boyd and L. Vandenberghe, Convex Optimization, appendix C.4). Memory: two float32 arrays (pooled bins, theta).
"""

from typing import NamedTuple

import numpy as np

from . import response, smoother
from .learn import start_steps
from .material import BIN_S

CHUNK, ROWS = 20, 4096
ANCHOR_SD_SAMPLES, ANCHOR_SHARE = 1e-4, 1.0


class Joint(NamedTuple):
    """theta: the new response and its covariance; pull_us: what the change does to the map; variance: what doubt of theta
    adds to it.

    offset_variance: of the map's mean, weighted by information: doubt of the constant between music and anchor.
    """

    theta: np.ndarray
    covariance: np.ndarray
    pull_us: np.ndarray
    variance: np.ndarray
    offset_variance: float


def solve(seen, theta, anchor, x_us, x0_us, model, *, pool, extra=None):
    """Solve for the response with the map free to follow.

    seen: a Pass with its coupling; x_us: the map it was made with, x0_us: the smoothed map for unchanged theta (both per bin).
    Returns Joint, per pooled bin.
    """
    info = pooled(seen.info, pool)
    steps = start_steps(model, BIN_S * pool)
    extra = None if extra is None else (np.asarray(extra[0]) // pool, extra[1], extra[2])
    kept = smoother.gains(info, steps, extra=extra)
    coupling = seen.coupling
    answer = _answers(coupling, info, kept, steps)
    gram, _ = response.gram(seen.normal)
    right = seen.error_cross + coupling.T @ pooled(x0_us - x_us, pool).astype(np.float32) / pool
    left = gram - _product(coupling, answer)
    left, right = _with_prior((left + left.T) / 2, right, theta, anchor)
    covariance = np.linalg.inv(left)
    covariance = (covariance + covariance.T) / 2
    change = covariance @ right
    root = _root(covariance)
    variance = np.concatenate(
        [np.sum((answer[k : k + ROWS] @ root.astype(np.float32)) ** 2, axis=1) for k in range(0, len(answer), ROWS)]
    )
    mean = _product(info[:, None], answer)[0] / max(info.sum(), 1e-300)
    return Joint(theta + change, covariance, answer @ change.astype(np.float32), variance, float(mean @ covariance @ mean))


def _product(one, other):
    """one' @ other in double precision, some thousand rows at a time."""
    parts = (slice(k, k + ROWS) for k in range(0, len(one), ROWS))
    return sum(one[part].T.astype(np.float64) @ other[part].astype(np.float64) for part in parts)


def pooled(values, pool):
    """Sums over groups of `pool` bins (a rest that fills no group is left out)."""
    count = values.size // pool * pool
    return values[:count].reshape(-1, pool).sum(axis=1)


def spread(values, pool, bins):
    """Pooled values back on the bins, along straight lines."""
    middles = (np.arange(values.size) + 0.5) * pool - 0.5
    return np.interp(np.arange(bins), middles, values)


def _answers(coupling, info, kept, steps):
    """How the smoothed map answers each column of the coupling."""
    out = np.empty(coupling.shape, np.float32)
    for first in range(0, coupling.shape[1], CHUNK):
        part = slice(first, first + CHUNK)
        out[:, part] = smoother.smooth_columns(coupling[:, part], info, kept, steps)
    return out


def _with_prior(left, right, theta, anchor):
    """The prior of the taps, and the anchor's delay held where it is by a very sure measurement."""
    prior = response.prior_precision(max(anchor.gain(theta), 1e-12))
    slope = anchor.slope(theta)
    delay, _ = anchor.delay(theta, within=2)
    # However loud the music, its say must not outweigh what counts as no delay.
    sure = max(1 / ANCHOR_SD_SAMPLES**2, ANCHOR_SHARE * np.trace(left) / float(slope @ slope))
    left = left + np.diag(prior) + sure * np.outer(slope, slope)
    return left, right - prior * theta - sure * slope * delay


def _root(covariance):
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0))
