"""How sure the map is, checked on what each bin did not see itself, and how much hiss rises under single strokes.

Conventions: us of return time; per bin. Source: leave-one-out residuals of a linear smoother (z - x) / (1 - J P), whose
variance is
1 / (J (1 - J P)) (P. Craven and G. Wahba, Numerische Mathematik 31 (1979) 377).
"""

from typing import NamedTuple

import numpy as np

LEAST_SHARE, LEAST_BINS = 1e-3, 50
# A tape's hiss rises with what stands on it within so many bins.
RISING_BINS = 3
# The noise that whitening follows is the mean over so many bins (`sweep`: frames that overlap, smeared over some of them).
FOLLOWED_BINS = 72
# How much more than usual the noise may rise with the music, tried in these steps; the likelihood (nats) that has to gain.
RISES, LEAST_GAIN = np.geomspace(0.02, 50, 12), 8.0
# A surprise counts for no more than this many expected ones.
MOST_SURPRISE = 25.0
LONGEST_BINS = 64
# Below this many independent stretches an excess is not told from chance.
LEAST_STRETCHES = 12


class Doubt(NamedTuple):
    """residual_rms_us and expected_rms_us: leave-one-out, weighted by information; inflation: at least 1, for every sigma."""

    residual_rms_us: float
    expected_rms_us: float
    inflation: float


def unevenness(z_us, x_us, info, variance, power):
    """By how much more noise there is in each bin (power) than whitening reckoned with: a tape's hiss rises with its signal
    within some ms, faster than a spectrum of it can be followed.

    power: of the music in each bin, as it came back. The law is noise = 1 + rise * power; the rise is the likeliest for the
    leave-one-out residuals. Ones where there is none.
    """
    from scipy.ndimage import uniform_filter1d

    even = np.ones(info.size)
    used, free = _left_out(info, variance)
    if np.count_nonzero(used) < LEAST_BINS:
        return even
    here, near = uniform_filter1d(power, RISING_BINS), uniform_filter1d(power, FOLLOWED_BINS)
    surprise = np.minimum((z_us - x_us)[used] ** 2 * info[used] / free, MOST_SURPRISE)

    def of(rise):
        per_power = rise / np.average(near[used])
        return (1 + per_power * here) / (1 + per_power * near)

    def likelihood(uneven):
        scale = max(1.0, float(np.mean(surprise / uneven[used])))
        return -0.5 * float(np.sum(np.log(scale * uneven[used]) + surprise / (scale * uneven[used])))

    gained = [likelihood(of(rise)) for rise in RISES]
    best = int(np.argmax(gained))
    return of(RISES[best]) if gained[best] > likelihood(even) + LEAST_GAIN else even


def _left_out(info, variance):
    """(bins that tell anything, which share of each one's measurement the smoothed map did not take up)."""
    used = info > LEAST_SHARE * np.max(info, initial=0.0)
    return used, np.clip(1 - info[used] * variance[used], 0.02, 1.0)


def doubt(z_us, x_us, info, variance):
    """Compare what bins say about the map without having been asked with what they should say; returns Doubt."""
    used, free = _left_out(info, variance)
    if np.count_nonzero(used) < LEAST_BINS:
        return Doubt(np.nan, np.nan, 1.0)
    j = info[used]
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
