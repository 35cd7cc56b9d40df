"""Whose music is it? A capture that does not hold the stem it is filed under, compared with the session's other stems and
backwards.

Conventions: stems are (name, samples) at one rate, all from the song's start; the capture's time is its own; speed = replay
over record.
"""

from typing import NamedTuple

import numpy as np

from . import acquire, search
from .material import Return, Sent

# Of the windows that lie in the capture this share has to agree, and its evidence has to stand out from the next best stem's.
LEAST_SHARE, LEAST_LEAD = 0.3, 1.5
# Speeds searched (fraction) where no click tells.
SPEED_SEARCH = 0.018


class Identity(NamedTuple):
    """name of the stem that the capture seems to hold; backwards: it runs from its end to its start; share of windows that
    agree."""

    name: str
    backwards: bool
    share: float


def identify(capture, capture_rate_hz, stems, rate_hz, *, line=None):
    """The stem a capture seems to hold (Identity), or None. stems: (name, samples) pairs, gone through one after the other;
    the name None stands for the stem that the capture is filed under.

    line: (a, b) of return = a + b * song time where clicks tell it; else each stem is searched for in the whole capture, and
    backwards.
    """
    ways = [(False, Return(capture, capture_rate_hz))]
    ways.append((True, Return(np.ascontiguousarray(capture[::-1]), capture_rate_hz)))
    found = []
    for name, samples in stems:
        if not np.any(samples):
            continue
        heard = Sent(samples, rate_hz)
        # Only this track's own music is worth looking for backwards where nothing tells where it lies.
        for backwards, back in ways if line is not None or name is None else ways[:1]:
            evidence, share = _agreement(heard, back, None if line is None else _turned(line, back, heard) if backwards else line)
            found.append((evidence, Identity(name, backwards, share)))
    found.sort(key=lambda one: -one[0])
    if not found or found[0][1].share < LEAST_SHARE:
        return None
    rival = max((one[0] for one in found[1:] if one[1].name != found[0][1].name), default=0.0)
    return found[0][1] if found[0][0] > LEAST_LEAD * rival else None


def _turned(line, back, heard):
    """The line of a song played backwards between the places where its start and end belong, in the capture reversed."""
    a, b = line
    return back.seconds - (a + b * heard.seconds), b


def _agreement(heard, back, line):
    """(evidence, share of windows that agree) of a stem with a capture."""
    finder = acquire.Finder(heard, back)
    if line is not None:
        return search.judge(finder, *line, half_width_s=0.15)
    found = search.search_line(finder, speed_search=SPEED_SEARCH)
    return (found.evidence, found.share) if found else (0.0, 0.0)
