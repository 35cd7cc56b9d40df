"""Figure: the hiss of the stack, growing track by track beside the 10 lg N line.

Conventions: rms in dBFS within the medium's band, at the mix's gains. Quietest first, so that what grows is seen: equal tracks
follow the line, which begins at their median, and one that drowns in hiss is the step at the end.
"""

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from bounceproof.figures.song import number
from bounceproof.figures.style import GREEN, ORANGE

STEP_NAMED_DB = 3.0


def growth(rows):
    """Of rows of stack.tsv, quietest hiss first: (names, each track's hiss, running total, line of equal tracks), in dBFS."""
    heard = sorted((number(row["flat_dbfs"]), row["track"]) for row in rows if np.isfinite(number(row["flat_dbfs"])))
    alone = np.array([level for level, _ in heard])
    running = 10.0 * np.log10(np.cumsum(10.0 ** (alone / 10.0)))
    line = np.median(alone) + 10.0 * np.log10(np.arange(1, len(alone) + 1)) if heard else alone
    return [track for _, track in heard], alone, running, line


def draw(look, song):
    """The matplotlib Figure of a Song."""
    sheet = look.sheet(look.say("stack title"), look.say("stack note"), simulated=song.simulated())
    names, alone, running, line = growth(song.stack_rows)
    if not names:
        return sheet.nothing(look.say("no hiss"))
    shown = len(names) == song.stack.get("tracks")
    muted = (song.stack.get("with_muting") or {}).get("mean_dbfs") if shown else None
    total = {"color": look.accent, "lw": look.line(4), "marker": "o", "markersize": look.line(12)}
    equal = {"color": ORANGE, "ls": "--", "lw": look.line(3)}
    dotted = {"color": GREEN, "ls": ":", "lw": look.line(4)}
    handles = [Line2D([], [], label=look.say("running total"), **total), Line2D([], [], label=look.say("equal tracks"), **equal)]
    handles += [Line2D([], [], label=look.say("muted stack"), **dotted)] if muted is not None else []
    sheet.legend([*handles, Patch(facecolor=look.faint, alpha=0.5, label=look.say("own hiss"))])
    labels = [look.name(name) for name in names]
    room = 0.62 * max(look.width_of(label, 0.85) for label in labels) + 2.4 * look.letter_px
    edges = (
        sheet.left + 4.2 * look.letter_px,
        sheet.top + look.letter_px,
        sheet.right - 0.5 * look.letter_px,
        sheet.bottom - room,
    )
    axes = sheet.axes(*edges, x=look.say("stack order"), y=look.say("stack axis"))
    places = np.arange(1, len(names) + 1)
    floor = np.floor(alone.min() / 5 - 0.4) * 5
    axes.bar(places, alone - floor, bottom=floor, color=look.faint, alpha=0.5, width=0.7)
    axes.plot(places, line, **equal)
    axes.plot(places, running, **total)
    if muted is not None:
        axes.axhline(muted, **dotted)
    axes.set_xlim(0.4, len(names) + 0.6)
    axes.set_ylim(floor, max(running.max(), line.max()) + 0.14 * (running.max() - floor))
    axes.set_xticks(places, labels, rotation=35, ha="right", rotation_mode="anchor", fontsize=look.points(0.85))
    _ends(look, axes, names, running)
    return sheet.figure


def _ends(look, axes, names, running):
    """The total, and the track that alone lifts it."""
    bold = {"color": look.ink, "fontsize": look.points(1.0), "fontweight": "bold", "textcoords": "offset points"}
    axes.annotate(f"{look.number(running[-1], 1)} dBFS", (len(names), running[-1]), xytext=(0, look.line(16)), ha="right", **bold)
    steps = np.diff(running)
    if len(steps) and steps.max() >= STEP_NAMED_DB and len(names) > 2:
        at = int(steps.argmax())
        if at < 1:
            return
        words = look.say("adds", track=look.name(names[at + 1]), by=look.number(steps[at], 1))
        place = (at + 1.5, running[at] + 0.5 * steps[at])
        axes.annotate(words, place, xytext=(-look.line(22), 0), ha="right", va="center", **bold)
