"""Following a stem through its return: the plain entry.

Conventions: sent time counts from the first sample of what was sent (clicks, gaps and stem, or a stem alone), return time from
the capture's first sample; speed = replay over record; us throughout for deviations. The map's constant: a click passed
through the fitted response has its matched-filter instant where it was sent; without clicks, the whole of what was sent has.
"""

import itertools
from typing import NamedTuple

import numpy as np

from bounceproof.runs import runs
from bounceproof.timemap import TimeMap

from . import acquire, estimate, flutter, jumps, response, search, smoother, speed, spline
from .material import BIN_S, WORK_HZ, Return, Sent, bin_times
from .overlooked import needed, overlooked
from .pieces import padded
from .result import Followed

NOT_FOUND = "The music of the stem was not found in the capture."
AMBIGUOUS = "The music fits at several places equally well, and no click tells which is right."
LEAST_SHARE = 0.15
PATH_SD_US = 300.0
# Less than this in sight of the music is not enough to know it by.
LEAST_HEARD_S = 2.0
# A path that leaps by more than this from one window to the next may have landed in the wrong bar.
LEAP_S = 0.03
# A path whose speed leaves its line's by more than this (fraction) is found once more along itself.
STRAY = 0.004
# A capture in more pieces than this has lost too much to be laid.
MOST_EVENTS_PER_S = 0.5
# The music is lost where over so many seconds less than this share of what usually comes back does.
LOST_S, LOST_SHARE = 1.0, 0.15
# A map whose speed leaves the line's by more than this (fraction) is told about its slow course, with knots this far apart.
FAR, BASE_S = 0.01, 5.0
# So is it where its windows' evidence falls below this share of the usual.
LOST_SCORE = 0.15
# Chance alone gives less evidence (nats a window) than this.
LEAST_SCORE = 0.8
# A part this much (fraction) faster or slower than the rest is left on the coarse path, known to ODD_SD_US.
ODD, ODD_SD_US = 0.2, 700.0
# By how much an event may set the return back: its own length, with room for how well that is known.
BACKWARDS, BACKWARDS_US = 1.3, 1e5
# The constant of clicks that were not heard rests on the response alone. On real tape, pulses recorded beside the music lay
# this far (us) from where a response fitted to the music puts them.
UNHEARD_US = 5.0
# A map that stands still has no return for its stem (fraction of the time passing).
LEAST_ADVANCE = 0.02


def follow(sent, capture, rate_hz, guess=None, *, capture_rate_hz=None, **options):
    """Find where each moment of `sent` lies in `capture`; a Followed. Never raises for what the capture holds.

    sent: what was played (mono, 1-D, at rate_hz); capture: what came back (mono, 1-D, at capture_rate_hz, the same if None).
    guess and options: see `follow_prepared`.
    """
    return follow_prepared(Sent(sent, rate_hz), Return(capture, capture_rate_hz or rate_hz), guess, **options)


