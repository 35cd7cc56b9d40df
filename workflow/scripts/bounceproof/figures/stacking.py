"""Figure: the hiss of the stack, growing track by track beside the 10 lg N line.

Conventions: rms in dBFS within the medium's band, at the mix's gains; tracks in order of contribution, loudest first.
"""

import numpy as np

from bounceproof.figures.style import GREEN, ORANGE, decibels


def draw(look, rows, summary):
    """rows: dicts with track, simulated, flat_dbfs, running_flat_dbfs, ten_lg_n_dbfs (nan where silent); summary: stack.json's
    values.
    """
    figure = look.figure("The hiss of the stack", simulated=any(row["simulated"] for row in rows))
    rows = [row for row in rows if np.isfinite(row["flat_dbfs"])]
    if not rows:
        look.nothing(figure, "No hiss to stack.")
        return figure
    places = np.arange(1, len(rows) + 1)
    alone, running, line = (np.array([row[key] for row in rows]) for key in ("flat_dbfs", "running_flat_dbfs", "ten_lg_n_dbfs"))
    axes = look.axes(figure.add_subplot(), y="hiss within the medium's band, dBFS (rms)")
    floor = alone.min() - 4
    axes.bar(places, alone - floor, bottom=floor, color=look.faint, alpha=0.45, width=0.7, label="each track's own hiss")
    axes.plot(places, running, "o-", color=look.accent, linewidth=2.2, markersize=7, label="running total")
    axes.plot(places, line, "--", color=ORANGE, linewidth=1.8, label="10 lg N of equal tracks")
    muted = (summary.get("with_muting") or {}).get("mean_dbfs")
    if muted is not None:
        axes.axhline(muted, color=GREEN, linestyle=":", linewidth=2, label="all, muted where their stems are silent (mean)")
    axes.set_xlim(0.4, len(rows) + 0.6)
    axes.set_ylim(floor, max(running.max(), line.max()) + 2)
    names = [row["track"] + ("\n(simulated)" if row["simulated"] and len(rows) <= 8 else "") for row in rows]
    axes.set_xticks(places, names, rotation=0 if len(rows) <= 8 else 35, ha="center" if len(rows) <= 8 else "right")
    axes.set_xlabel("tracks, loudest hiss first; each point includes all to its left", color=look.ink, fontsize=11)
    axes.annotate(
        f"{decibels(running[-1], 1)} dBFS",
        (places[-1], running[-1]),
        xytext=(0, 9),
        textcoords="offset points",
        ha="center",
        color=look.ink,
    )
    look.legend(axes, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4)
    return figure
