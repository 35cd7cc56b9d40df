"""Moving figure: two tracks drifting apart under two clicks, and the same passage with their stems followed.

Conventions: delay of the second track against the first, in ms; one passage of the song, heard twice.
"""

import matplotlib
import numpy as np

from bounceproof.figures.rows import nice
from bounceproof.figures.stage import Stage
from bounceproof.figures.style import ORANGE, RC

PASSAGE_S, PAUSE_S = 9.0, 0.8


def passage(through_time, song_s, length_s=PASSAGE_S):
    """(start, end) in s of the song: where two clicks drift furthest while both play.

    through_time: of PAIR.json, lists time_s, weight, clicks_us.
    """
    length_s = min(length_s, song_s)
    rows = zip(through_time["time_s"], through_time["weight"], through_time["clicks_us"], strict=True)
    known = np.array([row for row in rows if row[2] is not None], dtype=float).reshape(-1, 3)
    starts_s = np.arange(0.0, max(song_s - length_s, 0.0) + 0.01, 0.5)
    inside = [known[(known[:, 0] >= start_s) & (known[:, 0] < start_s + length_s)] for start_s in starts_s]
    # Few moments at which both are heard say little, however far apart they lie.
    worth = [np.sqrt(one[:, 1].sum()) * np.ptp(one[:, 2]) if len(one) else 0.0 for one in inside]
    start_s = float(starts_s[int(np.argmax(worth))])
    return start_s, start_s + length_s


def frames(look, pair, span_s, *, frames_per_s):
    """Yield pictures. pair: PAIR.json; span_s: the passage, heard by two clicks and then followed."""
    ways = (("clicks_us", "film pair clicks", ORANGE, "s--"), ("aligned_us", "film pair followed", look.accent, "o-"))
    known = {key: _known(pair["through_time"], key, span_s) for key, *_ in ways}
    reach = nice(max(0.05, 1.05 * max(np.abs(late_ms).max(initial=0.0) for _, late_ms, _ in known.values())))
    with matplotlib.rc_context(RC):
        names = f"{look.name(pair['first']['track'])} + {look.name(pair['second']['track'])}"
        sheet = look.sheet(look.say("film pair title"), names, simulated=(1, 1) if pair["simulated"] else ())
        top, bottom = sheet.top + 2.4 * look.letter_px, sheet.bottom - 2.7 * look.letter_px
        edges = (sheet.left + 4.6 * look.letter_px, top, sheet.right - 0.5 * look.letter_px, bottom)
        axes = sheet.axes(*edges, x=look.say("song time"), y=look.say("film pair axis"), grid="both")
        axes.set_xlim(*span_s)
        axes.set_ylim(-reach, reach)
        axes.axhline(0, color=look.soft, lw=look.line(2))
        moving = {"animated": True, "markersize": look.line(8)}
        curves = {key: axes.plot([], [], sign, color=colour, lw=look.line(4), **moving)[0] for key, _, colour, sign in ways}
        (cursor,) = axes.plot([], [], color=look.ink, lw=look.line(3), animated=True)
        said = sheet.text(sheet.left, sheet.top, "", letters=1.25, weight="bold", va="top", animated=True)
        stage = Stage(sheet)
    length_s = span_s[1] - span_s[0]
    for turn, (key, phrase, *_) in enumerate(ways):
        times_s, late_ms, sd_ms = known[key]
        for number in range(round((length_s + PAUSE_S) * frames_per_s)):
            now_s = span_s[0] + min(number / frames_per_s, length_s)
            heard = times_s <= now_s
            curves[key].set_data(times_s[heard], late_ms[heard])
            late, sd = (np.interp(now_s, times_s, values) if len(times_s) else 0.0 for values in (late_ms, sd_ms))
            cursor.set_data([now_s, now_s], [0.0, late])
            said.set(text=look.say(phrase, value=_apart(look, late, sd)), color=look.ink if turn else look.warn)
            yield stage.frame([*curves.values(), cursor, said])


def _known(through_time, key, span_s):
    """(times in s, delays in ms, their sd in ms) within the passage."""
    sds = through_time[key.replace("_us", "_sd_us")]
    rows = zip(through_time["time_s"], through_time[key], sds, strict=True)
    values = np.array([row for row in rows if row[1] is not None], dtype=float).reshape(-1, 3)
    values = values[(values[:, 0] >= span_s[0]) & (values[:, 0] <= span_s[1])]
    return values[:, 0], values[:, 1] / 1000.0, np.nan_to_num(values[:, 2]) / 1000.0


def _apart(look, late_ms, sd_ms):
    """A delay, or the two standard deviations that it lies within."""
    late_ms, within_ms = abs(late_ms), 2.0 * sd_ms
    if late_ms <= within_ms:
        return look.say("film within", value=_span(look, within_ms))
    return _span(look, late_ms)


def _span(look, ms):
    return f"{look.number(ms, 1)} ms" if ms >= 0.1 else f"{look.number(max(1, 1000 * ms))} µs"
