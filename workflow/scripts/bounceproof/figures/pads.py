"""A pad drawn as a circuit: resistors as boxes (IEC 60617), every part with its value.

Conventions: SVG text without dates, lines in the page's ink (`currentColor`); sizes in the drawing's own units.
"""

from html import escape

_WIDTH, _HEIGHT = 680, 250
_TOP, _BOTTOM = 70, 180
_OUT_X, _ARM_X, _SHUNT_X, _CAP_X, _IN_X = 96, 190, 320, 420, 520


def pad_drawing(pad, *, capacitor_uf, output_ohm, input_ohm, plug_in_power):
    """SVG text of a pad (the dict of a `planning.matching.Pad`) between output and microphone input."""
    parts = [
        _terminals(_OUT_X, f"output, {ohms(output_ohm)}", anchor="end"),
        _wire(_OUT_X, _TOP, _ARM_X - 34, _TOP),
        _resistor(_ARM_X, _TOP, f"R1 {ohms(pad['series_ohm'])}", upright=False),
        _wire(_ARM_X + 34, _TOP, _CAP_X - 6 if plug_in_power else _IN_X, _TOP),
        _wire(_SHUNT_X, _TOP, _SHUNT_X, (_TOP + _BOTTOM) / 2 - 34),
        _resistor(_SHUNT_X, (_TOP + _BOTTOM) / 2, f"R2 {ohms(pad['shunt_ohm'])}", upright=True),
        _wire(_SHUNT_X, (_TOP + _BOTTOM) / 2 + 34, _SHUNT_X, _BOTTOM),
        _dot(_SHUNT_X, _TOP),
        _dot(_SHUNT_X, _BOTTOM),
        _terminals(_IN_X, f"microphone jack, {ohms(input_ohm)}", anchor="start"),
        *_lower_pole(pad),
    ]
    if plug_in_power:
        parts += _capacitor(capacitor_uf)
    title = f"{pad['kind']} pad, {pad['series']}: {pad['gain_db']:.2f} dB with the input's load".replace("-", "−")
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" fill="none"'
        ' stroke="currentColor" stroke-width="2" font-family="sans-serif" font-size="15">'
    )
    return "\n".join([head, f"<title>{escape(title)}</title>", _text(12, 26, title, anchor="start"), *parts, "</svg>\n"])


def _lower_pole(pad):
    if pad["kind"] == "L":
        return [_wire(_OUT_X, _BOTTOM, _IN_X, _BOTTOM), _text(_SHUNT_X, _BOTTOM + 30, "sleeve to sleeve")]
    return [
        _wire(_OUT_X, _BOTTOM, _ARM_X - 34, _BOTTOM),
        _resistor(_ARM_X, _BOTTOM, f"R1 {ohms(pad['series_ohm'])}", upright=False),
        _wire(_ARM_X + 34, _BOTTOM, _IN_X, _BOTTOM),
        _text(_SHUNT_X, _BOTTOM + 30, "sleeve", anchor="start"),
        _text(_ARM_X, _BOTTOM + 55, "the output's own earth stays open here"),
    ]


def ohms(value):
    """A resistance as people write it: 100 Ω, 9.1 kΩ."""
    for limit, divisor, unit in ((1e6, 1e6, "MΩ"), (1e3, 1e3, "kΩ"), (0.0, 1.0, "Ω")):
        if value >= limit:
            return f"{value / divisor:.3g} {unit}"
    return f"{value:g} Ω"


def _wire(x1, y1, x2, y2):
    return f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}"/>'


def _dot(x, y):
    return f'<circle cx="{x:g}" cy="{y:g}" r="3" fill="currentColor"/>'


def _resistor(x, y, label, *, upright):
    width, height = (20, 68) if upright else (68, 20)
    box = f'<rect x="{x - width / 2:g}" y="{y - height / 2:g}" width="{width}" height="{height}"/>'
    text = _text(x + 18, y + 5, label, anchor="start") if upright else _text(x, y - 17, label)
    return box + text


def _capacitor(microfarad):
    """The plate towards the jack is the positive one: that is where plug-in power comes from."""
    left, right = _CAP_X - 6, _CAP_X + 6
    return [
        f'<path d="M{left} {_TOP - 18}V{_TOP + 18}M{right} {_TOP - 18}V{_TOP + 18}" stroke-width="3"/>',
        _wire(right, _TOP, _IN_X, _TOP),
        _text(right + 12, _TOP - 8, "+"),
        _text(_CAP_X, _TOP - 26, f"C {microfarad:g} µF"),
    ]


def _terminals(x, label, *, anchor):
    rings = "".join(f'<circle cx="{x}" cy="{y}" r="5" fill="none"/>' for y in (_TOP, _BOTTOM))
    lines = label.split(", ")
    at = x - 12 if anchor == "end" else x + 12
    words = [_text(at, (_TOP + _BOTTOM) / 2 - 4 + 18 * k, line, anchor=anchor) for k, line in enumerate(lines)]
    return rings + "".join(words)


def _text(x, y, words, *, anchor="middle"):
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="currentColor" stroke="none">{escape(words)}</text>'
