"""A tape's overload, put onto what was sent: powers of the stem, of which an overloaded tape takes some off or adds some.

What overload adds to a note keeps its phase as long as the note lasts. It is no noise, then: the map follows it, by several us in
a loud bass, and no residual shows that. Whether there is any is told by the error of a pass regressed on the cube as the machine
would pass it on, with each bin's part that the map explains, and all that a gain explains, taken out first (Frisch and Waugh,
Econometrica 1 (1933) 387). How much of second and third power is solved with map and response (`joint`). The odd part of a smooth
overload begins with the cube (DIN 45500-4 counts it by its third harmonic), the even part, which a head or a bias that is
magnetised one way makes, with the square.
Conventions: shares (of second and third power) are of samples of full scale 1; negative = taken off.
"""

import numpy as np

from bounceproof import at_once

from . import sweep
from .material import BIN, blocks

# The likelihood (nats) a cube has to gain to be believed: what a level control does to a stroke gains up to 60, an overload that
# moves the map thousands.
LEAST_GAIN = 120.0
# Of so many blocks, those which say most about the map.
BLOCKS = 2
# The shares stand still when what they do at the loudest moment moves by less than this part of itself.
STILL = 0.1


def first(there, x_us):
    """The shares of second and third power in what came back, as a first guess; zeros where the cube explains no more than
    chance.

    there: a There of `estimate`.
    """
    share, gained = _regressed(there, x_us)
    return np.array([0.0, share if gained > LEAST_GAIN else 0.0])


def bends(shares):
    """Whether there is any (None: it was not asked yet)."""
    return shares is not None and bool(shares.any())


def stands(shares, change, loudest):
    """Whether a change of the shares was small. loudest: the highest sample of what they bend."""
    at = np.array([loudest, loudest**2])
    return np.abs(change * at).sum() < STILL * np.abs(shares * at).sum()


def _regressed(there, x_us):
    """(how much of the cube the error holds, nats gained by it)."""
    from .estimate import knots

    along = knots(there.line, x_us)

    def of_block(block):
        first, last, start, stop = block
        white = sweep.whitened(there, along, block, also=there.sent.powers(start, stop)[1:])
        cut = slice(first - start, last - start)
        parts = [_without_map(one[cut], white.slope[cut]) for one in (white.error, white.also[0], white.model)]
        return np.array([[float(np.dot(one, other)) for other in parts] for one in parts])

    products = sum(at_once.each(of_block, _telling(blocks(there.sent.samples.size), there.seen.info)), np.zeros((3, 3)))
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
