"""Jumps: places where a map goes on elsewhere, as no machine's speed would.

Conventions: sent time in s, changes of the map in us of return time (positive = the return lies later afterwards); an *event* is
what happened between two sent times. Method: on the coarse path, straight lines on both sides of each place that do not meet;
an event is kept where the likelihood of the path under a speed process learned beside all events misses it (as in `learn`).
"""

import itertools
from typing import NamedTuple

import numpy as np
from scipy import fft

from bounceproof.spectra import convolved

from . import abreast, acquire, learn
from .material import bin_times
from .result import Jump

# Lines on both sides: of so many windows, over so many seconds at most.
SIDE_WINDOWS, SIDE_S = 8, 2.0
# Fewer of them make no line.
LEAST_LINE = 4
LEAST_US, LEAST_SIGMAS = 1000.0, 5.0
# How much likelier (nats) the path has to be with an event than without it.
EVENT_PRICE = 12.0
TOGETHER_S = 0.45
TRUSTED = 3.0
# Standard deviation of a window with 1 nat of evidence.
SCATTER_US = 900.0
# Windows nearer to a side's line than this belong to it.
ON_LINE_US = 700.0
# A part of the path shorter than this between two events is chance.
LEAST_PART_S = 0.5
SLIP_S = 0.06
# One that moves the map by more is no slip.
MOST_SLIP_US = 5e4
# So many windows of the path see both sides of a jump.
STRADDLING = 3
# Windows that leave the line of both their sides by so much, and by so many of the sides' own rms, for less than LEAST_PART_S,
# found another period of the music.
ASTRAY_US, ASTRAY_RMS, MOST_ASTRAY = 1400.0, 4.0, 6
# Beside a longer rest (s) the machine's own speed may have taken them there.
ASTRAY_REST_S = 0.2
# Further (s) from an event they are left to what weighs all windows together.
ASTRAY_NEAR_S = 0.7
SPEED_PPM = 20000.0
# More than a slip's own slopes beside it: a speed that stays changed.
LASTING_TURN = 0.05
# How far a map may stray over a rest without having jumped.
WANDER_PPM = 4000.0
# Signals round an event that dating looks at, and by how much the path may be off there.
DATE_S, DATE_OFF_S = 0.35, 0.0015
# Where a map that is exact at a side's own may lie beyond it, and over how long that counts.
STRAYS_S, LIKE_S = (-0.0006, -0.0003, 0.0, 0.0003, 0.0006), 0.02


class Event(NamedTuple):
    """Something between sent times first_s and last_s; by_us: what it does to the map; speed_ppm: by how much the speed
    differs after.
    wide: loud music lies in it that neither side explains; sharp: whether the music is explained right up to the change."""

    first_s: float
    last_s: float
    by_us: float
    speed_ppm: float
    wide: bool = False
    sharp: bool | None = None

    @property
    def middle_s(self):
        return 0.5 * (self.first_s + self.last_s)


def events(path, loud):
    """Events of a Path, in order of time. loud: which of its windows hold music that cannot be missed."""
    trusted, t, u, sd = _trusted(path)
    if trusted.size < 2 * SIDE_WINDOWS:
        return []
    found = _apart([_event(t, u, group) for group in _grouped(_breaks(t, u, sd))])
    found = [event._replace(wide=_loud_inside(path, loud, event) > STRADDLING) for event in found]
    return _missed(path, found) if found else []


def without_strays(path, some):
    """The Path with those windows near events not heard that lie a period of the music off, between others that agree with one
    another: they may be all that there is to an event."""
    trusted, t, u, sd = _trusted(path)
    near = inside(t, [one._replace(first_s=one.first_s - ASTRAY_NEAR_S, last_s=one.last_s + ASTRAY_NEAR_S) for one in some])
    heard = path.heard.copy()
    for run in _runs_astray(t, u, sd):
        if near[run.start]:
            heard[trusted[run]] = False
    return path._replace(heard=heard)


def _trusted(path):
    """(which windows of a path are trusted, sent times s, return times us, their standard deviation us)."""
    trusted = np.flatnonzero(path.heard & (path.score > TRUSTED))
    return trusted, path.sent_s[trusted], path.return_s[trusted] * 1e6, _scatter_us(path.score[trusted])


