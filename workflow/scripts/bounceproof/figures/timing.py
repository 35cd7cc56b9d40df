"""Figure: what two clicks alone would leave, track by track, and what is left after following.

Conventions: error = where the moment really lies in the return less where the straight line through the two clicks puts it, in
ms of the stem's time; rows share one scale.
"""

import numpy as np

from bounceproof.figures.style import BLUE, ORANGE

POINTS = 1600


def clicks_line_error_ms(time_map, click_stem_s, click_return_s):
    """(stem_s, error_ms, sigma_ms) of a TimeMap against the straight line through two clicks.

    click_stem_s, click_return_s: (start, end); an end of None gives a line at the map's mean speed.
    """
    pick = np.unique(np.linspace(0, len(time_map.stem_s) - 1, POINTS).round().astype(int))
    stem_s, sigma_us = time_map.stem_s[pick], time_map.sigma_us[pick]
    late_s = time_map.late_by_line_s(click_stem_s, click_return_s)[pick]
    return stem_s, 1e3 * late_s, np.where(np.isfinite(sigma_us), sigma_us, 0.0) * 1e-3


def draw(look, tracks):
    """tracks: dicts with track, simulated, method, stem_s, error_ms, sigma_ms, clicks_only_rms_us, residual_rms_us (None if
    unknown).
    """
    figure = look.figure("Timing: two clicks alone against following the stem", simulated=any(t["simulated"] for t in tracks))
    if not tracks:
        look.nothing(figure, "No aligned return yet.")
        return figure
    limit_ms = max(0.05, 1.05 * max(_reach(track) for track in tracks))
    grid = figure.add_gridspec(len(tracks), 2, width_ratios=(3, 1))
    for row, track in enumerate(tracks):
        last = row == len(tracks) - 1
        axes = figure.add_subplot(grid[row, 0])
        _through_time(look, axes, track, limit_ms, last=last)
        if row == 0:
            axes.set_title("shaded: plus and minus one standard deviation of the map", loc="left", color=look.ink, fontsize=10)
    _left(look, figure.add_subplot(grid[:, 1]), tracks)
    figure.supylabel("error of the two-click line, ms", color=look.ink, fontsize=11)
    return figure


def _reach(track):
    # A band of a second says "not known" just as well when it is cut.
    return max(np.abs(track["error_ms"]).max(), min(50.0, float(np.median(track["sigma_ms"]))))


def _through_time(look, axes, track, limit_ms, *, last):
    look.axes(axes, x="song time, s" if last else None, grid="x")
    low, high = track["error_ms"] - track["sigma_ms"], track["error_ms"] + track["sigma_ms"]
    axes.fill_between(track["stem_s"], low, high, color=ORANGE, alpha=0.3, linewidth=0)
    axes.plot(track["stem_s"], track["error_ms"], color=look.accent, linewidth=1.1)
    axes.set_ylim(-limit_ms, limit_ms)
    axes.set_xlim(track["stem_s"][0], track["stem_s"][-1])
    axes.set_yticks(
        [-limit_ms / 1.05, 0, limit_ms / 1.05], [f"−{limit_ms / 1.05:.3g}", "0", f"{limit_ms / 1.05:.3g}"], fontsize=7
    )
    if not last:
        axes.set_xticklabels([])
    name = track["track"] + (" (simulated)" if track["simulated"] else "")
    axes.text(0.005, 0.97, name, transform=axes.transAxes, va="top", color=look.ink, fontsize=9, fontweight="bold")
    if track["method"] == "clicks":
        text = "laid through its two clicks: where it wanders in between is not known"
        axes.text(0.995, 0.95, text, transform=axes.transAxes, va="top", ha="right", color=look.ink, fontsize=8, style="italic")


def _left(look, axes, tracks):
    from matplotlib.ticker import LogLocator

    places = np.arange(len(tracks))[::-1]
    look.axes(axes, x="timing error, rms, µs", grid="x")
    shown = False
    for key, marker, colour, label in (
        ("clicks_only_rms_us", "s", ORANGE, "two clicks alone"),
        ("residual_rms_us", "o", BLUE, "left after alignment"),
    ):
        # Laid through its clicks, a track has one figure: what two clicks leave.
        fit = [key != "residual_rms_us" or track["method"] != "clicks" for track in tracks]
        there = [(track[key], place) for track, place, own in zip(tracks, places, fit, strict=True) if track[key] and own]
        if there:
            shown = True
            axes.plot(
                *zip(*there, strict=True), marker, color=look.accent if colour == BLUE else colour, markersize=7, label=label
            )
    axes.set_yticks(places, [track["track"] for track in tracks])
    axes.set_ylim(-0.7, len(tracks) - 0.3 + 0.12 * len(tracks))
    if shown:
        axes.set_xscale("log")
        low, high = axes.get_xlim()
        # Over more than two decades the numbers between would run into each other.
        axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5) if high < 100 * low else (1,)))
        axes.xaxis.set_major_formatter("{x:g}")
        axes.minorticks_off()
        look.legend(axes, loc="upper center")
    else:
        axes.set_xticks([])
        axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", color=look.faint, fontsize=12)
