"""What a level control's measures go through sample by sample, compiled. Imported where it is used: a return without a level
control does not wait for the compiler.
"""

import numpy as np

from bounceproof.compiling import compiled


@compiled()
def reached(wanted, fall, rise):
    """What a gain comes to that goes after the wanted one by these shares of what is left a step."""
    gain, out = wanted[0], np.empty(wanted.size)
    for k in range(wanted.size):
        gain += (wanted[k] - gain) * (fall if wanted[k] < gain else rise)
        out[k] = gain
    return out


@compiled()
def filtered(told, seen, variance, kept):
    """(log likelihood ratio to no process at all; mean, variance of each cell from all up to it), told: inverse variance of what
    was seen; variance, kept: of the process, and its share kept from cell to cell (R. Kalman, J. Basic Eng. 82 (1960) 35).
    """
    ratio, mean, spread = 0.0, 0.0, variance
    means, spreads = np.empty(told.size), np.empty(told.size)
    for k in range(told.size):
        if told[k] > 0.0:
            noise = 1.0 / told[k]
            off = seen[k] - mean
            ratio += 0.5 * (seen[k] ** 2 / noise - off * off / (spread + noise) - np.log1p(spread / noise))
            weight = spread / (spread + noise)
            mean += weight * off
            spread *= 1.0 - weight
        means[k], spreads[k] = mean, spread
        mean, spread = kept * mean, kept * kept * spread + (1.0 - kept * kept) * variance
    return ratio, means, spreads


@compiled()
def smoothed(told, seen, variance, kept):
    """(mean, variance) per cell from all cells (Rauch, Tung and Striebel, AIAA J. 3 (1965) 1445)."""
    _, means, spreads = filtered(told, seen, variance, kept)
    for k in range(told.size - 2, -1, -1):
        ahead = kept * kept * spreads[k] + (1.0 - kept * kept) * variance
        weight = kept * spreads[k] / ahead
        means[k] += weight * (means[k + 1] - kept * means[k])
        spreads[k] += weight * weight * (spreads[k + 1] - ahead)
    return means, spreads