def _runs_astray(t, u, sd):
    """The runs (slices) of windows that leave the line of both their sides; the shortest that does at each place."""
    if t.size < 2:
        return
    leaps = np.diff(u) - np.median(np.diff(u) / np.diff(t)) * np.diff(t)
    done = 0
    for first in np.flatnonzero(np.abs(leaps) > ASTRAY_US / 2) + 1:
        if first < done:
            continue
        for last in range(first + 1, min(first + MOST_ASTRAY + 1, t.size)):
            if t[last - 1] - t[first] > LEAST_PART_S:
                break
            if _all_astray(t, u, sd, slice(first, last)):
                done = last
                yield slice(first, last)
                break


def _all_astray(t, u, sd, run):
    """Whether the windows of a run all leave, to one side, the parabola through the windows on both sides of it."""
    at = 0.5 * (t[run.start] + t[run.stop - 1])
    near = np.abs(t - at) < SIDE_S
    before = np.flatnonzero(near[: run.start])[-SIDE_WINDOWS:]
    after = run.stop + np.flatnonzero(near[run.stop :])[:SIDE_WINDOWS]
    rest_s = max(t[run.start] - t[run.start - 1], t[run.stop] - t[run.stop - 1])
    if min(before.size, after.size) < SIDE_WINDOWS // 2 or rest_s > ASTRAY_REST_S:
        return False
    beside = np.concatenate((before, after))
    curve = np.polyfit(t[beside] - at, u[beside], 2, w=1 / sd[beside])
    left = u - np.polyval(curve, t - at)
    least = max(ASTRAY_US, ASTRAY_RMS * np.sqrt(np.average(left[beside] ** 2, weights=1 / sd[beside] ** 2)))
    return bool(np.all(left[run] > least) or np.all(left[run] < -least))


def _scatter_us(score):
    """Standard deviation of windows with so much evidence (nats)."""
    return SCATTER_US / np.sqrt(np.clip(score.astype(float), 1.0, 40.0))


def _breaks(t, u, sd):
    """(t before, t after, us, ppm) of each place between two windows where the lines of its two sides do not meet."""
    at = 0.5 * (t[:-1] + t[1:])
    # The windows before the place between k - 1 and k, and those after it; none beyond the ends.
    padded = [np.pad(one, SIDE_WINDOWS, constant_values=fill) for one, fill in ((t, np.inf), (u, 0.0), (1 / sd**2, 0.0))]
    runs = [np.lib.stride_tricks.sliding_window_view(one, SIDE_WINDOWS) for one in padded]
    left, right = _lines(*(one[1 : t.size] for one in runs), at), _lines(*(one[SIDE_WINDOWS + 1 : -1] for one in runs), at)
    by, turn, rest_s = right.value - left.value, right.slope - left.slope, np.diff(t)
    wander = WANDER_PPM * np.maximum(0.0, rest_s - 0.3)
    turned = (rest_s < 0.5) & (np.abs(turn) > SPEED_PPM)
    apart = np.abs(by) > np.maximum(LEAST_US, LEAST_SIGMAS * np.hypot(left.sd, right.sd) + wander)
    found = np.flatnonzero(left.known & right.known & (turned | apart))
    return [(t[k], t[k + 1], by[k], turn[k]) for k in found]


class _Lines(NamedTuple):
    """Straight lines through some windows each: value at its place, slope, standard deviation of the value, whether enough
    windows lie near it."""

    value: np.ndarray
    slope: np.ndarray
    sd: np.ndarray
    known: np.ndarray


def _lines(t, u, w, at):
    """The _Lines through the windows (rows of t, us, 1 / variance) near each place `at`."""
    t = t - at[:, None]
    near = np.abs(t) < SIDE_S
    t, w = np.where(near, t, 0.0), np.where(near, w, 0.0)
    count = np.count_nonzero(near, axis=1)
    known = count >= LEAST_LINE
    total = np.where(known, w.sum(axis=1), 1.0)
    middle = np.sum(w * t, axis=1) / total
    beside = np.where(near, t - middle[:, None], 0.0)
    spread = np.where(known, np.sum(w * beside**2, axis=1), 1.0)
    slope = np.sum(w * beside * u, axis=1) / spread
    value = np.sum(w * u, axis=1) / total - slope * middle
    left = np.sum(w * (u - value[:, None] - slope[:, None] * t) ** 2, axis=1)
    excess = np.maximum(1.0, left / np.maximum(count - 2, 1))
    return _Lines(value, slope, np.sqrt(excess * (1 / total + middle**2 / spread)), known)


