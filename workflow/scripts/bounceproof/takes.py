"""Which of a track's takes goes on.

Conventions: takes come in natural order (take2 before take10), each with its alignment and its condition as their JSON has them.
"""

BEST, LATEST = "best", "latest"


def choose(takes, measured, want):
    """(place in `takes`, why) for want = "latest", "best" or a take's name.

    Best: aligned before rejected, then fewer flags, then the larger distance of signal over hiss (in whole dB, since less is not
    heard), then the later one.
    """
    if want == LATEST or len(takes) == 1:
        return len(takes) - 1, "the only take" if len(takes) == 1 else "the latest take"
    if want != BEST:
        return takes.index(want), "named in tracks.tsv"
    ranks = [_rank(alignment, condition, place) for place, (alignment, condition) in enumerate(measured)]
    place = max(range(len(takes)), key=ranks.__getitem__)
    return place, _reason(*measured[place])


def _rank(alignment, condition, place):
    over_db = condition.get("signal_over_hiss_db")
    whole_db = round(over_db) if over_db is not None else -1000
    return alignment["state"] == "aligned", -len(alignment["flags"]), whole_db, place


def _reason(alignment, condition):
    if alignment["state"] != "aligned":
        return "no take could be aligned; the latest stands for them"
    over_db = condition.get("signal_over_hiss_db")
    distance = f", {over_db:.0f} dB over the hiss" if over_db is not None else ""
    return f"the best of the takes: {len(alignment['flags'])} flags{distance}"
