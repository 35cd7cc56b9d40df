"""A tape's overload, put onto what was sent: the cube of the stem, of which an overloaded tape takes some off.

What overload adds to a note keeps its phase as long as the note lasts. It is no noise, then: the map follows it, by several us in
a loud bass, and no residual shows that. Method: the error of a pass regressed on the cube as the machine would pass it on, with
each bin's part that the map explains, and all that a plain gain explains, taken out first (Frisch and Waugh, Econometrica 1
(1933) 387). The odd part of a smooth overload begins with the cube (DIN 45500-4 counts it by its third harmonic).
Conventions: shares are of the cube of samples of full scale 1; negative = taken off.
"""

import numpy as np

from . import sweep
from .material import BIN, blocks

# The likelihood (nats) a cube has to gain to be believed.
LEAST_GAIN = 30.0
# The map and the response have given way to some of it already.
GIVEN_WAY = 1.25
# The most of a stem at full scale that a cube may take off or add.
MOST_SHARE = 3.0
# Of so many blocks, those which say most about the map.
BLOCKS = 2
# A share stands still when it moves by less than this part of itself.
STILL = 0.1


def first(there, x_us):
    """The share of the cube in what came back; 0 where it explains no more than chance. there: a There of `estimate`."""
    share, gained = _regressed(there, x_us)
    return share if gained > LEAST_GAIN else 0.0


def refined(share, there, x_us):
    """The share after another pass, `there` with the share already in what was sent."""
    return float(np.clip(share + GIVEN_WAY * _regressed(there, x_us)[0], -MOST_SHARE, MOST_SHARE))


def _regressed(there, x_us):
    """(how much of the cube the error holds, nats gained by it)."""
    from .estimate import knots

    along, products = knots(there.line, x_us), np.zeros((3, 3))
    for block in _telling(blocks(there.sent.samples.size), there.seen.info):
        first, last, start, stop = block
        white = sweep.whitened(there, along, block, also=there.sent.cube(start, stop))
        cut = slice(first - start, last - start)
        parts = [_without_map(one[cut], white.slope[cut]) for one in (white.error, white.also, white.model)]
        products += [[float(np.dot(one, other)) for other in parts] for one in parts]
    if products[2, 2] <= 0:
        return 0.0, 0.0
    left = products[:2, :2] - np.outer(products[:2, 2], products[2, :2]) / products[2, 2]
    if left[1, 1] <= 0:
        return 0.0, 0.0
    return left[0, 1] / left[1, 1], 0.5 * left[0, 1] ** 2 / left[1, 1]


def _telling(all_blocks, info):
    told = [np.sum(np.sqrt(info[first // BIN : last // BIN])) for first, last, *_ in all_blocks]
    return [all_blocks[k] for k in sorted(np.argsort(told)[-BLOCKS:])]


def _without_map(signal, slope):
    """The signal less what a shift of each bin explains (float64)."""
    signal, slope = (one.reshape(-1, BIN).astype(np.float64) for one in (signal, slope))
    share = np.sum(signal * slope, axis=1) / np.maximum(np.sum(slope**2, axis=1), 1e-30)
    return (signal - share[:, None] * slope).ravel()
