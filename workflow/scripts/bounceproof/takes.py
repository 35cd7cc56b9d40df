"""Which of a track's takes goes on.

Conventions: takes come in natural order (take2 before take10), each with its alignment and its condition as their JSON has them.
"""

import math

BEST, LATEST, AVERAGE = "best", "latest", "average"
# Where a timing error is weighed against hiss: the middle of what a narrow-band recorder carries.
_TIMING_HZ = 1000.0
_DROPOUT_DB = 10.0
_PER_DROPOUT_DB = 0.5


def choose(takes, measured, want):
    """(place in `takes`, why) for want = "latest", "best", "average" or a take's name; the best one stands for an average.

    Best: aligned before rejected, then fewer flags, then `quality_db` (in whole dB, since less is not heard), then the later one.
    """
    if want == LATEST or len(takes) == 1:
        return len(takes) - 1, "the only take" if len(takes) == 1 else "the latest take"
    if want not in (BEST, AVERAGE):
        return takes.index(want), "named in tracks.tsv"
    ranks = [_rank(alignment, condition, place) for place, (alignment, condition) in enumerate(measured)]
    order = sorted(range(len(takes)), key=ranks.__getitem__, reverse=True)
    return order[0], _reason(takes, measured, ranks, *order[:2])


def quality_db(alignment, condition):
    """How far the signal lies over all that is not signal, in dB: the hiss (under music where that was measured), what the timing
    error left scatters at 1 kHz, and half a dB off for every deep dropout a minute; None where nothing was measured.
    """
    over_db = condition.get("signal_over_hiss_db")
    if over_db is None:
        return None
    rise_db = (condition.get("hiss_under_music") or {}).get("rise_db") or 0.0
    turned = 2e-6 * math.pi * _TIMING_HZ * (alignment.get("residual_rms_us") or 0.0)
    minutes = sum(end_s - start_s for start_s, end_s in condition.get("playing_s") or []) / 60.0
    deep = sum(one["depth_db"] >= _DROPOUT_DB for one in condition.get("dropouts") or [])
    lost_db = _PER_DROPOUT_DB * deep / max(minutes, 1.0)
    return -10.0 * math.log10(10.0 ** ((rise_db - over_db) / 10.0) + turned**2) - lost_db


def usable(alignment):
    """Whether a take can be averaged with others."""
    return alignment["state"] == "aligned" and alignment.get("level_db") is not None


def _rank(alignment, condition, place):
    quality = quality_db(alignment, condition)
    whole_db = round(quality) if quality is not None else -1000
    return alignment["state"] == "aligned", -len(alignment["flags"]), whole_db, place


def _reason(takes, measured, ranks, best, second):
    alignment, condition = measured[best]
    if alignment["state"] != "aligned":
        return "no take could be aligned; the latest stands for them"
    other, (others_alignment, others_condition) = takes[second], measured[second]
    if others_alignment["state"] != "aligned":
        return f"the best of the takes: {other} was rejected"
    if ranks[best][1] != ranks[second][1]:
        return f"the best of the takes: {-ranks[best][1]} flags, {other} {-ranks[second][1]}"
    ours, theirs = quality_db(alignment, condition), quality_db(others_alignment, others_condition)
    if ours is None:
        return f"no better than {other}, but later"
    if ranks[best][2] == ranks[second][2]:
        return f"as good as {other}, and later"
    against = "nothing measured" if theirs is None else f"{theirs:.0f} dB"
    return (
        f"the best of the takes: its signal lies {ours:.0f} dB over hiss, timing error and dropouts together, that of {other}"
        f" {against}"
    )
