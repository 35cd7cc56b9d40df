"""One look for all figures, and the same bytes each time.

Conventions: places and sizes in px from a sheet's top left corner; letters are told in multiples of the look's own letter.
Colours of Okabe and Ito's colour-blind safe set (Color Universal Design, 2008), always beside a second sign (dash, marker,
word); every axis names its unit; what is simulated says so across the whole sheet. Places are worked out here, not by
matplotlib's layout solver: that costs as much as three drawings, and its last digits differ from run to run.
"""

import math
import textwrap

import matplotlib

from bounceproof.figures.words import WORDS
from bounceproof.files import write_atomically
from bounceproof.report.words import fixed, short

BLUE, ORANGE, GREEN, VERMILION = "#0072b2", "#e69f00", "#009e73", "#d55e00"
_LIGHT = {"ink": "#1b1f24", "soft": "#555d66", "faint": "#8a9099", "paper": "#ffffff", "accent": BLUE, "warn": "#b84a00"}
_DARK = {"ink": "#e8eaed", "soft": "#b3bac2", "faint": "#7d858e", "paper": "#14171a", "accent": "#56b4e9", "warn": "#ff8c42"}
# Titles and captions stay inside 5 % of a picture for the screen (safe area for graphics, EBU R 95; from memory).
SAFE = 0.05
# A letter of 26 px on a sheet of 1920 x 1080 is 11 px high on a telephone held sideways.
_LETTER_PX, _SHEET_PX = 26.0, 1920 * 1080
_PRINT_DPI, _PRINT_LETTER_PT, _MM_PER_INCH = 300, 7.0, 25.4
RC = {
    "font.family": "DejaVu Sans",
    "text.parse_math": False,  # a dollar sign in a track's name is no formula
    "svg.fonttype": "none",  # text stays text: small, and can be edited
    "svg.hashsalt": "bounceproof",
    "pdf.fonttype": 42,
    "hatch.linewidth": 0.8,
}
_LONGEST_NAME = 22
# Two thirds of the time of the library's own level, for files a twelfth larger.
_PNG_LEVEL = 3


class Look:
    """Size, colours, language and names of figures.

    settings: dict with width_px, height_px, dark, transparent, print_width_mm, language, labels, tracks (all optional);
    preset: "video" (a picture of that many px) or "print" (light, print_width_mm wide, letters of 7 points).
    """

    def __init__(self, settings=None, *, preset="video"):
        settings = settings or {}
        self.preset, self.transparent = preset, bool(settings.get("transparent"))
        if preset == "print":
            self._print_size(settings.get("print_width_mm") or 180.0)
        else:
            self._video_size(settings.get("width_px") or 1920, settings.get("height_px") or 1080)
        self.dark = bool(settings.get("dark")) and preset != "print"
        for name, colour in (_DARK if self.dark else _LIGHT).items():
            setattr(self, name, colour)
        self.language = settings.get("language") or "en"
        self._words = WORDS[self.language]
        self._labels, self.tracks = settings.get("labels") or {}, list(settings.get("tracks") or [])

    def _video_size(self, width_px, height_px):
        self.width_px, self.height_px, self.dpi = width_px, height_px, 96
        self.letter_px = _LETTER_PX * math.sqrt(width_px * height_px / _SHEET_PX)
        self.edge_px = (SAFE * width_px, SAFE * height_px)

    def _print_size(self, width_mm):
        # A narrow column makes a taller sheet: the rows need their room.
        height_mm = max(0.5625 * width_mm, min(1.25 * width_mm, 110.0))
        self.dpi = _PRINT_DPI
        self.width_px, self.height_px = (round(size * self.dpi / _MM_PER_INCH) for size in (width_mm, height_mm))
        self.letter_px = _PRINT_LETTER_PT * self.dpi / 72
        self.edge_px = (0.3 * self.letter_px, 0.3 * self.letter_px)

    def points(self, letters):
        """A size in letters as matplotlib counts it, in points."""
        return letters * self.letter_px * 72 / self.dpi

    def line(self, width_px):
        """A line's width on a sheet with letters of 26 px, in points."""
        return width_px * self.letter_px / _LETTER_PX * 72 / self.dpi

    def width_of(self, text, letters=1.0):
        """About how wide a text is, in px: widest line, DejaVu Sans' mean letter and a little more."""
        return 0.6 * letters * self.letter_px * max(map(len, str(text).split("\n")))

    def say(self, key, **values):
        """A phrase in the figures' language."""
        return self._words[key].format(**values)

    def name(self, track):
        """What a track or pair is called in figures."""
        label = str(self._labels.get(track, track))
        return label if len(label) <= _LONGEST_NAME else label[: _LONGEST_NAME - 1] + "…"

    def number(self, value, places=0):
        """A number with a true minus sign and the language's decimal mark; what rounds to nought has no sign."""
        return fixed(float(value), places).replace(".", self.say("decimal mark"))

    def sheet(self, title, note, *, simulated=()):
        """An empty Sheet. simulated: (how many of the tracks shown are simulated, how many are shown), or nothing."""
        return Sheet(self, title, note, simulated)


