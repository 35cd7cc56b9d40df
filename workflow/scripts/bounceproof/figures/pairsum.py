"""Figure: how each pair adds up, against frequency, as aligned and with two clicks alone.

Conventions: sum of the returns re the sum of their stems through the same responses, in dB (0 = adds up like the stems); only
bands in which the stems share content and both returns stand over their hiss.
"""

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from bounceproof.figures.panels import MOST_PANELS, grid, heading, inside, more
from bounceproof.figures.song import number
from bounceproof.figures.style import ORANGE, hertz_ticks

LOWEST_DB = -20.0


def draw(look, song):
    """The matplotlib Figure of a Song."""
    pairs = [(summary, rows) for summary, rows in song.pairs if summary["declared"] or summary["shared_bands"]]
    many = sum(bool(summary["simulated"]) for summary, _ in pairs)
    sheet = look.sheet(look.say("pairs title"), look.say("pairs note"), simulated=(many, len(pairs)))
    if not pairs:
        return sheet.nothing(look.say("no pairs"))
    shown = pairs[:MOST_PANELS]
    ok_db = song.thresholds.get("sum_loss_ok_db", 1.0)
    aligned = {"color": look.accent, "marker": "o", "markersize": look.line(8), "lw": look.line(3)}
    clicks = {"color": ORANGE, "marker": "s", "markersize": look.line(8), "lw": look.line(2.2), "ls": "--"}
    within = Patch(facecolor=look.faint, alpha=0.3, label=look.say("within", by=f"{ok_db:g}"))
    lines = [Line2D([], [], label=look.say("followed"), **aligned), Line2D([], [], label=look.say("two clicks"), **clicks)]
    sheet.legend([*lines, within])
    narrow = len(shown) > 6 or sheet.wide < 50 * look.letter_px
    ticks_hz = (100, 1000, 10000) if narrow else (100, 200, 500, 1000, 2000, 5000, 10000)
    low, high = reach([curve for _, rows in shown for curve in curves(rows)[1:]])
    for (summary, rows), axes in zip(
        shown, grid(sheet, len(shown), x=look.say("frequency"), y=look.say("sum axis")), strict=True
    ):
        heading(look, axes, look.name(summary["pair"]))
        hertz_ticks(axes, 45, 18000, ticks=ticks_hz)
        axes.set_ylim(low, high)
        ticks = np.arange(low, high + 1, 5)
        axes.set_yticks(ticks, [look.number(tick) for tick in ticks])
        axes.axhspan(-ok_db, ok_db, color=look.faint, alpha=0.3, linewidth=0)
        words = why_empty(look, summary)
        if words:
            inside(look, axes, words)
            continue
        bands, ours, theirs = curves(rows)
        by_clicks = summary["methods"] == ["clicks", "clicks"]
        axes.plot(bands, np.clip(theirs, low, high), **clicks)
        if not by_clicks:
            axes.plot(bands, np.clip(ours, low, high), **aligned)
    more(sheet, len(pairs))
    return sheet.figure


def curves(rows):
    """(bands in Hz, sum as aligned, sum with two clicks) of a pair's table, in dB, nan where not shared."""
    shared = np.array([row["shared"] == "yes" for row in rows])
    sums = [np.where(shared, [-number(row[f"loss_{way}_db"]) for row in rows], np.nan) for way in ("aligned", "clicks")]
    return np.array([number(row["nominal_hz"]) for row in rows]), *sums


def reach(values):
    """Limits of the axis: whole 5 dB around all values, at least -10 to 5, at most down to LOWEST_DB."""
    known = np.concatenate([np.asarray(one)[np.isfinite(one)] for one in values] or [np.zeros(0)])
    low, high = (known.min(), known.max()) if known.size else (0.0, 0.0)
    return max(LOWEST_DB, min(-10.0, 5 * np.floor(low / 5 - 0.1))), min(10.0, max(5.0, 5 * np.ceil(high / 5 + 0.1)))


def why_empty(look, summary):
    if summary["state"] != "measured":
        return look.say("pair not measured")
    if summary["kind"] == "doubled":
        return look.say("doubled")
    return None if summary["shared_bands"] else look.say("nothing shared")
