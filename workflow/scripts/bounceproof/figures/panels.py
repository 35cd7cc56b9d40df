"""Small panels side by side, all with the same axes; labels and units at the outer edges only."""

import math

MOST_PANELS = 24


def grid(sheet, count, *, x, y, shape=1.5):
    """Yield Axes one after another. shape: a panel's width over its height, about."""
    letter_px = sheet.look.letter_px
    wide, high = sheet.wide, sheet.bottom - sheet.top
    columns = min(count, max(1, round(math.sqrt(count * wide / high / shape))))
    rows = -(-count // columns)
    left, bottom = sheet.left + 3.9 * letter_px, sheet.bottom - 2.6 * letter_px
    # One label for all: panels are too low for one each.
    sheet.text((left + sheet.right) / 2, sheet.bottom, x, letters=0.95, ha="center", va="bottom")
    sheet.text(sheet.left, (sheet.top + bottom) / 2, y, letters=0.95, ha="left", va="center", rotation=90)
    step_x, step_y = (sheet.right - left) / columns, (bottom - sheet.top) / rows
    for place in range(count):
        row, column = divmod(place, columns)
        edges = (left + column * step_x, sheet.top + row * step_y + 1.25 * letter_px)
        edges = (*edges, left + (column + 1) * step_x - 0.8 * letter_px, sheet.top + (row + 1) * step_y - 0.35 * letter_px)
        outer_x, outer_y = place + columns >= count, column == 0
        axes = sheet.axes(*edges, grid="both")
        axes.tick_params(labelbottom=outer_x, labelleft=outer_y)
        yield axes


def heading(look, axes, words):
    axes.set_title(words, loc="left", color=look.ink, fontsize=look.points(0.9), fontweight="bold", pad=look.line(4))


def inside(look, axes, words):
    """Words in a panel that has nothing to show."""
    place = {"transform": axes.transAxes, "ha": "center", "va": "center", "style": "italic"}
    axes.text(0.5, 0.55, words, color=look.soft, fontsize=look.points(0.8), wrap=False, **place)


def more(sheet, count):
    """How many did not fit."""
    if count > MOST_PANELS:
        words = sheet.look.say("more", count=count - MOST_PANELS)
        sheet.text(sheet.right, sheet.bottom, words, letters=0.8, color=sheet.look.soft, ha="right", va="bottom")
