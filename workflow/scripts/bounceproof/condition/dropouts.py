"""Dropouts: moments at which the return falls far below what its stem makes expect, and comes back.

Conventions: times in s of the song; depth in dB is the fall of the return's gain against its surroundings in the deepest 5 ms,
length is how long the gain stays 3 dB down. Only where the stem plays can a dropout be seen: a rest in the song is none.
"""

import numpy as np

from bounceproof.quantities import DB_PER_NEPER, amplitude_db
from bounceproof.runs import runs

LEAST_DEPTH_DB = 8.0
LONGEST_S = 2.0
_SHORTEST_S = 7e-3
_WIDTHS_S = (0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.28)
_FLANK_S = 0.06
_FALL = 0.55
_STANDS_SD = 6.0
_FLOOR_DB = 40.0
_REACH_S = 0.1
_RINGS = 0.1
_LEAST_SHARE = 1e-4


def find_dropouts(explained, noise):
    """List of dicts time_s (of the deepest moment), depth_db, depth_sigma_db, length_s, at_least (bool: the depth is a lower
    bound).

    explained: Explained; noise: its (constant, share) per sample. Method: the gain, least squares of the return on the expected
    sound, in windows of 10 ms to 1.3 s against the windows to both sides: it must lie 5 dB under the lower of the two,
    6 sd under it, and both sides must be known. A level control falls and stays down, so its lower side shows no fall.
    """
    sums = _Sums(explained, noise)
    flagged = np.zeros(sums.count, dtype=bool)
    for width_s in _WIDTHS_S:
        flagged |= _fallen(sums, max(2, round(width_s / explained.cell_s)), max(2, round(_FLANK_S / explained.cell_s)))
    found = [_described(sums, a, b) for a, b in _runs(flagged, round(0.02 / explained.cell_s))]
    return [one for one in found if one and one["depth_db"] >= LEAST_DEPTH_DB and one["length_s"] <= LONGEST_S]


class _Sums:
    """Running sums over cells; gain(a, b) and its sd for cells a .. b (arrays)."""

    def __init__(self, explained, noise):
        self.cell_s, self.count = explained.cell_s, len(explained.own)
        from scipy.ndimage import maximum_filter1d

        constant, share = noise
        # A response that is a little wrong rings on: what loud sounds leave unexplained reaches into the soft ones beside them.
        near = maximum_filter1d(explained.own, 2 * round(_REACH_S / explained.cell_s) + 1) / explained.cell
        variance = constant + share * explained.own / explained.cell + max(_RINGS * share, _LEAST_SHARE) * near
        # Squared misfit of neighbouring samples hangs together; four samples of a band-limited sound are worth about one.
        self.parts = [
            np.concatenate(([0.0], np.cumsum(part))) for part in (explained.own, explained.cross, 2.0 * variance * explained.own)
        ]

    def gain(self, first, last):
        first, last = np.clip(first, 0, self.count), np.clip(last, 0, self.count)
        own, cross, spread = (part[last] - part[first] for part in self.parts)
        heard = own > 0
        own = np.where(heard, own, 1.0)
        return np.where(heard, cross / own, 0.0), np.where(heard, np.sqrt(np.maximum(spread, 1e-30)) / own, np.inf)


def _fallen(sums, width, flank):
    """Cells within a window that lies far under both its sides."""
    at = np.arange(sums.count)
    half, flank = width // 2, max(flank, width)
    guard = max(half, 2)
    inner, inner_sd = sums.gain(at - half, at - half + width)
    before, before_sd = sums.gain(at - half - guard - flank, at - half - guard)
    after, after_sd = sums.gain(at - half + width + guard, at - half + width + guard + flank)
    lower = np.minimum(before, after)
    sd = np.sqrt(inner_sd**2 + np.where(before < after, before_sd, after_sd) ** 2)
    known = (before_sd < 0.15 * np.abs(before)) & (after_sd < 0.15 * np.abs(after)) & (lower > 0)
    deep = known & (inner < _FALL * lower) & (lower - inner > _STANDS_SD * sd)
    out = np.zeros(sums.count, dtype=bool)
    for shift in range(-half, width - half):
        if not deep.any():
            break
        first, last = max(0, shift), sums.count + min(0, shift)
        out[first:last] |= deep[first - shift : last - shift]
    return out


def _runs(flagged, bridge):
    """(first, last) of each run of True, gaps of up to `bridge` cells closed."""
    bridged = []
    for a, b in runs(flagged):
        if bridged and a - bridged[-1][1] <= bridge:
            bridged[-1][1] = b
        else:
            bridged.append([a, b])
    return bridged


def _described(sums, first, last):
    """What a run of cells is as a dropout; None where its own gain is not known."""
    reach = max(2, round(_FLANK_S / sums.cell_s), last - first)
    sides = np.array([sums.gain(first - reach, first - 2), sums.gain(last + 2, last + reach)])
    around = float(sides[:, 0].min())
    at = np.arange(first, last)
    gain, sd = sums.gain(at - 1, at + 1)
    clear = sd < 0.3 * around
    if around <= 0 or not clear.any():
        return None
    ratio = np.where(clear, gain / around, np.inf)
    deepest = int(ratio.argmin())
    floor = max(10.0 ** (-_FLOOR_DB / 20), float(sd[deepest] / around))
    low = np.flatnonzero(ratio < 10.0 ** (-3.0 / 20))
    if not len(low) or (low[-1] - low[0] + 1) * sums.cell_s < _SHORTEST_S:
        return None
    depth = max(float(ratio[deepest]), floor)
    return {
        "time_s": float((first + deepest) * sums.cell_s),
        "depth_db": float(-amplitude_db(depth)),
        "depth_sigma_db": float(DB_PER_NEPER * sd[deepest] / around / depth),
        "length_s": float((low[-1] - low[0] + 1) * sums.cell_s),
        "at_least": bool(ratio[deepest] <= floor),
    }
