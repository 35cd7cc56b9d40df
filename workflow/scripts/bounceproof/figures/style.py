"""One look for all figures, and the same bytes each time.

Conventions: sizes in pixels at 160 per inch; colours of Okabe and Ito's colour-blind safe set (Color Universal Design, 2008),
always beside a second sign (dash, marker, word); every axis names its unit; what is simulated says so in the corner.
"""

import matplotlib

from bounceproof.files import write_atomically

DPI = 160
INK, PAPER, FAINT = "#1b1f24", "#ffffff", "#8a9099"
BLUE, ORANGE, GREEN, VERMILION, PURPLE = "#0072b2", "#e69f00", "#009e73", "#d55e00", "#cc79a7"
_DARK = {"ink": "#e8eaed", "paper": "#14171a", "faint": "#7d858e"}


class Look:
    """Colours and size of a figure. settings: dict with width_px, height_px, dark (all optional)."""

    def __init__(self, settings=None):
        settings = settings or {}
        self.width_px, self.height_px = settings.get("width_px", 1920), settings.get("height_px", 1080)
        dark = settings.get("dark", False)
        self.ink = _DARK["ink"] if dark else INK
        self.paper = _DARK["paper"] if dark else PAPER
        self.faint = _DARK["faint"] if dark else FAINT
        self.accent = "#56b4e9" if dark else BLUE

    def figure(self, title, *, simulated):
        """An empty matplotlib Figure with its title, and the mark of simulation where due."""
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        # A figure of 4K looks like one of 1920 with finer grain, not with smaller letters.
        scale = self.width_px / 1920
        size = (self.width_px / (DPI * scale), self.height_px / (DPI * scale))
        figure = Figure(figsize=size, dpi=DPI * scale, facecolor=self.paper, layout="constrained")
        figure.get_layout_engine().set(rect=(0.01, 0.01, 0.98, 0.97))
        FigureCanvasAgg(figure)
        figure.suptitle(title, x=0.012, ha="left", color=self.ink, fontsize=15, fontweight="bold")
        if simulated:
            figure.text(0.988, 0.985, "SIMULATED RETURNS", ha="right", va="top", color=VERMILION, fontsize=12, fontweight="bold")
        return figure

    def axes(self, axes, *, x=None, y=None, grid="y"):
        """Dress axes: labels with units, light grid, no box."""
        axes.set_facecolor(self.paper)
        for name, spine in axes.spines.items():
            spine.set_visible(name in ("left", "bottom"))
            spine.set_color(self.faint)
        axes.tick_params(colors=self.ink, labelsize=10, length=3)
        if x:
            axes.set_xlabel(x, color=self.ink, fontsize=11)
        if y:
            axes.set_ylabel(y, color=self.ink, fontsize=11)
        if grid:
            axes.grid(axis=grid, color=self.faint, alpha=0.25, linewidth=0.6)
        axes.set_axisbelow(True)
        return axes

    def legend(self, axes, **options):
        """A frameless legend in the figure's ink."""
        return axes.legend(frameon=False, labelcolor=self.ink, fontsize=10, **options)

    def nothing(self, figure, text):
        """A figure that has nothing to show says why."""
        figure.text(0.5, 0.5, text, ha="center", va="center", color=self.faint, fontsize=15, wrap=True)


def freeze(figure):
    """Lay a figure out once and round where everything came to lie.

    The layout's solver walks its unknowns in the order of their addresses: its last digits differ from run to run, and an
    SVG's identifiers are hashes over those digits.
    """
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for axes in figure.axes:
        axes.set_position([round(part, 4) for part in axes.get_position(original=True).bounds])
    for text in (figure._suptitle, figure._supxlabel, figure._supylabel):
        if text is not None:
            text.set_position([round(part, 4) for part in text.get_position()])


def save(figure, paths):
    """Write a figure to each path (.png, .svg, .pdf by its ending), without dates and with fixed identifiers."""
    freeze(figure)
    for path in map(str, paths):
        kind = path.rsplit(".", 1)[-1]
        metadata = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
        with matplotlib.rc_context({"svg.hashsalt": "bounceproof"}), write_atomically(path) as temporary:
            figure.savefig(temporary, format=kind, metadata=metadata, facecolor=figure.get_facecolor())


def number(cell):
    """A table's cell as float, nan for an empty one."""
    return float(cell) if cell not in (None, "") else float("nan")


def hertz_ticks(axes, low_hz, high_hz):
    """A logarithmic frequency axis from low_hz to high_hz with ticks people read."""
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    ticks = [f for f in (50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000) if low_hz <= f <= high_hz]
    axes.set_xticks(ticks, [hertz(f) for f in ticks])
    axes.minorticks_off()


def hertz(value):
    """50, 500, 1k, 6.3k."""
    return f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"


def decibels(value, places=0):
    """A number with a true minus sign; what rounds to nought has no sign."""
    return f"{round(float(value), places) + 0.0:.{places}f}".replace("-", "−")
