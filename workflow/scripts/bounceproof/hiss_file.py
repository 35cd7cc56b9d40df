"""A return's hiss alone, for whatever treats noise later.

Conventions: samples at the session's rate; the capture's silences (lead-in, gaps, tail) laid end to end, longest first, faded
into each other by equal power, since one stretch of hiss knows nothing of the next.
"""

import numpy as np

from bounceproof.condition.hiss import quiet_pieces
from bounceproof.reading import read_through
from bounceproof.timemap import TimeMap

LENGTH_S = 5.0
_FADE_S = 0.02
_SHORTEST_S = 0.2


def hiss_alone(capture, capture_rate_hz, alignment, transfer, *, rate_hz):
    """Up to LENGTH_S of hiss, (frames,) float64, before level_db; fewer where the capture's silences are shorter, none without
    clicks.

    capture: the channel used; transfer: dict with gap_s and tail_s.
    """
    clicks = alignment.get("start_click_return_s"), alignment.get("end_click_return_s")
    speed = 1.0 + (alignment.get("speed_percent") or 0.0) / 100.0
    out = np.zeros(0)
    spans = quiet_pieces(*clicks, len(capture) / capture_rate_hz, speed, transfer)
    for start_s, end_s in sorted(spans, key=lambda span: span[0] - span[1]):
        count = int((end_s - start_s) * speed * rate_hz)
        if count < _SHORTEST_S * rate_hz:
            continue
        line = TimeMap.straight(start_s, speed, count / rate_hz)
        piece = read_through(np.asarray(capture), capture_rate_hz, line, start_s=0.0, count=count, rate_hz=rate_hz)
        out = _joined(out, piece - piece.mean(), round(_FADE_S * rate_hz))
        if len(out) >= LENGTH_S * rate_hz:
            break
    return out[: int(LENGTH_S * rate_hz)]


def _joined(first, second, fade):
    if not len(first):
        return np.asarray(second, dtype=float)
    rise = np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / fade)
    middle = first[-fade:] * rise[::-1] + second[:fade] * rise
    return np.concatenate((first[:-fade], middle, second[fade:]))