def follow_prepared(
    heard, back, guess=None, *, surest_s=(0.0,), click_spans=(), unheard=(), polarity=None, speed_search_percent=12.0
):
    """As `follow`, for signals that are prepared: heard (Sent) and back (Return) hold all that is needed of them.

    guess: TimeMap from sent time to return time, such as the straight line through two clicks, or None: found from the music.
    surest_s: the sent times about which the guess is surest: from the first the music is followed to both ends; where that
    leaps, from the others too.
    click_spans: (first, last, reference) of each click, in samples of what was sent; unheard: those of them that were looked for
    and not found, so that what lies there instead has no say; polarity: theirs in the return, 1 or -1, where it is known.
    """
    finder = acquire.Finder(heard, back)
    line, start_s, reason = _first_line(finder, guess, surest_s[0], speed_search_percent / 100)
    if line is None:
        ambiguous = reason == AMBIGUOUS
        return Followed(None, reason=reason, ambiguous=ambiguous, missing=search.missing_share(finder))
    if guess is None:
        line = _straightened(finder, line, start_s)
    path = acquire.find_path(finder, *line, acquire.Search(), start_s=start_s)
    for at_s in surest_s[1:] if guess is not None else ():
        if _leaps(path):
            far, far_s = _line_near(guess, at_s)
            other = acquire.find_path(finder, *far, acquire.Search(), start_s=far_s)
            path = acquire.from_both_ends(path, other, acquire.Search())
    course = _course(finder, path, line, heard, [tuple(np.array(span[:2]) / heard.rate_hz) for span in unheard])
    if len(course.events) > MOST_EVENTS_PER_S * heard.seconds:
        return Followed(
            None, reason=f"The capture jumps {len(course.events)} times: it is in pieces.", missing=search.missing_share(finder)
        )
    if np.mean(course.lost) > 0.25 and (missing := search.missing_share(finder)):
        return Followed(None, reason="The capture is in pieces.", missing=missing)
    if np.count_nonzero(~course.lost) * BIN_S < LEAST_HEARD_S:
        return Followed(None, reason=NOT_FOUND)
    spans = [_at_work(span, heard.rate_hz) for span in click_spans]
    told = [_at_work(span, heard.rate_hz) for span in click_spans if span not in unheard]
    anchor, anchored_by = make_anchor(heard, spans)

    def estimated(course):
        return estimate.estimate(
            heard, _masked(back, line, course), line, course.x_us, anchor, click_spans=told, polarity=polarity,
            extra=jumps.extra(course.events, heard.bins), base_us=course.base_us,
        )  # fmt: skip

    found = estimated(course)
    if more := overlooked(finder, found, course.events, course.base_us, _telling_power(finder, course, spans)):
        events, x_us = more
        course = course._replace(events=events, x_us=x_us)
        found = estimated(course)
        # One that only led to the right map is none.
        course = course._replace(events=needed(found, events, course.base_us))
    found = _with_odd_parts(_with_constant_doubt(found, anchor, anchored_by, guess is not None), course)
    return _followed(heard, back, found, anchor, anchored_by, course, finder, spans)


def _at_work(span, rate_hz):
    """(first, last) of a span in working samples."""
    return int(span[0] * WORK_HZ / rate_hz), int(span[1] * WORK_HZ / rate_hz) + 1


def _masked(back, line, course):
    """The return without what must not have a say: stretches where the music is lost, parts at quite another speed, swoops."""
    u = estimate.knots(line, course.x_us)
    swoops = jumps.inside(bin_times(u.size), [event for event in course.events if event.wide])
    return back.without([(u[a], u[b - 1]) for a, b in runs(course.lost | course.odd | swoops)])


def _with_odd_parts(found, course):
    """The estimate with the coarse map where the speed is quite another, which one response cannot serve."""
    x_us, variance = np.where(course.odd, course.x_us, found.x_us), np.where(course.odd, ODD_SD_US**2, found.variance)
    return found._replace(x_us=x_us, variance=variance)


def _with_constant_doubt(found, anchor, anchored_by, clicks_heard):
    """The estimate with what is not known of its constant where no click was heard.

    Anchored by music, it is that of this music: the response delays every frequency by another time, and a stem of another
    spectrum comes out with another constant. Clicks not heard are placed by the response, as well as that is possible.
    """
    if anchored_by == "clicks" and clicks_heard:
        return found
    doubt_us = response.in_us(anchor.dispersion(found.theta))
    if anchored_by == "clicks":
        doubt_us = min(doubt_us, UNHEARD_US)
    offset_us = float(np.hypot(found.offset_sigma_us, doubt_us))
    return found._replace(variance=found.variance + doubt_us**2, offset_sigma_us=offset_us)


def _first_line(finder, guess, surest_s, speed_search):
    """(line, sent time where it is surest, None), or (None, 0, why there is none)."""
    if guess is not None:
        return *_line_near(guess, surest_s), None
    found = search.search_line(finder, speed_search=speed_search)
    if found is None or found.share < LEAST_SHARE:
        return None, 0.0, NOT_FOUND
    if found.rival > 0.9:
        return None, 0.0, AMBIGUOUS
    return found.line, found.start_s, None


def _leaps(path):
    """Whether the path leaps anywhere."""
    steps_s = np.diff(path.return_s)
    return bool(np.any(np.abs(steps_s - np.median(steps_s)) > LEAP_S))


def _line_near(guess, surest_s):
    """((a, b) of the guess about a sent time, the sent time to start from)."""
    t = max(surest_s - 1.0, 0.0)
    b = float(guess.at(t + 1.0) - guess.at(t))
    return (float(guess.at(t)) - b * t, b), t


