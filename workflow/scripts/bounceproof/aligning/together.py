"""Two channels captured in one pass: one motion of the tape, two witnesses.

Conventions: both maps run from the song's time to the time of the one capture; skew = how much later the second channel reads the
same moment than the first, in us of the song's time (azimuth, or a converter's offset), constant through the pass. Each channel
keeps its own constant, which its clicks fix: what is shared is the wander.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.timemap import TimeMap

# Over so many seconds it is looked at how far the two agree.
_WINDOW_S = 2.0
# Two estimates that fill one gap by the same prior knowledge err alike; never believe them quite the same.
_LEAST_OWN = 0.05


class Shared(NamedTuple):
    """time_map: the own map with the other's information in it; skew_us of the other against the own, skew_sigma_us; gain: rms of
    the own sigma over that of the shared map, where both are known.
    """

    time_map: TimeMap
    skew_us: float
    skew_sigma_us: float
    gain: float


def shared_map(own, other, *, offsets_us=(0.0, 0.0)):
    """The Shared of two maps of one pass, None where they are never known together.

    offsets_us: sd of the constant of each, in us of the capture as its map's sigma, of which it is a part.

    Method: best linear unbiased mean of two estimates, knot by knot. The covariance of their errors is not known beforehand
    (hiss is separate, what the smoother assumes is common), but their difference shows it: var(d) = s1^2 + s2^2 - 2 cov.
    """
    first_us, second_us = own.sigma_us, other.sigma_at(own.stem_s)
    both = np.isfinite(first_us) & np.isfinite(second_us)
    if not both.any():
        return None
    difference_us = 1e6 * (other.at(own.stem_s) - own.return_s) * own.mean_speed_ratio
    weight = np.where(both, 1.0 / (np.where(both, first_us, 1.0) ** 2 + np.where(both, second_us, 1.0) ** 2), 0.0)
    skew_us = float(np.sum(weight * difference_us) / weight.sum())
    apart_us = difference_us - skew_us
    # Of what a map is uncertain of, its constant stays each channel's own.
    one, two = (
        np.where(both, np.maximum(sigma**2 - offset**2, 0.01 * sigma**2), np.inf)
        for sigma, offset in zip((first_us, second_us), offsets_us, strict=True)
    )
    common = _covariance(own.stem_s, np.where(both, apart_us, 0.0), np.where(both, one + two, 0.0), both)
    common = np.clip(common, 0.0, (1.0 - _LEAST_OWN) * np.minimum(one, two))
    under = np.where(both, one + two - 2.0 * common, 1.0)
    share = np.clip(np.where(both, (one - common) / under, np.where(np.isfinite(first_us), 0.0, 1.0)), 0.0, 1.0)
    share = np.where(np.isfinite(second_us), share, 0.0)
    variance = np.where(both, (one * two - common**2) / under + offsets_us[0] ** 2, np.inf)
    sigma_us = np.where(both, np.sqrt(np.maximum(variance, 1e-6)), np.where(np.isfinite(first_us), first_us, second_us))
    return_s = own.return_s + 1e-6 * share * apart_us / own.mean_speed_ratio
    gain = float(np.sqrt(np.mean(first_us[both] ** 2) / np.mean(sigma_us[both] ** 2)))
    return Shared(TimeMap(own.stem_s, _increasing(return_s), sigma_us), skew_us, float(np.hypot(*offsets_us)), gain)


def _covariance(stem_s, apart_us, expected, both):
    """cov of the two errors by knots: half of what the squared difference lacks, over a window."""
    from scipy.ndimage import uniform_filter1d

    width = max(3, round(_WINDOW_S / np.median(np.diff(stem_s))))
    heard = np.maximum(uniform_filter1d(both.astype(float), width, mode="nearest"), 1e-6)
    lacking = uniform_filter1d(expected - apart_us**2, width, mode="nearest") / heard
    return 0.5 * lacking


def _increasing(return_s):
    """Times that increase strictly, as a map's have to; those that do already are left as they are."""
    if (np.diff(return_s) > 0).all():
        return return_s
    return np.maximum.accumulate(return_s) + 1e-12 * np.arange(len(return_s))
