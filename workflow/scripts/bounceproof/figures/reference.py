"""Figure: the returned mix held against the narrow-band reference, third-octave by third-octave, and in what it is ahead.

Conventions: third-octave levels in dBFS rms at the same gains; words ahead, level, behind as reference.json has them.
"""

import numpy as np
from matplotlib.lines import Line2D

from bounceproof.figures.style import GREEN, ORANGE, VERMILION, hertz_ticks

LOW_HZ, HIGH_HZ, REACH_DB = 45.0, 18000.0, 70.0
_ROOM_BESIDE = 50  # letters
_SIGNS = {"ahead": (GREEN, "▲"), "level": (None, "="), "behind": (VERMILION, "▼")}
_KEYS = {
    "bandwidth": "respect bandwidth",
    "balance within the band": "respect balance",
    "hiss": "respect hiss",
    "likeness to the stems' mix": "respect likeness",
    "dynamics": "respect dynamics",
    "timing between tracks": "respect timing",
}


def draw(look, song):
    """The matplotlib Figure of a Song."""
    sheet = look.sheet(look.say("reference title"), look.say("reference note"), simulated=song.simulated())
    bands = song.reference.get("bands") or []
    if not bands or not song.reference.get("tracks"):
        return sheet.nothing(look.say("no return"))
    looks = {
        "returned": {"color": look.accent, "lw": look.line(4.5), "marker": "o", "markersize": look.line(8)},
        "narrow-band": {"color": ORANGE, "lw": look.line(3), "ls": "--", "marker": "s", "markersize": look.line(6)},
        "source": {"color": look.faint, "lw": look.line(2)},
    }
    hiss = {"color": look.ink, "lw": look.line(2.2), "ls": ":"}
    handles = [Line2D([], [], label=look.say(f"{name} mix"), **style) for name, style in looks.items()]
    sheet.legend([*handles, Line2D([], [], label=look.say("hiss of the stack"), **hiss)])
    beside = sheet.wide > _ROOM_BESIDE * look.letter_px
    right = sheet.right - (18.0 * look.letter_px if beside else 0.5 * look.letter_px)
    bottom = sheet.bottom - (2.7 if beside else 16.0) * look.letter_px
    edges = (sheet.left + 4.4 * look.letter_px, sheet.top + 0.3 * look.letter_px, right, bottom)
    axes = sheet.axes(*edges, x=look.say("frequency"), y=look.say("level axis"), grid="both")
    hertz_ticks(axes, LOW_HZ, HIGH_HZ)
    axes.axvspan(*song.band_hz, color=look.faint, alpha=0.15, linewidth=0)
    for name, style in reversed(looks.items()):
        axes.plot(*_course(bands, f"{name}_dbfs"), **style)
    axes.plot(*_course(song.stack.get("bands") or [], "hiss_dbfs"), **hiss)
    top = 10 * np.ceil(max(_course(bands, f"{name}_dbfs")[1].max() for name in looks) / 10 + 0.1)
    axes.set_ylim(top - REACH_DB, top)
    respects = [one for one in song.reference.get("respects") or [] if one["what"] in _KEYS]
    if beside:
        _respects(look, sheet, edges[2] + 1.6 * look.letter_px, edges[1], respects, song)
    else:
        half = -(-len(respects) // 2)
        for left, some in ((sheet.left, respects[:half]), ((sheet.left + sheet.right) / 2, respects[half:])):
            _respects(look, sheet, left, bottom + 3.6 * look.letter_px, some, song)
    return sheet.figure


def _course(bands, key):
    rows = [(band["nominal_hz"], band[key]) for band in bands if band.get(key) is not None]
    return np.array(rows).reshape(-1, 2).T


def _respects(look, sheet, left, top, respects, song):
    """In what the returned mix is ahead of the reference, level with it, behind it: sign, word, numbers."""
    numbers = _numbers(look, song.reference)
    for one in respects:
        colour, sign = _SIGNS.get(one["word"], (None, "?"))
        sheet.text(left, top, sign, letters=1.1, color=colour or look.ink, va="top", weight="bold")
        word = f"{look.say(_KEYS[one['what']])}: {look.say(one['word'])}"
        sheet.text(left + 1.5 * look.letter_px, top, word, letters=0.85, va="top", weight="bold")
        for k, line in enumerate(numbers.get(one["what"], [])):
            place = (left + 1.5 * look.letter_px, top + (1.3 + 1.15 * k) * look.letter_px)
            sheet.text(*place, line, letters=0.8, color=look.soft, va="top")
        top += (1.9 + 1.15 * len(numbers.get(one["what"], []))) * look.letter_px


def _numbers(look, reference):
    """{respect: lines of numbers, ours first}."""
    mixes = reference["mixes"]
    ours, theirs = mixes["returned"], mixes["narrow-band"]

    def both(key, places, unit):
        if ours.get(key) is None or theirs.get(key) is None:
            return []
        return [look.say("against", ours=look.number(ours[key], places), theirs=look.number(theirs[key], places), unit=unit)]

    edges = [
        f"{look.number(mix['band_low_hz'])} – {look.number(mix['band_high_hz'])} Hz"
        for mix in (ours, theirs)
        if mix.get("band_low_hz") is not None and mix.get("band_high_hz") is not None
    ]
    lines = {
        "bandwidth": [edges[0], look.say("against it", theirs=edges[1])] if len(edges) == 2 else [],
        "likeness to the stems' mix": both("correlation_with_source", 2, look.say("correlation")),
        "dynamics": both("loudness_range_lu", 1, "LU"),
    }
    if reference.get("spectrum_rms_db") is not None:
        lines["balance within the band"] = [look.say("apart", by=look.number(reference["spectrum_rms_db"], 1))]
    if reference.get("programme_over_hiss_db") is not None:
        lines["hiss"] = [look.say("over hiss", by=look.number(reference["programme_over_hiss_db"]))]
    timing = reference.get("timing") or {}
    if timing.get("median_us") is not None:
        lines["timing between tracks"] = [look.say("us rms", value=_us(look, timing["median_us"]))]
        if timing.get("clicks_median_us") is not None:
            lines["timing between tracks"].append(look.say("with clicks", value=_us(look, timing["clicks_median_us"])))
    return lines


def _us(look, value_us):
    return (
        f"{look.number(value_us / 1000, 1)} ms"
        if value_us >= 1000
        else f"{look.number(value_us, 0 if value_us >= 100 else 1)} µs"
    )
