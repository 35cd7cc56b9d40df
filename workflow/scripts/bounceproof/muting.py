"""When a return is muted: wherever its stem is silent.

Conventions: spans in s of the song in which the stem plays, as condition.json's `playing_s` tells them. A mute opens 30 ms before
its stem plays, holds for 100 ms after it and fades over 50 ms at either end (raised cosine in amplitude).
"""

import numpy as np

LOOK_AHEAD_S, HOLD_S, FADE_S = 0.03, 0.1, 0.05


def gate(time_s, spans):
    """The mute's gain, 0 to 1, at increasing times."""
    gain = np.zeros(len(time_s))
    for start_s, end_s in spans:
        open_s, shut_s = start_s - LOOK_AHEAD_S, end_s + HOLD_S
        first, last = np.searchsorted(time_s, (open_s - FADE_S, shut_s + FADE_S))
        ramp = np.clip(np.minimum(time_s[first:last] - open_s, shut_s - time_s[first:last]) / FADE_S + 1.0, 0.0, 1.0)
        gain[first:last] = np.maximum(gain[first:last], 0.5 - 0.5 * np.cos(np.pi * ramp))
    return gain
