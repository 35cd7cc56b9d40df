"""Figure: what two clicks alone would leave, track by track, beside what is left after following, on one scale.

Conventions: error = how late a moment lies if the return is read through the straight line through its two clicks, in ms of the
stem's time; after following the error is not known but its rms is: a band of plus and minus that. On the right the rms of both.
"""

import numpy as np
from matplotlib.lines import Line2D

from bounceproof.figures.rows import MOST_ROWS, Rows, as_rows, decades, names_width, nice
from bounceproof.figures.style import ORANGE


def clicks_error_ms(track):
    """(stem_s, error_ms) of an aligned Track against the straight line through its two clicks."""
    back_s = [track.alignment.get(f"{end}_click_return_s") for end in ("start", "end")]
    return track.time_map.stem_s, 1e3 * track.time_map.late_by_line_s(track.clicks_s, back_s)


def scale_ms(tracks, errors):
    """The round scale on which the errors (of `clicks_error_ms`, None where there is none) of all tracks followed are drawn."""
    known = [np.abs(one[1]).max() for track, one in zip(tracks, errors, strict=True) if one is not None and not track.by_clicks]
    return nice(max(0.05, 1.02 * max(known, default=1.0)))


def rms_us(track):
    """(what two clicks leave, what following leaves) of a Track in µs rms, None where not known."""
    # Laid through its clicks, a track has one figure: what two clicks leave.
    followed_us = None if track.by_clicks else track.alignment.get("residual_rms_us")
    return track.alignment.get("clicks_only_rms_us"), followed_us


def draw(look, song):
    """The matplotlib Figure of a Song."""
    tracks = song.aligned()[:MOST_ROWS]
    sheet = look.sheet(look.say("timing title"), look.say("timing note"), simulated=song.simulated())
    if not tracks:
        return sheet.nothing(look.say("no aligned return"))
    clicks = {"color": ORANGE, "lw": look.line(2.2)}
    followed = {"color": look.accent, "lw": look.line(2.6)}
    square = {"marker": "s", "markersize": look.line(11)}
    ball = {"marker": "o", "markersize": look.line(11)}
    sheet.legend(
        [
            Line2D([], [], label=look.say("two clicks"), **clicks, **square),
            Line2D([], [], label=look.say("followed"), **followed, **ball),
        ]
    )
    courses = [clicks_error_ms(one) for one in tracks]
    names = [look.name(one.name) for one in tracks]
    left = sheet.left + names_width(look, names)
    middle = left + 0.68 * (sheet.right - left)
    top, bottom = sheet.top + 0.2 * look.letter_px, sheet.bottom - 2.7 * look.letter_px
    edges = (left, top, middle - 4.2 * look.letter_px, bottom)
    rows = Rows(sheet, names, *edges, scale=scale_ms(tracks, courses), unit="ms", x=look.say("song time"))
    for row, (one, (stem_s, error_ms)) in enumerate(zip(tracks, courses, strict=True)):
        if one.by_clicks:
            rows.say(row, look.say("by clicks"))
            continue
        rows.plot(row, stem_s, error_ms, **clicks)
        left_ms = 1e-3 * (one.alignment.get("residual_rms_us") or 0.0)
        ends = stem_s[[0, -1]]
        rows.fill(row, ends, [-left_ms] * 2, [left_ms] * 2, color=look.accent)
        rows.plot(row, ends, np.zeros(2), **followed)
    rows.axes.set_xlim(0, song.seconds)
    _rms(look, sheet.axes(middle, top, sheet.right, bottom, x=look.say("timing rms"), grid="x"), tracks, square, ball)
    return sheet.figure


def _rms(look, axes, tracks, square, ball):
    """Both errors on a logarithmic scale, one row a track."""
    as_rows(axes, len(tracks))
    both = [rms_us(track) for track in tracks]
    for row, (before, after) in enumerate(both):
        if before and after:
            axes.plot([after, before], [-row, -row], color=look.faint, lw=look.line(1.5), zorder=1)
    for points, colour, sign in zip(zip(*both, strict=True), (ORANGE, look.accent), (square, ball), strict=True):
        there = [(value, -row) for row, value in enumerate(points) if value]
        if there:
            axes.plot(*zip(*there, strict=True), ls="none", color=colour, **sign)
    values = [value for pair in both for value in pair if value]
    if not values:
        axes.set_xticks([])
        axes.text(
            0.5, 0.5, look.say("not measured"), transform=axes.transAxes, ha="center", color=look.soft, fontsize=look.points(1)
        )
        return
    decades(look, axes, values)
