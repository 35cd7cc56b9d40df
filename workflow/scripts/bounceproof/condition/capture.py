"""What is wrong with a capture as a file: clipping and direct current.

Conventions: samples are one channel of the capture as read, full scale = 1; times count from the capture's first sample.
"""

import numpy as np

from bounceproof.quantities import amplitude_db
from bounceproof.runs import held_runs

FULL_SCALE = 0.9995
# One run of equal samples at a peak is an ordinary slow crest; an amplifier's ceiling shows again and again.
_CEILING_RUNS = 6
# Means on each side of a step in direct current, and the least step told (-40 dBFS).
_SIDE_MEANS, _LEAST_STEP = 4, 0.01


def clipping(samples, rate_hz, *, run_samples=3):
    """Runs of samples held at the highest or lowest value.

    Returns dict: `runs` (count), `samples`, `first_s` (None without any), `at_dbfs` (the ceiling), `side` ("both", "upper",
    "lower" or None), `full_scale` (True where the ceiling is the converter's own). A ceiling below full scale counts only when
    it is met at least 6 times.
    """
    found = {side: held_runs(np.asarray(samples), sign, run_samples) for side, sign in (("upper", 1.0), ("lower", -1.0))}
    found = {side: runs for side, runs in found.items() if _believed(runs)}
    starts = np.concatenate([runs.starts for runs in found.values()]) if found else np.zeros(0)
    lengths = np.concatenate([runs.lengths for runs in found.values()]) if found else np.zeros(0)
    ceiling = max((runs.ceiling for runs in found.values()), default=None)
    return {
        "runs": len(starts),
        "samples": int(lengths.sum()),
        "first_s": float(starts.min() / rate_hz) if len(starts) else None,
        "at_dbfs": float(amplitude_db(ceiling)) if ceiling else None,
        "side": "both" if len(found) == 2 else next(iter(found), None),
        "full_scale": bool(ceiling and ceiling >= FULL_SCALE),
    }


def current_step(samples, rate_hz):
    """(where in s, by how much) direct current changed for good, by the means of half seconds; None where it did not.

    Four means on each side have to be alike, so that a thump that dies away is none.
    """
    size = max(1, round(0.5 * rate_hz))
    count = len(samples) // size
    apart = _SIDE_MEANS + 1
    if count < _SIDE_MEANS + apart:
        return None
    means = np.asarray(samples[: count * size], dtype=np.float32).reshape(count, size).mean(axis=1, dtype=float)
    sides = np.lib.stride_tricks.sliding_window_view(means, _SIDE_MEANS)
    # The half second between them may hold the step itself.
    before, after = sides[:-apart], sides[apart:]
    steps = np.median(after, axis=1) - np.median(before, axis=1)
    uneven = np.maximum(np.ptp(before, axis=1), np.ptp(after, axis=1))
    sure = np.abs(steps) > np.maximum(_LEAST_STEP, 4 * uneven)
    if not sure.any():
        return None
    place = int(np.argmax(np.where(sure, np.abs(steps), 0.0)))
    return (place + _SIDE_MEANS + 0.5) * size / rate_hz, float(steps[place])


def _believed(runs):
    return len(runs.starts) >= (1 if runs.ceiling >= FULL_SCALE else _CEILING_RUNS)


def direct_current_dbfs(samples):
    """Level of a capture's mean in dBFS (a constant of 0.05 is -26.0); -inf for none."""
    return float(amplitude_db(np.mean(samples, dtype=float))) if len(samples) else -np.inf
