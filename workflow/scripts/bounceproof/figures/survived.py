"""Figure: what survived - every track by third-octaves, signal over hiss in dB.

Conventions: columns are IEC 61260-1 third-octaves by nominal frequency; a cell's number is its value; a hatched cell is not
known (the stem has nothing there, or nothing stands over the hiss).
"""

import numpy as np

from bounceproof.figures.rows import names_width, row_letters
from bounceproof.report.words import fixed, short

SHOWN_DB = (-5.0, 40.0)
_BAR = 2.2
# Numbers smaller than this (in letters) are left to the colours.
_SMALLEST = 0.45


def draw(look, song):
    """The matplotlib Figure of a Song."""
    low, high = (f"{edge:g}" for edge in song.band_hz)
    sheet = look.sheet(look.say("survived title"), look.say("survived note", low=low, high=high), simulated=song.simulated())
    bands, values = over_hiss(song.tracks)
    if not bands:
        return sheet.nothing(look.say("no return"))
    names = [look.name(track.name) for track in song.tracks]
    bar_px = _BAR * look.letter_px + look.width_of("−00", 0.88)
    edges = (
        sheet.left + names_width(look, names),
        sheet.top,
        sheet.right - bar_px - look.letter_px,
        sheet.bottom - 2.7 * look.letter_px,
    )
    axes = sheet.axes(*edges, x=look.say("third octave"), grid=None)
    heat(look, axes, values)
    name_letters, cell_px = row_letters(sheet, len(names), edges[3] - edges[1]), (edges[2] - edges[0]) / len(bands)
    letters = min(name_letters, 0.36 * cell_px / look.letter_px)
    if letters >= _SMALLEST:
        _numbers(look, axes, values, letters)
    notes(look, axes, song.tracks, len(bands))
    each = 1 if len(bands) * 2.4 * look.letter_px < edges[2] - edges[0] else 2
    axes.set_xticks(np.arange(0, len(bands), each) + 0.5, [short(band) for band in bands[::each]], fontsize=look.points(0.72))
    axes.set_yticks(np.arange(len(names)) + 0.5, names, fontsize=look.points(name_letters))
    axes.tick_params(axis="y", length=0)
    _medium(look, axes, bands, song.band_hz)
    _colour_bar(look, sheet, edges[2] + 0.8 * look.letter_px, edges[1], edges[3])
    return sheet.figure


def over_hiss(tracks):
    """(bands in Hz, signal over hiss in dB: tracks by bands, nan where not known)."""
    rows = [track.band("signal_over_hiss_db") for track in tracks]
    bands = sorted({band for row in rows for band in row})
    return bands, np.array([[row.get(band, np.nan) for band in bands] for row in rows]).reshape(len(rows), len(bands))


def heat(look, axes, values):
    """The cells, rows downwards; what is not known is hatched."""
    import matplotlib
    from matplotlib.patches import Rectangle

    known = np.ma.masked_invalid(values)
    # Hatched once below all cells: a patch each would cost more than all the rest.
    axes.add_patch(
        Rectangle(
            (0, 0),
            values.shape[1],
            values.shape[0],
            facecolor="none",
            edgecolor=look.faint,
            hatch="///",
            lw=0,
            alpha=0.5,
            zorder=0,
        )
    )
    edges = {"edgecolors": "none" if look.transparent else look.paper, "linewidth": look.line(1.5)}
    axes.pcolormesh(known, cmap=matplotlib.colormaps["cividis"], vmin=SHOWN_DB[0], vmax=SHOWN_DB[1], **edges)
    axes.set_xlim(0, values.shape[1])
    axes.set_ylim(values.shape[0], 0)


def _numbers(look, axes, values, letters):
    for row, column in np.argwhere(np.isfinite(values)):
        value = values[row, column]
        # cividis turns light above its middle: dark letters there.
        colour = "#111111" if value > 0.5 * sum(SHOWN_DB) else "#ffffff"
        axes.text(
            column + 0.5,
            row + 0.5,
            fixed(value, 0),
            ha="center",
            va="center_baseline",
            color=colour,
            fontsize=look.points(letters),
        )


def notes(look, axes, tracks, wide):
    """Why a track has no numbers, across its row."""
    from matplotlib.patches import Rectangle

    for row, track in enumerate(tracks):
        if track.state != "aligned":
            axes.add_patch(Rectangle((0, row), wide, 1, facecolor=look.paper, edgecolor="none", zorder=1))
            place = {"ha": "center", "va": "center", "style": "italic"}
            axes.text(wide / 2, row + 0.5, look.say(track.state), color=look.soft, fontsize=look.points(0.85), **place)


def _medium(look, axes, bands, band_hz):
    """The medium's nominal band as two dashed lines, each between the last column inside it and the first outside."""
    inside = [k for k, band in enumerate(bands) if band_hz[0] <= band <= band_hz[1]]
    for place in (inside[0], inside[-1] + 1) if inside else ():
        if 0 < place < len(bands):
            axes.axvline(place, color=look.ink, linestyle="--", linewidth=look.line(2.5))


def _colour_bar(look, sheet, left, top, bottom):
    import matplotlib

    axes = sheet.axes(left, top, left + look.letter_px, bottom, grid=None)
    ramp = np.linspace(*SHOWN_DB, 64)[:, None]
    axes.imshow(ramp, cmap=matplotlib.colormaps["cividis"], aspect="auto", origin="lower", extent=(0, 1, *SHOWN_DB))
    axes.set_xticks([])
    ticks = [0, 10, 20, 30, 40]
    axes.set_yticks(ticks, [f"{tick}" for tick in ticks])
    axes.yaxis.tick_right()
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_title("dB", color=look.ink, fontsize=look.points(0.8), pad=look.line(4))
