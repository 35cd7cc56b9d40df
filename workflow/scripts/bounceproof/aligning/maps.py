"""Maps between the transfer's time, the stem's and the capture's.

Conventions: sent time counts the transfer's seconds from its first sample, stem time the song's from the stem's first
sample whatever
speed it was sent at, return time the capture's from its first sample; factor = how many times too fast the whole return plays.
"""

import numpy as np

from bounceproof.timemap import TimeMap, knot_times

# A second difference of the knots that no tape's speed makes: there the map jumps.
MOST_BEND_S = 1e-4


def straight_through_clicks(placed, facts):
    """The map from sent to return time through two clicks, or through one at the speed its own sweeps show; None without any."""
    rate_hz = facts["sample_rate_hz"]
    start_s, end_s = facts["start_click_sample"] / rate_hz, facts["end_click_sample"] / rate_hz
    if placed.start and placed.end:
        speed = (end_s - start_s) / (placed.end.instant_s - placed.start.instant_s)
    elif placed.start or placed.end:
        speed = (placed.start or placed.end).speed_ratio
    else:
        return None
    anchor_s, there_s = (start_s, placed.start.instant_s) if placed.start else (end_s, placed.end.instant_s)
    return TimeMap.straight(there_s - anchor_s / speed, speed, facts["duration_s"], sigma_us=np.inf)


def in_stem_time(sent_map, facts, stem_samples):
    """The same map counted in the stem's time, with knots from 0 to the stem's end inclusive."""
    stem_s = knot_times(stem_samples / facts["sample_rate_hz"])
    sent_s = facts["stem_start_sample"] / facts["sample_rate_hz"] + stem_s / facts["send_speed"]
    return TimeMap(stem_s, under_chords(sent_map.at(sent_s)), sent_map.sigma_at(sent_s))


def under_chords(return_s):
    """Evenly spaced knots of a smooth curve, moved so that the straight lines between them lie as near to it as they can.

    A chord lies off an arc by a twelfth of the arc's second difference on average; without it they stray .4 times as far. Where
    the curve jumps nothing is moved.
    """
    steps = np.diff(return_s)
    move, least = np.zeros(return_s.size), np.minimum(steps[1:], steps[:-1])
    # Where the tape all but stands, no knot may pass the next.
    bend = np.diff(steps)
    move[1:-1] = np.clip(np.where(np.abs(bend) < MOST_BEND_S, bend, 0.0) / 12, -least / 4, least / 4)
    return return_s - move


def slowed(time_map, factor):
    """The map to the time of the same capture played `factor` times slower."""
    return TimeMap(time_map.stem_s, time_map.return_s * factor, time_map.sigma_us * factor)


def weighted_rms_us(first, second, stem, rate_hz):
    """Energy-weighted rms of the difference of two maps about its mean, in us, over the moments where the second is known.

    Weights: the stem's power in 2 ms round each knot.
    """
    known = np.isfinite(second.sigma_us)
    if not known.any():
        return float("nan")
    edges = np.clip(np.rint(second.stem_s * rate_hz).astype(int), 0, len(stem))
    weight = np.where(known, np.append(_energies(np.asarray(stem), edges), 0.0), 0.0)
    if not weight.any():
        return float("nan")
    error_us = 1e6 * (first.at(second.stem_s) - second.return_s)
    return float(np.sqrt(np.average(np.square(error_us - np.average(error_us, weights=weight)), weights=weight)))


def _energies(stem, edges):
    """Energy of the stem between each edge (sample) and the next, some thousand at a time."""
    out = []
    for k in range(0, edges.size - 1, 1 << 13):
        some = edges[k : k + (1 << 13) + 1]
        total = np.concatenate(([0.0], np.cumsum(np.square(stem[some[0] : some[-1]], dtype=float))))
        out.append(np.diff(total[some - some[0]]))
    return np.concatenate(out) if out else np.zeros(0)
