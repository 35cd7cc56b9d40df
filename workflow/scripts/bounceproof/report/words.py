"""Numbers as people read them.

Conventions: what is not known reads "–"; a minus is a true minus sign; the unit stands in the column's head or is part of the
text.
"""

import math

NONE = "–"


def known(value):
    """Whether there is a finite number to show."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def fixed(value, places=1, *, sign=False):
    """A number with so many decimals, or a dash."""
    if not known(value):
        return NONE
    text = f"{value:+.{places}f}" if sign else f"{value:.{places}f}"
    if float(text) == 0:
        text = text.replace("-", "").replace("+", "")
    return text.replace("-", "−")


def reached(value):
    """The whole number that a value reaches: 9.6 has not reached 10."""
    return fixed(math.floor(value), 0) if known(value) else NONE


def signed(value, places=1):
    """A number with its sign."""
    return fixed(value, places, sign=True)


def spread(value, sd, places=1, *, sign=False):
    """A number with its 95 % interval, value ± 1.96 sd; without sd the number alone."""
    text = fixed(value, places, sign=sign)
    return f"{text} ± {fixed(1.96 * sd, places)}" if text != NONE and known(sd) else text


def short(value):
    """A number beside an axis: −10, 500, 6.3k."""
    text = f"{value / 1000:g}k" if abs(value) >= 1000 else f"{value:g}"
    return text.replace("-", "−")


def counted(count, what):
    """How many there are of something: 1 track, 2 tracks."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def hertz(value):
    """A frequency with its unit."""
    if not known(value):
        return NONE
    if value >= 1000:
        return f"{value / 1000:.3g} kHz"
    return f"{value:.3g} Hz"


def microseconds(value):
    """A time of microseconds with a unit that reads well."""
    if not known(value):
        return NONE
    size = abs(value)
    if size >= 1e6:
        return f"{fixed(value / 1e6, 2)} s"
    if size >= 1000:
        return f"{fixed(value / 1000, 1)} ms"
    return f"{fixed(value, 0 if size >= 10 else 1 if size >= 1 else 2)} µs"


def clock(seconds):
    """Minutes and seconds, 3:05."""
    if not known(seconds):
        return NONE
    whole = math.floor(seconds + 0.5)
    return f"{whole // 60}:{whole % 60:02d}"


def minutes(seconds):
    """Minutes and seconds in words, 3 min 05 s."""
    return f"{clock(seconds).replace(':', ' min ')} s" if known(seconds) else NONE


def text(value):
    """Text, or a dash for nothing."""
    return str(value) if value not in (None, "") else NONE


FILTERS = {
    "fixed": fixed,
    "reached": reached,
    "signed": signed,
    "spread": spread,
    "counted": counted,
    "hertz": hertz,
    "microseconds": microseconds,
    "clock": clock,
    "minutes": minutes,
    "dash": text,
}