def _straightened(finder, line, start_s):
    """The line laid through what a first path along it found near its surest moment, twice."""
    near = acquire.Search(turns=(), factors=())
    for reach_s in (3.0, 8.0):
        path = acquire.find_path(finder, *line, near, start_s=start_s)
        good = path.heard & (path.score > 4.0) & (np.abs(path.sent_s - start_s) < reach_s)
        if np.count_nonzero(good) < 8:
            return line
        t, u = path.sent_s[good], path.return_s[good]
        for _ in range(4):
            slope, offset = np.polyfit(t, u, 1)
            left = np.abs(u - slope * t - offset)
            keep = left <= max(2.5 * np.median(left), 1e-4)
            t, u = t[keep], u[keep]
        line = (offset, slope)
    return line


class Course(NamedTuple):
    """The coarse map about the line (us per bin), the events on the way; bins where the music is lost, and that
    run at another speed; base_us: its slow course, where that leaves the line by much, else 0."""

    x_us: np.ndarray
    events: list
    lost: np.ndarray
    odd: np.ndarray
    base_us: np.ndarray


def _course(finder, path, line, heard, silent_s):
    """The coarse path as a map; where its speed strays far from the line's it is found once more along itself.

    silent_s: (from, to) in sent seconds of what did not come back at all.
    """
    t = bin_times(heard.bins)
    telling, lost, some = _telling(finder, path, silent_s)
    sides = _sides(telling, line, some)
    if some or lost.any() or _strays(path, line):
        # A tube at a wrong speed makes music look lost, or lie a cycle off: along the path itself there is no such thing.
        x_us = _along(t, sides, some)
        path = acquire.refined(finder, *line, acquire.Search(), path, lambda at: 1e-6 * np.interp(at, t, x_us))
        telling, lost, some = _telling(finder, path, silent_s)
        sides = _sides(telling, line, some)
    absolute = [lambda at, one=one: line[0] + line[1] * at + 1e-6 * one(at) for one in sides]
    dated = [jumps.dated(finder, absolute[k : k + 2], event) for k, event in enumerate(some)]
    x_us = _along(t, sides, dated)
    place = np.clip((t * acquire.RATE_HZ / acquire.HOP - 0.5).astype(int), 0, lost.size - 1)
    kept = [event for event in dated if jumps.counts(event)]
    return Course(x_us, kept, lost[place], _odd(t, 1 + 1e-6 * np.gradient(x_us, t) / line[1], kept), _base(t, x_us, dated))


def _telling(finder, path, silent_s):
    """(the Path with only the windows heard that tell where the music lies, where (windows) it is lost, events on its way)."""
    loud = finder.loud(slice(None), down=1e-2)
    lost = _lost_windows(path, loud)
    half_s = acquire.WINDOW / acquire.RATE_HZ / 2
    for first_s, last_s in silent_s:
        lost |= (path.sent_s > first_s - half_s) & (path.sent_s < last_s + half_s)
    path = path._replace(heard=path.heard & ~lost)
    if some := jumps.events(path, loud & ~lost):
        path = jumps.without_strays(path, some)
        some = jumps.events(path, loud & ~lost)
    for _ in range(4):
        poor = _poor_parts(path, loud & ~lost, some)
        if not poor.any():
            break
        lost |= poor
        path = path._replace(heard=path.heard & ~lost)
        some = jumps.events(path, loud & ~lost)
    return path, lost, some


def _base(t, x_us, some):
    """The slow course of a map whose speed leaves the line's by more than FAR, us per bin; 0 where it nowhere does."""
    reach = round(2.0 / BIN_S)
    if x_us.size <= reach or np.abs(x_us[reach:] - x_us[:-reach]).max() < 2e6 * FAR:
        return np.zeros(x_us.size)
    from scipy.interpolate import make_lsq_spline

    inner, base = ~jumps.inside(t, some), x_us.copy()
    edges = [0, *np.searchsorted(t, [event.middle_s for event in some]), t.size]
    for a, b in itertools.pairwise(edges):
        used = np.flatnonzero(inner[a:b])[::8] + a
        if used.size < 64:
            continue
        count = int((t[used[-1]] - t[used[0]]) / BASE_S)
        knots = np.linspace(t[used[0]], t[used[-1]], count + 2)
        spline = make_lsq_spline(t[used], x_us[used], np.r_[[knots[0]] * 3, knots, [knots[-1]] * 3], k=3)
        within = np.clip(t[a:b], knots[0], knots[-1])
        base[a:b] = spline(within) + spline(within, 1) * (t[a:b] - within)
    return base


