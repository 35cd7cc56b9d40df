"""The page's own drawings: small SVG that take the page's colours, light or dark, and stay sharp at any zoom.

Conventions: one unit is one CSS pixel on a phone; every axis names its unit; lines differ by dash as well as by colour, bars by
filling; each drawing has a title and a description in words for whoever does not see it. Coordinates have one decimal, so that
the same numbers give the same text. They draw finished numbers and compute none.
"""

import math
from typing import NamedTuple

from markupsafe import Markup, escape

from bounceproof.report.words import fixed, known, short

WIDTH, HEIGHT = 340, 214
_LEFT, _RIGHT, _TOP, _BOTTOM = 40, 8, 36, 36


class Axis(NamedTuple):
    """low, high, ticks (values), label (with its unit), log (bool)."""

    low: float
    high: float
    ticks: tuple
    label: str
    log: bool = False

    def part(self, value):
        """Where a value lies between the ends, 0 to 1, cut there."""
        low, high, value = (math.log(max(v, 1e-9)) if self.log else v for v in (self.low, self.high, value))
        return min(1.0, max(0.0, (value - low) / (high - low)))


class Drawing:
    """Axes and what is drawn between them."""

    def __init__(self, x, y, title, description):
        self.x, self.y, self._title, self._description = x, y, title, description
        self._parts, self._legend = [], []

    def _at(self, x, y):
        across = _LEFT + self.x.part(x) * (WIDTH - _LEFT - _RIGHT)
        return round(across, 1), round(HEIGHT - _BOTTOM - self.y.part(y) * (HEIGHT - _TOP - _BOTTOM), 1)

    def line(self, points, kind, name=None):
        """A line of kind "ours", "clicks" or "third" through (x, y) points; a y that is not known breaks it."""
        for run in _runs(points):
            path = "M" + "L".join("{} {}".format(*self._at(*point)) for point in run)
            self._parts.append(f'<path class="line {kind}" d="{path}"/>')
        if name:
            self._legend.append((f'<path class="line {kind}" d="M{{x}} 8h22"/>', name))

    def area(self, rows, kind, name=None):
        """A filled stretch of (x, low, high) rows; a row not known breaks it."""
        for run in _runs(rows):
            there = [self._at(x, high) for x, _, high in run] + [self._at(x, low) for x, low, _ in reversed(run)]
            path = "M" + "L".join("{} {}".format(*point) for point in there) + "z"
            self._parts.append(f'<path class="area {kind}" d="{path}"/>')
        if name:
            self._legend.append((f'<path class="area {kind}" d="M{{x}} 3h22v9h-22z"/>', name))

    def bar(self, low_x, high_x, y, kind):
        """A bar to y from zero, or from the axis' lower end where zero lies outside."""
        base = 0.0 if self.y.low <= 0.0 <= self.y.high else self.y.low
        (left, top), (right, bottom) = self._at(low_x, max(y, base)), self._at(high_x, min(y, base))
        size = f'width="{right - left - 1:.1f}" height="{max(bottom - top, 0.8):.1f}"'
        self._parts.append(f'<rect class="bar {kind}" x="{left:.1f}" y="{top}" {size}/>')

    def level(self, y, label, *, under=False):
        """A thin line across with a word at its right end, over or under it."""
        (left, height), (right, _) = self._at(self.x.low, y), self._at(self.x.high, y)
        self._parts.append(f'<path class="level" d="M{left} {height}H{right}"/>')
        self._parts.append(f'<text class="small end" x="{right}" y="{height + (11 if under else -3):.1f}">{escape(label)}</text>')

    def stretch(self, low_x, high_x, label):
        """A bracket under the top edge, with its name; none outside the axis."""
        if high_x <= self.x.low or low_x >= self.x.high:
            return
        (left, top), (right, _) = self._at(low_x, self.y.high), self._at(high_x, self.y.high)
        self._parts.append(f'<path class="bracket" d="M{left} {top + 6}v-4H{right}v4"/>')
        middle = max((left + right) / 2, left + 2.8 * len(label))
        self._parts.append(f'<text class="small mid" x="{middle:.1f}" y="{top + 15}">{escape(label)}</text>')

    def markup(self):
        """The SVG element."""
        name = escape(f"{self._title}. {self._description}")
        body = "".join([*self._axes(), *self._parts, *self._named()])
        return Markup(f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{name}">{body}</svg>')

    def _axes(self):
        bottom, right = HEIGHT - _BOTTOM, WIDTH - _RIGHT
        yield f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{right}"/>'
        for tick in self.x.ticks:
            across = self._at(tick, self.y.low)[0]
            yield f'<path class="axis" d="M{across} {bottom}v4"/>'
            yield f'<text class="mid" x="{across}" y="{bottom + 15}">{short(tick)}</text>'
        for tick in self.y.ticks:
            height = self._at(self.x.low, tick)[1]
            yield f'<path class="grid" d="M{_LEFT} {height}H{right}"/>'
            yield f'<text class="end" x="{_LEFT - 5}" y="{height + 4:.1f}">{short(tick)}</text>'
        yield f'<text class="end label" x="{right}" y="{HEIGHT - 5}">{escape(self.x.label)}</text>'
        yield f'<text class="label" x="2" y="{_TOP - 10}">{escape(self.y.label)}</text>'

    def _named(self):
        across = 2
        for sample, name in self._legend:
            yield sample.format(x=across)
            yield f'<text x="{across + 27}" y="12">{escape(name)}</text>'
            across += 27 + round(6.1 * len(name)) + 12


def _runs(points):
    """The stretches of points in which all numbers are known, of two points or more."""
    run = []
    for point in points:
        if all(map(known, point)):
            run.append(point)
            continue
        if len(run) > 1:
            yield run
        run = []
    if len(run) > 1:
        yield run


def steps(low, high, count=5):
    """Round values from low to high inclusive, about so many, a step of 1, 2 or 5 times a power of ten apart."""
    step = _round_limit((high - low) / count)
    first = math.ceil(low / step - 1e-9)
    return tuple(round(k * step, 9) for k in range(first, math.floor(high / step + 1e-9) + 1))


def _round_limit(value):
    """The next of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(max(value, 1e-6)))
    return next(one * power for one in (1, 2, 5, 10) if one * power >= value * 0.999)


def _hertz(low, high):
    ticks = tuple(f for f in (50, 100, 200, 500, 1000, 2000, 5000, 10000) if low <= f <= high)
    return Axis(low, high, ticks, "Hz", log=True)


def _around(band_hz):
    """From two octaves under the medium's band to an octave and a third over it."""
    return band_hz[0] / 4.0, band_hz[1] * 2.5


def timing(name, course, clicks_only_us, residual_us):
    """Where the two-click line puts each moment, and the followed map's 95 % interval, on one scale.

    course: rows (song s, error of the two-click line in ms, sd of the map in ms).
    """
    seconds = course[-1][0]
    reach_ms = _round_limit(max([abs(row[1]) for row in course if known(row[1])] or [0.001]))
    micro = reach_ms < 0.5
    scale, unit = (1000.0, "µs") if micro else (1.0, "ms")
    limit = reach_ms * scale
    axes = Axis(0.0, seconds, steps(0.0, seconds), "song time, s"), Axis(-limit, limit, steps(-limit, limit, 4), f"error, {unit}")
    text = f"Two clicks alone leave {fixed(clicks_only_us / 1000, 2)} ms rms" if known(clicks_only_us) else "Against the clicks"
    if known(residual_us):
        text += f"; following leaves {fixed(residual_us, 1)} µs rms, on the same scale"
    drawing = Drawing(*axes, f"{name}: timing error through the song", f"{text}.")
    drawing.area([(t, -1.96 * sd * scale, 1.96 * sd * scale) for t, _, sd in course], "ours", "followed, 95 %")
    drawing.line([(t, error * scale if known(error) else None) for t, error, _ in course], "clicks", "two clicks")
    return drawing.markup()


def response(name, bands, roles, band_hz):
    """Response by third-octaves with its 95 % interval, the role's bands named. bands: rows as the page shows them."""
    rows = [band for band in bands if known(band["response_db"])]
    low, high = _span(bands, band_hz)
    levels = [band["response_db"] for band in rows] or [0.0]
    top, bottom = math.ceil(max(levels) / 10) * 10 + 10, max(math.floor(min(levels) / 10) * 10, -60)
    axes = _hertz(low, high), Axis(bottom, top, steps(bottom, top, 5), "response, dB")
    if rows:
        text = f"Known from {short(rows[0]['nominal_hz'])} to {short(rows[-1]['nominal_hz'])} Hz; the numbers stand in the table"
    else:
        text = "Known in no band"
    drawing = Drawing(*axes, f"{name}: response of recorder and chain", f"{text}.")
    for role in roles:
        drawing.stretch(role["low_hz"], role["high_hz"], role["name"])
    sd = [(band["nominal_hz"], band["response_db"], 1.96 * (band["response_sigma_db"] or 0.0)) for band in rows]
    drawing.area([(hz, max(db - by, bottom), min(db + by, top)) for hz, db, by in sd], "ours")
    drawing.line([(hz, db) for hz, db, _ in sd], "ours")
    return drawing.markup()


def survival(name, bands, limits, band_hz):
    """Signal over hiss by third-octaves as bars, with the limits of what counts as kept and as marginal."""
    low, high = _span(bands, band_hz)
    highest = max([band["signal_over_hiss_db"] or 0.0 for band in bands], default=0.0)
    top = min(max(30.0, math.ceil(highest / 10) * 10), 60.0)
    axes = _hertz(low, high), Axis(-10.0, top, steps(-10.0, top, 5), "over hiss, dB")
    counts = {word: sum(band["word"] == word for band in bands) for word in ("kept", "marginal", "lost")}
    text = ", ".join(f"{count} bands {word}" for word, count in counts.items() if count) or "Not measured"
    drawing = Drawing(*axes, f"{name}: signal over hiss by third-octaves", f"{text}; the numbers stand in the table.")
    for band in bands:
        if known(band["signal_over_hiss_db"]) and low <= band["nominal_hz"] <= high:
            edges = band["nominal_hz"] * 2 ** (-1 / 6), band["nominal_hz"] * 2 ** (1 / 6)
            drawing.bar(*edges, max(band["signal_over_hiss_db"], -10.0), band["word"])
    drawing.level(limits["signal_over_hiss_kept_db"], "kept")
    drawing.level(limits["signal_over_hiss_marginal_db"], "marginal")
    return drawing.markup()


def _span(bands, band_hz):
    """What lies around the medium's band, as far as the table reaches."""
    reach = [band["nominal_hz"] for band in bands] or list(band_hz)
    low, high = _around(band_hz)
    return max(min(reach), low) * 2 ** (-1 / 6), min(max(reach), high) * 2 ** (1 / 6)


def pair_sum(name, rows, limit_db):
    """Loss of a pair's sum by third-octaves, as aligned and with two clicks. rows: (Hz, loss aligned dB, loss clicks dB), one of
    the two known.
    """
    axes = _hertz(rows[0][0] / 1.1, rows[-1][0] * 1.1), Axis(-15.0, 5.0, (-15, -10, -5, 0, 5), "sum re the stems' sum, dB")
    worst = [max((row[k] for row in rows if known(row[k])), default=None) for k in (1, 2)]
    text = f"At worst {fixed(worst[0])} dB lost as aligned, {fixed(worst[1])} dB with two clicks; the numbers stand in the table."
    drawing = Drawing(*axes, f"{name}: what the sum loses", text)
    drawing.level(-limit_db, f"{fixed(-limit_db, 0)} dB", under=True)
    drawing.line([(hz, _cut(-clicks, -15, 5)) for hz, _, clicks in rows], "clicks", "two clicks")
    drawing.line([(hz, _cut(-aligned, -15, 5)) for hz, aligned, _ in rows], "ours", "as aligned")
    return drawing.markup()


def _cut(value, low, high):
    return min(max(value, low), high) if known(value) else None


def stack(rows):
    """Hiss growing track by track, and the 10 lg N line of equal tracks. rows: of the page's stack table."""
    totals = [row["running_flat_dbfs"] for row in rows]
    equal = [row["ten_lg_n_dbfs"] for row in rows]
    both = [value for value in totals + equal if known(value)]
    low, high = math.floor(min(both) / 5) * 5, math.ceil(max(both) / 5) * 5 + 5
    count = len(rows)
    axes = (
        Axis(0.5, max(count, 2) + 0.5, tuple(range(1, count + 1, 1 if count <= 12 else 2)), "tracks, loudest hiss first"),
        Axis(low, high, steps(low, high, 4), "hiss, dBFS rms"),
    )
    text = f"One track {fixed(totals[0])} dBFS, all {count} together {fixed(totals[-1])} dBFS; the numbers stand in the table."
    drawing = Drawing(*axes, "Hiss of the stack", text)
    for number, value in enumerate(totals, 1):
        drawing.bar(number - 0.4, number + 0.4, value, "kept")
    drawing.line(list(enumerate(equal, 1)), "clicks", "10 lg N")
    return drawing.markup()


def mixes(bands, band_hz):
    """The returned mix, its reference and the stems' mix by third-octaves. bands: of reference.json."""
    low, high = _around(band_hz)
    there = [band for band in bands if low <= band["nominal_hz"] <= high]
    keys = (
        ("source_dbfs", "third", "stems"),
        ("narrow-band_dbfs", "clicks", "narrow-band"),
        ("returned_dbfs", "ours", "returned"),
    )
    levels = [band[key] for band in there for key, *_ in keys if known(band[key])]
    top = math.ceil(max(levels, default=0.0) / 10) * 10
    axes = _hertz(low, high), Axis(top - 60.0, top, steps(top - 60.0, top, 4), "dBFS rms")
    text = "Level of the three rough mixes by third-octaves; the numbers stand in the table."
    drawing = Drawing(*axes, "The mixes", text)
    for key, kind, name in keys:
        drawing.line([(band["nominal_hz"], _cut(band[key], top - 60.0, top)) for band in there], kind, name)
    return drawing.markup()


def muting(through_time):
    """The stack's hiss through the song, as it is and muted wherever the stems are silent. through_time: of stack.json."""
    step_s, keys = through_time["step_s"], (("unmuted_dbfs", "clicks", "as it is"), ("muted_dbfs", "ours", "muted"))
    levels = [value for key, *_ in keys for value in through_time[key] if known(value)]
    top = math.ceil(max(levels) / 10) * 10
    bottom = max(math.floor(min(levels) / 10) * 10, top - 60)
    seconds = step_s * len(through_time["muted_dbfs"])
    axes = Axis(0.0, seconds, steps(0.0, seconds), "song time, s"), Axis(bottom, top, steps(bottom, top, 4), "hiss, dBFS rms")
    drawing = Drawing(*axes, "Hiss of the stack through the song", "As it is, and muted wherever the stems are silent.")
    for key, kind, name in keys:
        values = [_cut(value, bottom, top) for value in through_time[key]]
        drawing.line([(step_s * (place + 0.5), value) for place, value in enumerate(values)], kind, name)
    return drawing.markup()


def likeness(bands, band_hz):
    """How the returned mix goes with the stems' mix by third-octaves, as aligned and through two clicks.

    bands: of reference.json.
    """
    low, high = _around(band_hz)
    there = [band for band in bands if low <= band["nominal_hz"] <= high]
    axes = _hertz(low, high), Axis(-1.0, 1.0, (-1, -0.5, 0, 0.5, 1), "correlation, −1 to 1")
    drawing = Drawing(*axes, "Likeness to the stems' mix", "Correlation by third-octaves; the numbers stand in the table.")
    for key, kind, name in (
        ("returned-clicks_correlation", "clicks", "two clicks"),
        ("returned_correlation", "ours", "as aligned"),
    ):
        drawing.line([(band["nominal_hz"], band[key]) for band in there], kind, name)
    return drawing.markup()
