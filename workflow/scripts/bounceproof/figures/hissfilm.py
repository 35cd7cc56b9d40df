"""Moving figure: hiss adding up, step by step as `hiss_demonstration` lets it be heard.

Conventions: levels in dBFS rms as they are in the mix; the dashed line is what tracks as loud as the first would add up to.
"""

import matplotlib
import numpy as np

from bounceproof.figures.stage import Stage
from bounceproof.figures.style import GREEN, ORANGE, RC

RISE_S = 0.7


def frames(look, names, steps, *, simulated, frames_per_s):
    """Yield pictures. names: tracks in the order in which they join; steps: rows of hiss.tsv with numbers (from_s, to_s, tracks,
    muted, level_dbfs); simulated: (how many, of how many).
    """
    with matplotlib.rc_context(RC):
        sheet = look.sheet(look.say("film stack title"), look.say("stack note"), simulated=simulated)
        names = [look.name(name) for name in names]
        side = max(look.width_of(name, 0.9) for name in names) + 1.5 * look.letter_px
        top, bottom = sheet.top + 2.4 * look.letter_px, sheet.bottom - 2.7 * look.letter_px
        edges = (sheet.left + 4.4 * look.letter_px, top, sheet.right - side - look.letter_px, bottom)
        axes = sheet.axes(*edges, x=look.say("film tracks"), y=look.say("stack axis"))
        levels = [step["level_dbfs"] for step in steps]
        line = levels[0] + 10 * np.log10(np.arange(1, len(names) + 1))
        axes.plot(np.arange(1, len(names) + 1), line, color=ORANGE, ls="--", lw=look.line(3))
        label = {"color": look.ink, "fontsize": look.points(0.9), "ha": "right", "va": "bottom"}
        axes.text(len(names), line[-1] + 0.4, "10 lg N", **label)
        axes.set_xlim(0.5, len(names) + 0.5)
        axes.set_ylim(5 * np.floor(min(levels) / 5 - 0.2), 5 * np.ceil(max(*levels, line[-1]) / 5 + 0.2))
        moving = {"animated": True}
        (points,) = axes.plot([], [], "o-", color=look.accent, lw=look.line(4), markersize=look.line(16), **moving)
        (muted,) = axes.plot([], [], "D", color=GREEN, markersize=look.line(20), **moving)
        said = sheet.text(sheet.left, sheet.top, "", letters=1.25, weight="bold", va="top", **moving)
        high = min((bottom - top) / len(names), 1.6 * look.letter_px)
        x_px = sheet.right - side
        small = {"letters": min(0.9, 0.62 * high / look.letter_px), "va": "top", **moving}
        listed = [sheet.text(x_px, top + k * high, name, **small) for k, name in enumerate(names)]
        stage = Stage(sheet)
    shown = None
    for number in range(round(steps[-1]["to_s"] * frames_per_s) + 1):
        begun = [step for step in steps if step["from_s"] <= number / frames_per_s]
        now = begun[-1]
        risen = min(1.0, (number / frames_per_s - now["from_s"]) / RISE_S)
        if shown is None or shown[:2] != (len(begun), risen):
            _set(points, muted, begun, risen)
            level = look.number(now["level_dbfs"], 1)
            key = "film muted" if now["muted"] else "film adding"
            said.set_text(look.say(key, count=round(now["tracks"]), all=len(names), level=level))
            for k, text in enumerate(listed):
                joined = k < now["tracks"]
                text.set(color=look.ink if joined else look.faint, fontweight="bold" if joined else "normal")
            shown = (len(begun), risen, stage.frame([points, muted, said, *listed]))
        yield shown[2]


def _set(points, muted, begun, risen):
    """The points of all steps begun; the newest rises from where the one before it was."""
    now, before = begun[-1], begun[-2] if len(begun) > 1 else begun[-1]
    x, y = (before[key] + risen * (now[key] - before[key]) for key in ("tracks", "level_dbfs"))
    adding = [(step["tracks"], step["level_dbfs"]) for step in begun[:-1]]
    points.set_data(*zip(*(adding if now["muted"] else [*adding, (x, y)]), strict=True))
    muted.set_data(([x], [y]) if now["muted"] else ([], []))
