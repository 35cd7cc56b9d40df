"""Figure: how each pair adds up, against frequency, as aligned and with two clicks alone.

Conventions: sum of the returns re the sum of their stems through the same responses, in dB (0 = adds up like the stems); only
bands in which the stems share content and both returns stand over their hiss.
"""

import numpy as np

from bounceproof.figures.style import ORANGE, hertz_ticks

MOST = 12


def draw(look, pairs):
    """pairs: dicts with pair, simulated, note (or None), same (True where both ways are one), bands: list of dicts nominal_hz,
    aligned_db, clicks_db.
    """
    figure = look.figure(
        "Pairs: the sum of two returns beside the sum of their stems", simulated=any(p["simulated"] for p in pairs)
    )
    if not pairs:
        look.nothing(figure, "This session declares no pairs.")
        return figure
    shown = pairs[:MOST]
    columns = int(np.ceil(np.sqrt(len(shown))))
    rows = -(-len(shown) // columns)
    for place, pair in enumerate(shown):
        axes = figure.add_subplot(rows, columns, place + 1)
        bottom, left = place + columns >= len(shown), place % columns == 0
        look.axes(axes, x="frequency, Hz" if bottom else None, y="sum re stems' sum, dB" if left else None, grid="both")
        _one(look, axes, pair, legend=place == 0)
    if len(pairs) > MOST:
        figure.text(0.99, 0.01, f"{len(pairs) - MOST} more pairs in the report", ha="right", color=look.faint)
    return figure


def _one(look, axes, pair, *, legend):
    axes.set_title(pair["pair"], loc="left", color=look.ink, fontsize=11, fontweight="bold")
    hertz_ticks(axes, 80, 12000)
    axes.set_ylim(-20, 10)
    axes.axhspan(-1, 1, color=look.faint, alpha=0.25, linewidth=0, label="within 1 dB")
    if pair["note"]:
        axes.text(0.5, 0.5, pair["note"], transform=axes.transAxes, ha="center", color=look.ink, fontsize=10, wrap=True)
        return
    bands = np.array([band["nominal_hz"] for band in pair["bands"]])
    clicks, aligned = (np.array([band[key] for band in pair["bands"]]) for key in ("clicks_db", "aligned_db"))
    if not pair["same"]:
        axes.plot(bands, np.clip(clicks, -20, 10), "s--", color=ORANGE, markersize=4, linewidth=1.3, label="two clicks alone")
    label = "two clicks alone" if pair["same"] else "as aligned"
    axes.plot(bands, np.clip(aligned, -20, 10), "o-", color=look.accent, markersize=4.5, linewidth=1.8, label=label)
    if legend:
        look.legend(axes, loc="lower left")
