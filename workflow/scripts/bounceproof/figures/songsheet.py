"""Figure: the whole song on one sheet - a row a track: word, timing through the song, timing before and after, what survived,
its part in the hiss.

Conventions: each column as in the figure of its own; words by verdicts; rows in the session's order.
"""

import numpy as np
from matplotlib.lines import Line2D

from bounceproof import verdicts
from bounceproof.figures.rows import MOST_ROWS, Rows, as_rows, decades, names_width, row_letters
from bounceproof.figures.stacking import growth
from bounceproof.figures.style import GREEN, ORANGE, VERMILION
from bounceproof.figures.survived import heat, notes, over_hiss
from bounceproof.figures.timing import clicks_error_ms, rms_us, scale_ms
from bounceproof.report.words import short

_ROOM_FOR_TRACES = 34  # letters
SIGNS = {
    verdicts.READY: (GREEN, "✓"),
    verdicts.LOOK: (ORANGE, "?"),
    verdicts.AGAIN: (VERMILION, "↻"),
    verdicts.WAITING: (None, "…"),
    verdicts.REJECTED: (VERMILION, "✗"),
}


def draw(look, song):
    """The matplotlib Figure of a Song."""
    song = song._replace(tracks=song.tracks[:MOST_ROWS])
    words = [_word(track, song.thresholds) for track in song.tracks]
    counts = ", ".join(f"{words.count(word)} {look.say(word)}" for word in SIGNS if word in words)
    sheet = look.sheet(song.name, look.say("sheet note", count=len(song.tracks), words=counts), simulated=song.simulated())
    if not song.tracks:
        return sheet.nothing(look.say("no return"))
    letter_px = look.letter_px
    names = [look.name(track.name) for track in song.tracks]
    left = sheet.left + names_width(look, names)
    word_px = max(look.width_of(look.say(word), 0.8) for word in words) + 2.8 * letter_px
    top, bottom = sheet.top + 2.6 * letter_px, sheet.bottom - 4.2 * letter_px
    free = sheet.right - left - word_px
    # A narrow sheet has no room for traces beside all else.
    shares = (0.34, 0.52, 0.86, 0.985) if free > _ROOM_FOR_TRACES * letter_px else (0.02, 0.28, 0.74, 0.96)
    cuts = [left + word_px, *(left + word_px + share * free for share in shares)]
    if free > _ROOM_FOR_TRACES * letter_px:
        _timing(look, sheet, song, (cuts[0], top, cuts[1] - 4.6 * letter_px, bottom))
    _names(look, sheet, names, words, (sheet.left, top, cuts[0], bottom), word_px)
    _before_after(look, sheet, song, (cuts[1], top, cuts[2] - 1.6 * letter_px, bottom))
    _survived(look, sheet, song, (cuts[2], top, cuts[3] - 1.4 * letter_px, bottom))
    _hiss(look, sheet, song, (cuts[3], top, cuts[4], bottom))
    heads = zip(("sheet timing", "sheet rms", "sheet survived", "sheet hiss"), cuts[:-1], cuts[1:], strict=True)
    for head, place, until in heads:
        if until - place > 4 * letter_px:
            _head(look, sheet, look.say(head), place, until - place, top)
    _foot(look, sheet, song)
    return sheet.figure


def _word(track, thresholds):
    aligned = track.state == "aligned"
    there = track.state != "waiting"
    return verdicts.track_verdict(
        track.name, track.alignment if there else None, track.condition if aligned else None, thresholds=thresholds
    ).word


def _head(look, sheet, words, left, wide, top):
    """A column's heading, two lines, as small as it must be."""
    letters = min(0.78, 0.78 * wide / look.width_of(words, 0.72))
    for k, line in enumerate(reversed(words.split("\n"))):
        place = (left, top - (0.5 + 1.35 * letters * k) * look.letter_px)
        sheet.text(*place, line, letters=letters, va="bottom", weight="bold" if k else "normal")


def _names(look, sheet, names, words, edges, word_px):
    """Names, and how each track stands: a sign and a word."""
    axes = sheet.axes(*edges, grid=None)
    as_rows(axes, len(names))
    axes.set_axis_off()
    axes.set_xlim(edges[0], edges[2])
    letters = row_letters(sheet, len(names), edges[3] - edges[1])
    left = edges[2] - word_px
    place = {"va": "center_baseline"}
    for row, (name, word) in enumerate(zip(names, words, strict=True)):
        colour, sign = SIGNS[word]
        axes.text(left, -row, name, ha="right", color=look.ink, fontsize=look.points(letters), **place)
        bold = {"color": colour or look.soft, "fontsize": look.points(1.15 * letters), "fontweight": "bold"}
        axes.text(left + 0.5 * look.letter_px, -row, sign, **bold, **place)
        axes.text(left + 1.7 * look.letter_px, -row, look.say(word), color=look.ink, fontsize=look.points(0.9 * letters), **place)