def _grouped(breaks):
    """Breaks close together belong to one event."""
    groups = []
    for one in breaks:
        if groups and one[0] - groups[-1][-1][1] < TOGETHER_S:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _event(t, u, group):
    """From the last window on the line of what came before a group of breaks to the first on the line of what comes after."""
    first, last = group[0][0], group[-1][1]
    middle = 0.5 * (first + last)
    left, right = (t <= first) & (t > first - SIDE_S), (t >= last) & (t < last + SIDE_S)
    one, other = _through(t[left] - middle, u[left]), _through(t[right] - middle, u[right])
    within = np.flatnonzero((t >= first) & (t <= last))
    away = np.abs(u[within] - np.polyval(one, t[within] - middle)), np.abs(u[within] - np.polyval(other, t[within] - middle))
    start = int(np.argmax(np.append(away[0] > ON_LINE_US, True)))
    stop = within.size - int(np.argmax(np.append(away[1][::-1] > ON_LINE_US, True)))
    largest = max(group, key=lambda one: abs(one[2]))
    if not 0 < start <= stop < within.size:
        return Event(largest[0], largest[1], largest[2], other[0] - one[0])
    from_s, to_s = t[within[start - 1]], t[within[stop]]
    by = np.polyval(other, 0.5 * (from_s + to_s) - middle) - np.polyval(one, 0.5 * (from_s + to_s) - middle)
    return Event(from_s, to_s, float(by), float(other[0] - one[0]))


def _loud_inside(path, loud, event):
    return np.count_nonzero(loud & (path.sent_s > event.first_s) & (path.sent_s < event.last_s))


def _through(t, u):
    return np.polyfit(t, u, 1) if t.size > 2 else np.array([0.0, np.median(u) if u.size else 0.0])


def _apart(found):
    """Events with the parts between them that are too short to be more than chance taken into one."""
    out = []
    for event in found:
        if out and event.first_s - out[-1].last_s < LEAST_PART_S:
            before = out.pop()
            event = Event(before.first_s, event.last_s, before.by_us + event.by_us, before.speed_ppm + event.speed_ppm)
        out.append(event)
    return out


def _missed(path, found):
    """The events that the path's likelihood misses, each judged beside all the others."""
    step_s = acquire.HOP / acquire.RATE_HZ
    line = np.polyfit(path.sent_s, path.return_s, 1)
    z = (path.return_s - np.polyval(line, path.sent_s)) * 1e6
    kept = list(found)
    worth = 1 / _scatter_us(path.score) ** 2

    def evidence(some):
        info = np.where(path.heard & (path.score > TRUSTED) & ~inside(path.sent_s, some), worth, 0.0)
        return learn.Evidence(z, info, step_s, pool=1, extra=_path_extra(path.sent_s, some))

    start = learn.SpeedModel(300.0, (learn.Noise(1500.0, 2.0),))
    model = learn.climb(evidence(found), start)
    steps = learn.start_steps(model, step_s)

    def likelihoods(muted, *each):
        told = evidence(muted)
        return abreast.log_likelihoods([(told.z, told.info, steps, _path_extra(path.sent_s, some)) for some in each])

    for event in sorted(found, key=lambda one: abs(one.by_us)):
        fewer = [one for one in kept if one is not event]
        # The windows within the event stay out in both, or else they would speak for it alone.
        whole, less = likelihoods(kept, kept, fewer)
        if whole - less < EVENT_PRICE:
            kept = fewer
    return kept


def inside(times_s, some):
    """Which times lie within one of the events (bool)."""
    out = np.zeros(times_s.size, bool)
    for event in some:
        out |= (times_s > event.first_s) & (times_s < event.last_s)
    return out


def _path_extra(times_s, some):
    at = [int(np.searchsorted(times_s, event.middle_s)) for event in some]
    var = [(3 * max(abs(event.by_us), 1000.0)) ** 2 for event in some]
    faster = [(3 * abs(event.speed_ppm)) ** 2 for event in some]
    return (np.array(at), np.array(var), np.array(faster)) if some else None


def parts(path, some):
    """Index ranges (slices) of the path between events."""
    edges = [0, *(int(np.searchsorted(path.sent_s, event.middle_s)) for event in some), path.sent_s.size]
    return [slice(a, b) for a, b in itertools.pairwise(edges)]