def _lost_windows(path, loud):
    """Windows of the path (bool) in stretches of LOST_S whose loud windows find next to nothing of what is usual."""
    loud = loud & path.heard
    width = round(2 * LOST_S * acquire.RATE_HZ / acquire.HOP)
    count = _running(loud.astype(float), width)
    mean = _running(np.where(loud, np.clip(path.score, 0, 20), 0.0), width) / np.maximum(count, 1.0)
    enough = count >= 4
    if not enough.any():
        return np.zeros(loud.size, bool)
    usual = np.median(mean[enough])
    if usual < LEAST_SCORE:
        return np.ones(loud.size, bool)
    absent = enough & (mean < min(LEAST_SCORE, LOST_SCORE * usual))
    present = loud & ~absent & (path.score > jumps.TRUSTED)
    return _grown(absent, present) if absent.any() else absent


def _poor_parts(path, loud, some):
    """Windows (bool) of parts between events in which the music agrees so little that the event only led astray."""
    out = np.zeros(loud.size, bool)
    worth = np.clip(path.score, 0, 20)
    usual = np.mean(worth[loud]) if loud.any() else 0.0
    parts = jumps.parts(path, some)
    for part in parts if some else []:
        mine = loud[part]
        out[part] = mine.any() and np.mean(worth[part][mine]) < 0.4 * usual
    for event, left, right in zip(some, parts[:-1], parts[1:], strict=True):
        # A capture cannot run backwards: of the two sides the one with less to show for itself lies wrong.
        if event.by_us < -1e6 * (event.last_s - event.first_s) * BACKWARDS - BACKWARDS_US:
            out[min(left, right, key=lambda part: float(np.sum(worth[part][loud[part]])))] = True
    return out


def _odd(t, stretch, some):
    """Bins (bool) in parts between events whose speed differs by more than ODD from the line's."""
    edges = [0, *np.searchsorted(t, [event.middle_s for event in some]), t.size]
    parts = [(a, b) for a, b in itertools.pairwise(edges) if b > a]
    medians = np.concatenate([np.full(b - a, np.median(stretch[a:b])) for a, b in parts])
    return np.abs(medians - 1) > ODD


def _strays(path, line):
    """Whether the path's speed leaves the line's by more than STRAY anywhere for some seconds."""
    away = path.return_s - line[0] - line[1] * path.sent_s
    reach = round(2.0 / (acquire.HOP / acquire.RATE_HZ))
    return away.size > reach and np.abs(away[reach:] - away[:-reach]).max() > 2.0 * STRAY


def _sides(path, line, some):
    """The path smoothed, as one function sent s -> us about the line for each part between events."""
    step_s = acquire.HOP / acquire.RATE_HZ
    z = (path.return_s - line[0] - line[1] * path.sent_s) * 1e6
    model = speed.SpeedModel(_drift_ppm(z, step_s), (speed.Noise(3000.0, 4.0),))
    steps = speed.discretise(model, step_s, position_sd_us=3e4, mean_speed_sd_ppm=1e5)
    trust = np.where(path.heard, np.clip(path.score, 0, 10) / 10, 0.0) / PATH_SD_US**2
    trust[jumps.inside(path.sent_s, some)] = 0.0
    return [_smoothed_part(z[part], trust[part], path.sent_s[part], steps) for part in jumps.parts(path, some)]


def _drift_ppm(z, step_s):
    """How freely the speed may drift: as it does along the path, 300 ppm in a second at least."""
    reach = round(1.0 / step_s)
    if z.size < 4 * reach:
        return 300.0
    slopes = (z[reach:] - z[:-reach]) / (reach * step_s)
    return float(np.clip(1.5 * np.percentile(np.abs(slopes[reach:] - slopes[:-reach]), 90), 300.0, 30000.0))


