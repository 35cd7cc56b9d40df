"""How sure the map is, checked on what each bin did not see itself.

Conventions: us of return time; per bin. Source: leave-one-out residuals of a linear smoother (z - x) / (1 - J P), whose
variance is
1 / (J (1 - J P)) (P. Craven and G. Wahba, Numerische Mathematik 31 (1979) 377).
"""

from typing import NamedTuple

import numpy as np

LEAST_SHARE = 1e-3
LONGEST_BINS = 64
# Below this many independent stretches an excess is not told from chance.
LEAST_STRETCHES = 12


class Doubt(NamedTuple):
    """residual_rms_us and expected_rms_us: leave-one-out, weighted by information; inflation: at least 1, for every sigma."""

    residual_rms_us: float
    expected_rms_us: float
    inflation: float


def doubt(z_us, x_us, info, variance):
    """Compare what bins say about the map without having been asked with what they should say; returns Doubt."""
    used = info > LEAST_SHARE * np.max(info, initial=0.0)
    if np.count_nonzero(used) < 50:
        return Doubt(np.nan, np.nan, 1.0)
    j = info[used]
    free = np.clip(1 - j * variance[used], 0.02, 1.0)
    residual = (z_us - x_us)[used] / free
    expected = 1 / (j * free)
    ratio = np.average(residual**2 / expected)
    excess = max([ratio, *_stretch_ratios(z_us - x_us, info, variance)])
    weight = j / j.sum()
    return Doubt(
        float(np.sqrt(np.sum(weight * residual**2))),
        float(np.sqrt(np.sum(weight * expected))),
        float(np.sqrt(max(1.0, excess))),
    )


def _stretch_ratios(left_us, info, variance):
    """The same over longer stretches: errors that neighbouring bins share show only there."""
    out = []
    width = 4
    while width <= LONGEST_BINS:
        count = left_us.size // width * width
        j = info[:count].reshape(-1, width)
        score = (info * left_us)[:count].reshape(-1, width).sum(axis=1)
        total = j.sum(axis=1)
        # What of a stretch's score the smoother takes up itself: its own variance, taken as common to the stretch.
        common = np.average(variance[:count].reshape(-1, width), axis=1)
        free = 1 - total * common
        good = (total > LEAST_SHARE * total.max()) & (free > 0.3)
        if np.count_nonzero(good) >= LEAST_STRETCHES:
            ratio = float(np.average(score[good] ** 2 / (total[good] * free[good])))
            # The largest of several ratios lies above 1 by chance alone: only what chance does not explain counts.
            out.append(ratio - 2.0 * np.sqrt(2.0 / np.count_nonzero(good)))
        width *= 2
    return out
