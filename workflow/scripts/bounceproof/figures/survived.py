"""Figure: what survived - every track by third-octaves, signal over hiss in dB.

Conventions: columns are IEC 61260-1 third-octaves by nominal frequency; a cell's number is its value; a hatched cell is not
known (the stem has nothing there, or nothing stands over the hiss).
"""

import numpy as np

from bounceproof.figures.style import decibels, hertz

SHOWN_DB = (-5.0, 40.0)


def draw(look, tracks, band_hz):
    """tracks: dicts with track, simulated, note (or None) and over_hiss_db = {nominal_hz: dB or nan}; band_hz: the medium's
    (low, high).
    """
    figure = look.figure("What survived: signal over hiss while the stem plays", simulated=any(t["simulated"] for t in tracks))
    bands = sorted({band for track in tracks for band in track["over_hiss_db"]})
    if not bands:
        look.nothing(figure, "No return measured yet.")
        return figure
    values = np.array([[track["over_hiss_db"].get(band, np.nan) for band in bands] for track in tracks])
    axes = look.axes(figure.add_subplot(), x="third-octave band, nominal mid frequency, Hz", grid=None)
    colours = _colours(look)
    picture = axes.pcolormesh(values, cmap=colours, vmin=SHOWN_DB[0], vmax=SHOWN_DB[1], edgecolors=look.paper, linewidth=1.2)
    axes.invert_yaxis()
    _numbers(look, axes, values, tracks)
    axes.set_xticks(np.arange(len(bands)) + 0.5, [hertz(band) for band in bands], rotation=0, fontsize=9)
    axes.set_yticks(np.arange(len(tracks)) + 0.5, [track["track"] for track in tracks])
    _medium(look, axes, bands, band_hz)
    bar = figure.colorbar(picture, ax=axes, pad=0.01, aspect=40)
    bar.set_label("signal over hiss, dB", color=look.ink, fontsize=11)
    bar.ax.tick_params(colors=look.ink)
    bar.outline.set_visible(False)
    return figure


def _colours(look):
    import matplotlib

    return matplotlib.colormaps["cividis"].with_extremes(bad=look.paper)


def _numbers(look, axes, values, tracks):
    from matplotlib.patches import Rectangle

    size = 9 if values.shape[1] <= 30 else 7
    for row, column in np.ndindex(values.shape):
        value = values[row, column]
        if np.isfinite(value):
            # cividis turns light above its middle: dark letters there.
            colour = "#111111" if value > 0.5 * sum(SHOWN_DB) else "#ffffff"
            axes.text(column + 0.5, row + 0.5, decibels(value), ha="center", va="center", color=colour, fontsize=size)
        elif not tracks[row]["note"]:
            axes.add_patch(
                Rectangle((column, row), 1, 1, facecolor="none", edgecolor=look.faint, hatch="///", linewidth=0, alpha=0.5)
            )
    for row, track in enumerate(tracks):
        if track["note"]:
            axes.text(
                values.shape[1] / 2,
                row + 0.5,
                track["note"],
                ha="center",
                va="center",
                color=look.ink,
                fontsize=10,
                style="italic",
            )


def _medium(look, axes, bands, band_hz):
    """The medium's nominal band as two dashed lines, each between the last column inside it and the first outside."""
    inside = [k for k, band in enumerate(bands) if band_hz[0] <= band <= band_hz[1]]
    for place in (inside[0], inside[-1] + 1) if inside else ():
        if 0 < place < len(bands):
            axes.axvline(place, color=look.ink, linestyle="--", linewidth=1.4)
    text = f"dashed: the medium's nominal band, {band_hz[0]:g} to {band_hz[1]:g} Hz; hatched: not known here"
    axes.set_title(text, loc="left", color=look.ink, fontsize=10)
