"""Where things lie in a transfer, as plain numbers: what the rules ask for before any job is planned, so that nothing heavy is
imported for it.

Conventions: times in s; a click's reference is its instant, see `clicks`.
"""

# The clicks spell a number in two hexadecimal digits.
LAST_NUMBER = 255
# From a click's reference to its sharp edge.
EDGE_AFTER_S = 0.250
# From a click's first sample to its reference at most; from its reference to the edge's last sample.
CLICK_BEFORE_S = 0.25
CLICK_AFTER_S = EDGE_AFTER_S + 0.02


def click_stem_times(stem_seconds, settings, *, send_speed=1):
    """Where the two clicks' references lie in the stem's time (s); the gaps are not sent faster, so they span more of it."""
    start_s = -(CLICK_AFTER_S + settings["gap_s"])
    return start_s * send_speed, stem_seconds + (settings["gap_s"] + CLICK_BEFORE_S) * send_speed
