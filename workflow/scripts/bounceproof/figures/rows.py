"""Tracks below each other in one Axes, all on one scale: row k lies around -k, half a row high at most.

One Axes for all rows, since an Axes each would cost more than what is drawn in them.
"""

import numpy as np

from bounceproof.figures.song import trace

HALF_ROW = 0.46
MOST_ROWS = 24
_NICE = (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 10)


def nice(limit):
    """The next number at or above `limit` that an axis can be labelled with."""
    power = 10.0 ** np.floor(np.log10(limit))
    return float(next(step * power for step in _NICE if step * power >= limit * (1 - 1e-9)))


def as_rows(axes, count):
    """Axes of so many rows without names: row k lies around -k."""
    axes.set_ylim(-count + 0.5, 0.5)
    axes.set_yticks([])


def names_width(look, names):
    """Room that the names of rows need, in px."""
    return max((look.width_of(name, 0.88) for name in names), default=0) + look.letter_px


class Rows:
    """The Axes of rows between px edges. scale: what reaches half a row; unit: its unit."""

    def __init__(self, sheet, names, left, top, right, bottom, *, scale, unit, x):
        self.look, self.scale = sheet.look, scale
        self.axes = sheet.axes(left, top, right, bottom, x=x, grid="x")
        look, count = self.look, len(names)
        self.axes.set_ylim(-count + 0.5, 0.5)
        self.axes.set_yticks(-np.arange(count), names, fontsize=look.points(row_letters(sheet, count, bottom - top)))
        self.axes.tick_params(axis="y", length=0)
        self.axes.hlines(-np.arange(count), 0, 1, transform=self.axes.get_yaxis_transform(), color=look.faint, lw=look.line(0.8))
        self._ruler(unit)

    def _ruler(self, unit):
        """The first row's own scale, at its right end."""
        look = self.look
        across = self.axes.get_yaxis_transform()
        small = {"fontsize": look.points(0.7), "color": look.ink, "transform": across, "ha": "left"}
        self.axes.plot([1.004, 1.004], [-HALF_ROW, HALF_ROW], transform=across, color=look.ink, lw=look.line(2), clip_on=False)
        places = next(k for k in range(6) if abs(round(self.scale, k) - self.scale) < 1e-3 * self.scale)
        self.axes.text(1.01, HALF_ROW, f"+{look.number(self.scale, places)} {unit}", va="top", **small)
        self.axes.text(1.01, -HALF_ROW, f"−{look.number(self.scale, places)} {unit}", va="bottom", **small)

    def at(self, row, values):
        return -row + HALF_ROW * np.clip(np.asarray(values) / self.scale, -1.0, 1.0)

    def plot(self, row, times_s, values, **options):
        times_s, values = trace(times_s, values)
        self.axes.plot(times_s, self.at(row, values), **options)

    def fill(self, row, times_s, low, high, **options):
        self.axes.fill_between(times_s, self.at(row, low), self.at(row, high), linewidth=0, **options)

    def say(self, row, words):
        """Words in place of a trace."""
        look = self.look
        box = {"facecolor": look.paper, "edgecolor": "none", "pad": look.line(2)}
        place = {"transform": self.axes.get_yaxis_transform(), "ha": "center", "va": "center", "style": "italic", "bbox": box}
        self.axes.text(0.5, -row, words, color=look.soft, fontsize=look.points(0.85), **place)


def decades(look, axes, values, label=lambda tick: f"{tick:g}", **options):
    """A logarithmic axis around values, labelled at powers of ten, or at every second where they would run together."""
    low, high = 0.6 * min(values), 1.7 * max(values)
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = 10.0 ** np.arange(np.ceil(np.log10(low)), np.floor(np.log10(high)) + 1)
    room_px = axes.get_position().width * look.width_px / np.log10(high / low)
    every = 1 if room_px > 2.2 * look.letter_px else 2
    axes.set_xticks(ticks[::every], [label(tick) for tick in ticks[::every]], **options)
    axes.minorticks_off()


def row_letters(sheet, count, height_px):
    """The size of letters that fits into rows this high, in letters."""
    return min(0.88, 0.72 * height_px / max(count, 1) / sheet.look.letter_px)


def columns(sheet, axes, left, wide, heads, rows):
    """Columns of numbers at the right of rows. heads: a word a column; rows: a list of cells (text or None) a row."""
    look, box = sheet.look, axes.get_position()
    letters = min(0.85, row_letters(sheet, len(rows), box.height * look.height_px))
    number = {"transform": axes.get_yaxis_transform(), "va": "center", "color": look.ink, "fontsize": look.points(letters)}
    small = {"transform": axes.transAxes, "va": "bottom", "color": look.soft, "fontsize": look.points(0.72)}
    for k, head in enumerate(heads):
        x = ((left + (k + 1) * wide) / look.width_px - box.x0) / box.width
        axes.text(x, 1.01, head, ha="right", **small)
        for row, cells in enumerate(rows):
            if cells[k] is not None:
                axes.text(x, -row, cells[k], ha="right", **number)