def dated(finder, sides, event, *, exact=False):
    """The event with its instant found to some ms, by which side's map explains the music better; sides: two functions sent
    s -> return s, exact where they are known to some us.

    Left as it is where the stem is silent there.
    """
    t, stem, before, after = _around(finder, event)
    found = [_side(finder, stem, t, *one, exact=exact) for one in zip(sides, (before, after), strict=True)]
    moves, likes = [one.move for one in found], _likes(found, exact)
    if not all(np.any(like) for like in likes):
        return event
    crossing = None if event.wide else _crossing(sides, event)
    if crossing is not None:
        return event._replace(first_s=crossing - 0.004, last_s=crossing + 0.004, by_us=0.0, sharp=True)
    gain = np.concatenate(([0.0], np.cumsum(likes[0] - likes[1])))
    free = np.flatnonzero((t > event.first_s - 0.08) & (t < event.last_s + 0.08))
    # In a rest every instant is as good; the middle one is taken.
    best = free[gain[free] > gain[free].max() - 0.002 * np.sum(np.abs(likes[0][before]) + np.abs(likes[1][before]))]
    at = int(best[best.size // 2])
    by = float(sides[1](t[at : at + 1])[0] + moves[1] - sides[0](t[at : at + 1])[0] - moves[0]) * 1e6
    like, plain = np.where(np.arange(t.size) < at, *likes), before | after
    if event.wide and (abs(by) > MOST_SLIP_US or not _one_cut(like, stem, t, at, event, plain)):
        return event
    sharp = _sharp(like, stem, at, plain)
    if by > MOST_SLIP_US and not sharp:
        # The tape stood still: it ran down and up again, for longer than a slip, whether music tells of it or not.
        return event._replace(wide=True)
    if exact and sharp:
        # Where each side may stray a little, a short slip looks sharp too.
        sharp = None
    half = 0.004 if sharp else 0.5 * SLIP_S
    return event._replace(first_s=t[at] - half, last_s=t[at] + half, by_us=by, wide=False, sharp=sharp)


def _around(finder, event):
    """(sent times, the stem's analytic signal there, which of them lie before and which after an event)."""
    lo, hi = event.first_s - DATE_S, event.last_s + DATE_S
    t = lo + np.arange(max(64, int((hi - lo) * acquire.RATE_HZ))) / acquire.RATE_HZ
    places = t * acquire.RATE_HZ
    first = min(max(0, int(places[0]) - 1), finder.sent.size - 1)
    there = finder.sent[first : max(first + 1, int(places[-1]) + 2)]
    stem = _analytic(np.interp(places, first + np.arange(there.size), there, left=0, right=0))
    return t, stem, t < event.first_s - 0.03, t > event.last_s + 0.03


def gained(finder, sides, present, event, at_s):
    """How much more of the music within an event two sides explain, changed over at at_s, than one map does, as a share of
    what is usually explained; sides, present: functions sent s -> return s, exact."""
    t, stem, before, after = _around(finder, event)
    owned = (sides[0], before), (sides[1], after), (present, before | after)
    found = [_side(finder, stem, t, *one, exact=True) for one in owned]
    # The one map was followed here: it lies where it lies.
    found[2] = found[2]._replace(both=found[2].both[[STRAYS_S.index(0.0)]])
    likes = _likes(found, True)
    two, power = np.where(t < at_s, likes[0], likes[1]), np.abs(stem) ** 2
    within, plain = ~before & ~after, before | after
    usual = np.sum(two[plain]) / (np.sum(power[plain]) + 1e-30)
    return float(np.sum((two - likes[2])[within]) / (usual * np.sum(power[within]) + 1e-30))


def _one_cut(like, stem, t, at, event, plain):
    """Whether the two sides, changed over at one instant, explain the music within the event up to a slip's own length."""
    within = (t > event.first_s) & (t < event.last_s) & (np.abs(t - t[at]) > SLIP_S)
    power = np.abs(stem) ** 2
    usual = np.sum(like[plain]) / (np.sum(power[plain]) + 1e-30)
    return bool(np.sum(like[within]) >= 0.7 * usual * np.sum(power[within]))


def _crossing(sides, event):
    """Where the maps of the two sides meet, if the speed changes there and the return goes on without a break; else None."""
    if abs(event.speed_ppm) < SPEED_PPM:
        return None
    t = np.arange(event.first_s - SIDE_S / 2, event.last_s + SIDE_S / 2, 0.002)
    apart = sides[1](t) - sides[0](t)
    meets = np.flatnonzero(np.diff(np.sign(apart)) != 0)
    return float(t[meets[np.argmin(np.abs(t[meets] - event.middle_s))]]) if meets.size else None


def counts(event):
    """Whether an event, looked at closely, changes anything."""
    return event.wide or abs(event.by_us) > 0.3 * LEAST_US or abs(event.speed_ppm) > 0.5 * SPEED_PPM


class _Side(NamedTuple):
    """What a side's map makes of the music: the return lies `move` (s) later than it says; both: stem times the conjugate of
    the return (moves tried, samples); total: its sum where only this side holds."""

    move: float
    both: np.ndarray
    total: complex


def _side(finder, stem, t, side, own, *, exact):
    """A _Side, judged where only this side holds (own); exact: its map is right there, and may stray a little beyond."""
    if np.count_nonzero(own) < 400:
        return _Side(0.0, np.zeros((1, t.size)), 0.0)
    places = side(t)

    def tried(move):
        back = _analytic(convolved(finder.back.at(places + move), finder.shape))
        return stem * np.conj(back), np.sum(np.abs(back[own]) ** 2)

    if exact:
        both = np.array([tried(move)[0] for move in STRAYS_S])
        return _Side(0.0, both, np.sum(both[STRAYS_S.index(0.0), own]))
    best, found = -1.0, None
    for move in np.arange(-24, 25) * DATE_OFF_S / 24:
        both, energy = tried(move)
        total = np.sum(both[own])
        if (norm := np.abs(total) / np.sqrt(energy + 1e-30)) > best:
            best, found = norm, _Side(float(move), both[None], total)
    return found


def _likes(found, exact):
    """Likeness at each sample by each side. Of exact ones, one that is nearly silent takes the others' phase, and each takes the
    best of what was tried within LIKE_S."""
    from scipy.ndimage import uniform_filter1d

    total = np.array([one.total for one in found])
    total = total + 0.1 * total.sum() if exact else total
    turned = [np.real(one.both * np.conj(own) / (np.abs(own) + 1e-30)) for one, own in zip(found, total, strict=True)]
    if not exact:
        return [one[0] for one in turned]
    return [uniform_filter1d(one, int(LIKE_S * acquire.RATE_HZ), axis=1).max(axis=0) for one in turned]


def _analytic(samples):
    """The analytic signal (complex128): negative frequencies taken out."""
    spectrum = fft.fft(samples.astype(np.float64))
    half = samples.size // 2
    spectrum[1 : samples.size - half] *= 2
    spectrum[half + 1 :] = 0
    return fft.ifft(spectrum)


def _sharp(like, stem, at, plain):
    """Whether the music is as well explained right at the change as away from it: a cut, not a slip. None where there is none."""
    power = np.abs(stem) ** 2
    near = np.abs(np.arange(stem.size) - at) < 0.03 * acquire.RATE_HZ
    if np.mean(power[near]) < 0.02 * np.mean(power[plain]):
        return None
    usual = np.sum(like[plain]) / (np.sum(power[plain]) + 1e-30)
    return bool(np.sum(like[near]) > 0.75 * usual * np.sum(power[near]))


def extra(some, bins):
    """The events as added variance for the smoother: (bins, position variance in us^2, speed variance in ppm^2), or None."""
    at, position, faster = [], [], []
    t = bin_times(bins)
    for event in some:
        first, last = np.searchsorted(t, [event.first_s, event.last_s])
        places = np.arange(max(1, first), min(max(last, first + 1), bins - 1) + 1)
        at.append(places)
        position.append(np.full(places.size, (2 * abs(event.by_us)) ** 2 / places.size + 300.0**2))
        faster.append(np.full(places.size, (2 * abs(event.speed_ppm) + 1000.0) ** 2 / places.size))
    if not at:
        return None
    order = np.argsort(np.concatenate(at), kind="stable")
    return tuple(np.concatenate(one)[order] for one in (at, position, faster))


def told(some, u, seconds):
    """The events as Jumps, from the map found: u = return time (s) at the bins' middles."""
    t = bin_times(u.size)
    out = []
    for event in some:
        if not 0 < event.middle_s < seconds:
            continue
        left, right = (t > event.first_s - 0.3) & (t < event.first_s), (t > event.last_s) & (t < event.last_s + 0.3)
        by, turn = event.by_us, 0.0
        if np.count_nonzero(left) > 20 and np.count_nonzero(right) > 20:
            middle = event.middle_s
            one, other = np.polyfit(t[left] - middle, u[left], 1), np.polyfit(t[right] - middle, u[right], 1)
            by, turn = float(other[1] - one[1]) * 1e6, float(other[0] - one[0])
        out.append(Jump(float(event.middle_s), by, kind(event, by, turn)))
    return tuple(out)


def kind(event, by_us, turn):
    """What a jump looks like, in plain words; turn: by what the speed differs on its two sides (fraction)."""
    if max(abs(event.speed_ppm) / SPEED_PPM, abs(turn) / LASTING_TURN) > 1 and abs(by_us) < 0.2e6:
        return "change of speed"
    if event.wide or abs(by_us) > 1e5:
        return "stop" if by_us > 1e6 else "swoop"
    return {True: "capture gap", False: "slip", None: "jump"}[event.sharp]
