"""Figure: the recorder's speed through each return, wow and drift.

Conventions: deviation from the return's own mean speed, in percent; positive = fast. The thin line is the map's speed over 0.1 s
(wow shows, faster flutter is averaged out), the thick one over 2 s (drift). Numbers beside: as alignment.json has them.
"""

import numpy as np
from matplotlib.lines import Line2D

from bounceproof.figures.rows import MOST_ROWS, Rows, columns, names_width, nice
from bounceproof.figures.song import STEP_S
from bounceproof.figures.style import ORANGE

WOW_S, DRIFT_S = 0.1, 2.0


def deviation_percent(time_map, over_s):
    """(stem_s, deviation) of a map's speed from its mean, averaged over over_s."""
    stem_s = np.arange(time_map.stem_s[0], time_map.stem_s[-1], STEP_S)
    half_s = 0.5 * min(over_s, 0.5 * (time_map.stem_s[-1] - time_map.stem_s[0]))
    start_s = np.clip(stem_s - half_s, time_map.stem_s[0], time_map.stem_s[-1] - 2 * half_s)
    took_s = np.interp(start_s + 2 * half_s, time_map.stem_s, time_map.return_s) - np.interp(
        start_s, time_map.stem_s, time_map.return_s
    )
    speed = 2 * half_s / took_s
    return stem_s, 100.0 * (speed / time_map.mean_speed_ratio - 1.0)


def draw(look, song):
    """The matplotlib Figure of a Song."""
    tracks = song.aligned()[:MOST_ROWS]
    sheet = look.sheet(look.say("speed title"), look.say("speed note"), simulated=song.simulated())
    if not tracks:
        return sheet.nothing(look.say("no aligned return"))
    thin = {"color": look.accent, "lw": look.line(1.2)}
    thick = {"color": ORANGE, "lw": look.line(3.5)}
    sheet.legend([Line2D([], [], label=look.say("wow line"), **thin), Line2D([], [], label=look.say("drift line"), **thick)])
    courses = [(deviation_percent(one.time_map, WOW_S), deviation_percent(one.time_map, DRIFT_S)) for one in tracks]
    known = [np.abs(wow[1]).max() for one, (wow, _) in zip(tracks, courses, strict=True) if not one.by_clicks]
    names = [look.name(one.name) for one in tracks]
    wide = 4.6 * look.letter_px
    left, right = sheet.left + names_width(look, names), sheet.right - 4 * wide - 2.6 * look.letter_px
    # Headings of the columns above, the axis below.
    edges = (left, sheet.top + 1.7 * look.letter_px, right, sheet.bottom - 2.7 * look.letter_px)
    scale = nice(max(0.02, 1.02 * max(known, default=0.1)))
    rows = Rows(sheet, names, *edges, scale=scale, unit="%", x=look.say("song time"))
    for row, (one, (wow, drift)) in enumerate(zip(tracks, courses, strict=True)):
        if one.by_clicks:
            rows.say(row, look.say("by clicks"))
            continue
        rows.plot(row, *wow, **thin)
        rows.plot(row, *(values[::10] for values in drift), **thick)
    rows.axes.set_xlim(0, song.seconds)
    heads = [look.say(f"{what} column") for what in ("mean", "drift", "wow", "flutter")]
    keys = (("speed_percent", 2), ("drift_percent", 3), ("wow_percent", 3), ("flutter_percent", 3))
    cells = [[_cell(look, one.alignment.get(key), places) for key, places in keys] for one in tracks]
    columns(sheet, rows.axes, right + 2.6 * look.letter_px, wide, heads, cells)
    return sheet.figure


def _cell(look, value, places):
    return None if value is None else look.number(value, places)