def _smoothed_part(z, trust, sent_s, steps):
    """A function sent s -> us through a part of the path, going straight on beyond its ends."""
    base = np.median(z)
    slope = float(np.median(np.diff(z)) / (sent_s[1] - sent_s[0])) if z.size > 8 else 0.0
    base = base + slope * (sent_s - sent_s.mean())
    mean = smoother.smooth(z - base, trust, steps).mean_us + base
    if mean.size < 3:
        return lambda at: np.interp(at, sent_s, mean)
    curve = spline.through(sent_s, mean)
    ends = [(at, float(curve(at)), _end_slope(sent_s, mean, at)) for at in (sent_s[0], sent_s[-1])]

    def value(at):
        inner = curve(np.clip(at, sent_s[0], sent_s[-1]))
        (first, _, before), (last, _, after) = ends
        return inner + before * np.minimum(at - first, 0.0) + after * np.maximum(at - last, 0.0)

    return value


def _end_slope(sent_s, mean, at):
    near = np.abs(sent_s - at) < 0.4
    return float(np.polyfit(sent_s[near] - at, mean[near], 1)[0]) if np.count_nonzero(near) > 2 else 0.0


def _along(t, sides, some):
    """The sides joined: each up to the middle of a sharp event; straight across a wide one."""
    x_us = sides[0](t)
    for side, event in zip(sides[1:], some, strict=True):
        x_us = np.where(t > event.middle_s, side(t), x_us)
    for k, event in enumerate(some):
        within = (t > event.first_s) & (t < event.last_s)
        if event.last_s - event.first_s > 0.02 and within.any():
            ends = [sides[k](np.array([event.first_s]))[0], sides[k + 1](np.array([event.last_s]))[0]]
            x_us[within] = np.interp(t[within], [event.first_s, event.last_s], ends)
    return x_us