def _timing(look, sheet, song, edges):
    errors = [clicks_error_ms(track) if track.time_map is not None else None for track in song.tracks]
    scale = scale_ms(song.tracks, errors)
    rows = Rows(sheet, [""] * len(errors), *edges, scale=scale, unit="ms", x=look.say("song time"))
    for row, (track, error) in enumerate(zip(song.tracks, errors, strict=True)):
        if error is None or track.by_clicks:
            rows.say(row, look.say("by clicks short" if error is not None else track.state))
            continue
        rows.plot(row, *error, color=ORANGE, lw=look.line(1.8))
        rows.plot(row, error[0][[0, -1]], np.zeros(2), color=look.accent, lw=look.line(2))
    rows.axes.set_xlim(0, song.seconds)


def _before_after(look, sheet, song, edges):
    axes = sheet.axes(*edges, grid="x", x="µs")
    values = [rms_us(track) for track in song.tracks]
    for row, (before, after) in enumerate(values):
        if before and after:
            axes.plot([after, before], [-row, -row], color=look.faint, lw=look.line(1.5))
        if before:
            axes.plot(before, -row, "s", color=ORANGE, markersize=look.line(10))
        if after:
            axes.plot(after, -row, "o", color=look.accent, markersize=look.line(10))
    as_rows(axes, len(values))
    known = [value for pair in values for value in pair if value]
    if known:
        decades(look, axes, known, short, fontsize=look.points(0.72))


def _survived(look, sheet, song, edges):
    bands, values = over_hiss(song.tracks)
    axes = sheet.axes(*edges, grid=None, x="Hz")
    axes.set_yticks([])
    if not bands:
        as_rows(axes, len(song.tracks))
        return
    heat(look, axes, values)
    notes(look, axes, song.tracks, len(bands))
    shown = [k for k, band in enumerate(bands) if band in (100, 400, 1000, 4000, 10000)]
    axes.set_xticks([k + 0.5 for k in shown], [short(bands[k]) for k in shown], fontsize=look.points(0.72))


def _hiss(look, sheet, song, edges):
    axes = sheet.axes(*edges, grid="x", x="dBFS")
    names, alone, running, _ = growth(song.stack_rows)
    levels = dict(zip(names, alone, strict=True))
    as_rows(axes, len(song.tracks))
    if not names:
        return
    floor = 10 * np.floor(alone.min() / 10 - 0.3)
    rows = [-row for row, track in enumerate(song.tracks) if track.name in levels]
    widths = [levels[track.name] - floor for track in song.tracks if track.name in levels]
    axes.barh(rows, widths, left=floor, height=0.55, color=look.faint, alpha=0.7)
    axes.axvline(running[-1], color=look.accent, lw=look.line(3))
    axes.set_xlim(floor, 10 * np.ceil(running[-1] / 10 + 0.05))
    ticks = np.arange(floor, running[-1] + 10, 20)
    axes.set_xticks(ticks, [look.number(tick) for tick in ticks], fontsize=look.points(0.72))


def _foot(look, sheet, song):
    """What the signs mean."""
    handles = [
        Line2D([], [], color=ORANGE, marker="s", markersize=look.line(9), lw=look.line(1.8), label=look.say("two clicks")),
        Line2D([], [], color=look.accent, marker="o", markersize=look.line(9), lw=look.line(2), label=look.say("followed")),
        Line2D([], [], color=look.accent, lw=look.line(3), label=look.say("all hiss")),
    ]
    low, high = (f"{edge:g}" for edge in song.band_hz)
    place = {"loc": "lower left", "bbox_to_anchor": (sheet.left / look.width_px, 1 - sheet.bottom / look.height_px)}
    look_of = {"frameon": False, "labelcolor": look.ink, "fontsize": look.points(0.78), "borderpad": 0, "borderaxespad": 0}
    sheet.figure.legend(handles=handles, ncols=3, **place, **look_of)
    words = look.say("sheet foot", low=low, high=high)
    taken = sum(look.width_of(handle.get_label(), 0.78) + 4 * look.letter_px for handle in handles)
    if taken + look.width_of(words, 0.78) < sheet.wide:
        sheet.text(sheet.right, sheet.bottom, words, letters=0.78, color=look.soft, ha="right", va="bottom")