class Sheet:
    """One figure: title, note and mark of simulation drawn, what is free told by left, top, right, bottom (px)."""

    def __init__(self, look, title, note, simulated):
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.look = look
        size = (look.width_px / look.dpi, look.height_px / look.dpi)
        self.figure = Figure(figsize=size, dpi=look.dpi, facecolor="none" if look.transparent else look.paper)
        FigureCanvasAgg(self.figure)
        edge_x, edge_y = look.edge_px
        self.left, self.top, self.right, self.bottom = edge_x, edge_y, look.width_px - edge_x, look.height_px - edge_y
        self._head(title, note, self._mark(simulated))

    def _mark(self, simulated):
        many, shown = simulated or (0, 0)
        return self.look.say("simulated" if many == shown else "partly simulated", many=many, shown=shown) if many else None

    def _head(self, title, note, mark):
        look, letter_px = self.look, self.look.letter_px
        if mark:
            self._across(mark)
            if 1.15 * (look.width_of(title, 1.5) + look.width_of(mark, 0.95)) > self.wide:
                self.badge(mark, self.left + 0.3 * letter_px, ha="left")
                self.top += 2.2 * letter_px
            else:
                self.badge(mark, self.right - 0.3 * letter_px, ha="right")
        for text, letters, colour, weight in ((title, 1.5, look.ink, "bold"), (note, 0.92, look.soft, "normal")):
            per_line = max(12, int(self.wide / ((0.66 if weight == "bold" else 0.56) * letters * letter_px)))
            for line in textwrap.wrap(text, per_line):
                self.text(self.left, self.top, line, letters=letters, color=colour, weight=weight, va="top")
                self.top += 1.3 * letters * letter_px
        self.top += 0.4 * letter_px

    def badge(self, mark, x_px, *, ha):
        box = {"boxstyle": "square,pad=0.3", "facecolor": "none", "edgecolor": self.look.warn, "linewidth": self.look.line(2)}
        y_px = self.top + 0.3 * self.look.letter_px
        self.text(x_px, y_px, mark, letters=0.95, color=self.look.warn, weight="bold", ha=ha, va="top", bbox=box)

    def _across(self, mark):
        """The mark over the whole sheet: it cannot be cut off, nor taken for data."""
        look = self.look
        letters = 1.05 * math.hypot(look.width_px, look.height_px) / look.width_of(mark) * 0.62
        angle = math.degrees(math.atan2(look.height_px, look.width_px))
        place = {"ha": "center", "va": "center", "rotation": angle, "zorder": 5, "alpha": 0.075}
        self.text(look.width_px / 2, look.height_px / 2, mark, letters=letters, color=look.warn, weight="bold", **place)

    def text(self, x_px, y_px, words, *, letters=1.0, **options):
        """Words at a place of the sheet; options of matplotlib's text."""
        options.setdefault("color", self.look.ink)
        x, y = x_px / self.look.width_px, 1 - y_px / self.look.height_px
        return self.figure.text(x, y, words, fontsize=self.look.points(letters), **options)

    def nothing(self, words):
        """A figure that has nothing to show says why."""
        middle = (self.look.width_px / 2, self.look.height_px / 2)
        self.text(*middle, words, letters=1.3, color=self.look.soft, ha="center", va="center")
        return self.figure

    def axes(self, left, top, right, bottom, *, x=None, y=None, grid="y"):
        """Axes between these edges (px), with labels that name their units, a light grid, no box."""
        look = self.look
        width, height = look.width_px, look.height_px
        place = (left / width, 1 - bottom / height, (right - left) / width, (bottom - top) / height)
        axes = self.figure.add_axes(place, facecolor="none")
        for name, spine in axes.spines.items():
            spine.set_visible(name in ("left", "bottom"))
            spine.set_color(look.faint)
            spine.set_linewidth(look.line(1.2))
        axes.tick_params(
            colors=look.ink, labelsize=look.points(0.88), length=look.line(6), width=look.line(1.2), pad=look.line(5)
        )
        for words, room_px, set_label in ((x, right - left, axes.set_xlabel), (y, bottom - top, axes.set_ylabel)):
            if words:
                letters = min(0.95, 0.95 * 1.15 * room_px / look.width_of(words, 0.9))
                set_label(words, color=look.ink, fontsize=look.points(letters), labelpad=look.line(5))
        if grid:
            axes.grid(axis=grid, color=look.faint, alpha=0.25, linewidth=look.line(1))
        axes.set_axisbelow(True)
        return axes

    def legend(self, handles):
        """A line of signs and their words below the title."""
        look = self.look
        wide = [look.width_of(handle.get_label(), 0.92) + 4.2 * look.letter_px for handle in handles]
        columns = next((n for n in range(len(wide), 1, -1) if _columns_width(wide, n) <= self.wide), 1)
        corner = (self.left / look.width_px, 1 - self.top / look.height_px)
        self.figure.legend(
            handles=handles,
            loc="upper left",
            bbox_to_anchor=corner,
            ncols=columns,
            frameon=False,
            labelcolor=look.ink,
            fontsize=look.points(0.92),
            borderpad=0,
            borderaxespad=0,
            handlelength=2.2,
            columnspacing=1.6,
            labelspacing=0.3,
        )
        self.top += (-(-len(handles) // columns) * 1.35 + 0.35) * look.letter_px

    @property
    def wide(self):
        return self.right - self.left


def _columns_width(wide, columns):
    """The width of entries in so many columns, filled one after another."""
    rows = -(-len(wide) // columns)
    return sum(max(wide[k : k + rows]) for k in range(0, len(wide), rows))


def paint(figure_of, look, values, paths):
    """Draw figure_of(look, values) and write it to each path (.png, .svg, .pdf by its ending), without dates and with fixed
    identifiers.
    """
    with matplotlib.rc_context(RC):
        figure = figure_of(look, values)
        for path in map(str, paths):
            kind = path.rsplit(".", 1)[-1]
            metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
            more = {"pil_kwargs": {"compress_level": _PNG_LEVEL}} if kind == "png" else {}
            with write_atomically(path) as temporary:
                figure.savefig(temporary, format=kind, metadata=metadata, facecolor=figure.get_facecolor(), **more)


def hertz_ticks(axes, low_hz, high_hz, *, ticks=(50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)):
    """A logarithmic frequency axis from low_hz to high_hz with ticks people read."""
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    ticks = [f for f in ticks if low_hz <= f <= high_hz]
    axes.set_xticks(ticks, [short(f) for f in ticks])
    axes.minorticks_off()