def make_anchor(heard, spans):
    """The Anchor of the clicks, or of the whole where there are none, and which of the two it is."""
    if spans:
        return response.Anchor([padded(heard.samples, *span) for span in spans]), "clicks"
    return response.Anchor(np.array_split(heard.samples, max(1, heard.samples.size // (response.Anchor.SIZE // 2)))), "music"


def _followed(heard, back, found, anchor, anchored_by, course, finder, clicks):
    t = bin_times(heard.bins)
    u = estimate.knots(found.line, found.x_us)
    known = _known(t, u, back, found, course, finder, clicks)
    sigma = np.where(known, np.sqrt(found.variance), np.inf)
    _, polarity = anchor.delay(found.theta, within=2)
    return Followed(
        time_map=_map_of(t, u, sigma, heard.seconds, found.line),
        polarity=polarity,
        offset_sigma_us=found.offset_sigma_us,
        residual_rms_us=found.doubt.residual_rms_us,
        residual_expected_us=found.doubt.expected_rms_us,
        inflation=found.doubt.inflation,
        spans=_spans(t, known),
        jumps=jumps.told(course.events, u, heard.seconds),
        flutter=flutter.of_map(
            found.line,
            found.x_us,
            found.info,
            found.model,
            inflation=found.doubt.inflation,
            known=known,
            extra=jumps.extra(course.events, heard.bins),
        ),
        response_taps=response.basis()[0] @ found.theta,
        response_first_lag=response.FIRST_LAG,
        response_hz=WORK_HZ,
        anchored_by=anchored_by,
        speed_model=found.model,
        explained=_usual_share(t, found, finder, known),
    )


def _known(t, u, back, found, course, finder, clicks):
    """Which bins are aligned (bool): inside the capture, the music there, no swoop, and no stretch of the stem that is
    missing."""
    known = (u >= 0) & (u <= back.seconds) & (np.gradient(u, t) > LEAST_ADVANCE)
    for event in course.events:
        if event.wide:
            known &= (t < event.first_s) | (t > event.last_s)
    # A click that was damaged says nothing about the music after it.
    music = _beside(t, clicks)
    return known & ~course.lost & (~_lost(t, found, finder, known & ~course.odd, music) | course.odd)


def _beside(t, clicks):
    """Which bins (bool) lie beside the clicks."""
    return np.all([np.ones(t.size, bool)] + [(t < a / WORK_HZ - 0.1) | (t > b / WORK_HZ + 0.1) for a, b in clicks], axis=0)


def _lost(t, found, finder, known, music):
    """Bins in stretches of LOST_S or longer in which nothing of loud music came back, up to the music that did.

    music: which bins (bool) are no click: clicks help to say what usually comes back, but are not missed themselves.
    """
    loud = _loud(t, finder) & known
    enough, share = _came_back(found, loud)
    if not enough.any():
        return np.zeros(t.size, bool)
    usual = np.median(share[enough])
    missed, of_music = _came_back(found, loud & music)
    absent = missed & (of_music < LOST_SHARE * usual) & (of_music < 0.25)
    present = enough & ~absent & loud
    return _grown(absent, present)


def _usual_share(t, found, finder, known):
    """The median over the music of the share that the stem explains; 0 where there is none."""
    enough, share = _came_back(found, _loud(t, finder) & known)
    return float(np.median(share[enough])) if enough.any() else 0.0


def _telling_power(finder, course, clicks):
    """The music's power in each bin; 0 where it is soft or lost, and at the clicks."""
    t = bin_times(course.x_us.size)
    told = _loud(t, finder, down=3e-3) & ~course.lost & ~course.odd & _beside(t, clicks)
    return np.where(told, finder.power[_window_of(t, finder)], 0.0)


def _window_of(t, finder):
    return np.clip((t * acquire.RATE_HZ / acquire.HOP).astype(int), 0, finder.power.size - 1)


def _loud(t, finder, *, down=1e-2):
    """Which bins (bool) hold music that cannot be missed: within `down` of the loudest's power."""
    return finder.loud(_window_of(t, finder), down=down)


def _came_back(found, loud):
    """(which bins have enough loud ones about them, share of those that the stem explains), over LOST_S."""
    width = round(LOST_S / BIN_S)
    total = [_running(np.where(loud, one, 0.0), width) for one in (found.explained, found.left_over, loud.astype(float))]
    return total[2] > 0.25 * width, total[0] / np.maximum(total[0] + total[1], 1e-30)


def _grown(absent, present):
    """Stretches of `absent` widened on both sides to the nearest bin of `present`."""
    index = np.arange(absent.size)
    before = np.maximum.accumulate(np.where(present, index, -1))
    last_absent = np.maximum.accumulate(np.where(absent, index, -2))
    after = np.minimum.accumulate(np.where(present, index, absent.size)[::-1])[::-1]
    next_absent = np.minimum.accumulate(np.where(absent, index, absent.size + 1)[::-1])[::-1]
    return (last_absent > before) | (next_absent < after) | absent


def _running(values, width):
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(values.size)
    return total[np.minimum(index + width // 2, values.size)] - total[np.maximum(index - width // 2, 0)]


def _spans(t, known):
    """(from, to) in sent seconds of the aligned stretches, those shorter than 50 ms left out."""
    pairs = [(float(t[a]) - BIN_S / 2, float(t[b - 1]) + BIN_S / 2) for a, b in runs(known)]
    return tuple((max(0.0, a), b) for a, b in pairs if b - a > 0.05)


def _map_of(t, u, sigma, seconds, line):
    """A TimeMap with knots 1 ms apart, from the bins' middles along a cubic, to both ends of what was sent; strictly
    increasing."""
    inside = (t > 1e-4) & (t < seconds - 1e-4)
    t, u, sigma = t[inside], u[inside], sigma[inside]
    t, u, sigma = _halved(t), _between(u), _halved(sigma)
    first, last = u[0] - line[1] * t[0], u[-1] + line[1] * (seconds - t[-1])
    t, u, sigma = np.r_[0.0, t, seconds], np.r_[first, u, last], np.r_[sigma[0], sigma, sigma[-1]]
    least = 1e-8 * np.arange(u.size)
    return TimeMap(t, np.maximum.accumulate(u - least) + least, sigma)


def _halved(values):
    out = np.empty(2 * values.size - 1)
    out[::2] = values
    out[1::2] = 0.5 * (values[:-1] + values[1:])
    return out


def _between(u):
    """u with the middles of a cubic through each four neighbours between them (straight at the ends)."""
    out = _halved(u)
    out[3:-3:2] = (9 * (u[1:-2] + u[2:-1]) - (u[:-3] + u[3:])) / 16
    return out
