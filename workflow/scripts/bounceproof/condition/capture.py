"""What is wrong with a capture as a file: clipping and direct current.

Conventions: samples are one channel of the capture as read, full scale = 1; times count from the capture's first sample.
"""

import numpy as np

from bounceproof.quantities import amplitude_db

FULL_SCALE = 0.9995
# One run of equal samples at a peak is an ordinary slow crest; an amplifier's ceiling shows again and again.
_CEILING_RUNS = 6


def clipping(samples, rate_hz, *, run_samples=3):
    """Runs of samples held at the highest or lowest value.

    Returns dict: `runs` (count), `samples`, `first_s` (None without any), `at_dbfs` (the ceiling), `side` ("both", "upper",
    "lower" or None), `full_scale` (True where the ceiling is the converter's own). A ceiling below full scale counts only when
    it is met at least 6 times.
    """
    found = {side: _runs(np.asarray(samples), sign, run_samples) for side, sign in (("upper", 1.0), ("lower", -1.0))}
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


class _Runs:
    def __init__(self, ceiling, starts, lengths):
        self.ceiling, self.starts, self.lengths = ceiling, starts, lengths


def _runs(samples, sign, shortest):
    """Runs at the highest (sign 1) or lowest (sign -1) value."""
    ceiling = float(samples.max() if sign > 0 else -samples.min()) if len(samples) else 0.0
    held = np.zeros(len(samples) + 2, dtype=bool)
    if ceiling > 0:
        # One step of 16 bits below the ceiling still counts as held: converters dither.
        least = sign * (ceiling - 2.0**-15)
        held[1:-1] = samples >= least if sign > 0 else samples <= least
    edges = np.flatnonzero(held[1:] != held[:-1])
    starts, lengths = edges[::2], edges[1::2] - edges[::2]
    return _Runs(ceiling, starts[lengths >= shortest], lengths[lengths >= shortest])


def _believed(runs):
    return len(runs.starts) >= (1 if runs.ceiling >= FULL_SCALE else _CEILING_RUNS)


def direct_current_dbfs(samples):
    """Level of a capture's mean in dBFS (a constant of 0.05 is -26.0); -inf for none."""
    return float(amplitude_db(np.mean(samples, dtype=float))) if len(samples) else -np.inf
