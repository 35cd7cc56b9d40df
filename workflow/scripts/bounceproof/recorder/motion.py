"""How the tape moves under the heads while recording and while replaying.

Conventions: time in seconds, speed as a ratio to nominal (1 = nominal), tape position in seconds of nominal tape. Times of
the record pass count from the first sample sent (`sent_s`), times of the replay pass from pressing play (`play_s`, when the
place recorded at sent_s = 0 passes the head), times in the captured file from its first sample (`capture_s`, by the rate in
its own header). Speed errors are positive when the tape runs fast; percentages of lines are peak, of noise rms.

A pass is defined by samples of its speed every 0.25 ms and a spline through them; its position is that spline's exact
antiderivative. The map from play to sent time is exact at knots 0.25 ms apart, with exact slopes, and cubic in between
(remaining error of a 0.1 % line at 100 Hz: 3e-12 s). A tape that stands still creeps by one part in 100 000, so that the map
stays strictly increasing.
"""

import math
import zlib
from dataclasses import dataclass

import numpy as np

from bounceproof.filters import edges_response, filtered

KNOT_S = 0.25e-3
CREEP = 1e-5
_DRIFT_KNOT_S = 0.02
_NEWTON_STEPS = 5


def stream(seed, name):
    """A random generator of its own for one effect, so that switching another on or off changes nothing here."""
    return np.random.default_rng([int(seed), zlib.crc32(name.encode())])


def _drift(settings, times_s, generator):
    from scipy.interpolate import CubicSpline

    steps = int(times_s[-1] / _DRIFT_KNOT_S) + 8
    walk = np.cumsum(generator.standard_normal(steps)) * math.sqrt(_DRIFT_KNOT_S / 60.0)
    return settings["drift_percent"] / 100.0 * CubicSpline(np.arange(steps) * _DRIFT_KNOT_S, walk)(times_s)


def _random_speed(settings, count, generator):
    def smooth(samples):
        corner_hz, rate_hz = settings["random_corner_hz"], 1.0 / KNOT_S
        return filtered(samples, lambda freq_hz: edges_response(freq_hz, rate_hz, high_hz=corner_hz, order=2), rate_hz)

    settle = int(0.5 / KNOT_S)
    impulse = np.zeros(settle)
    impulse[0] = 1.0
    scale = 1.0 / np.sqrt(np.sum(smooth(impulse) ** 2))
    noise = smooth(generator.standard_normal(count + settle))[settle:]
    return settings["random_percent"] / 100.0 * scale * noise


def _lines(settings, times_s, generator):
    speed = np.zeros_like(times_s)
    for line in settings["lines"]:
        drawn = generator.uniform(0.0, 2.0 * math.pi)
        phase = math.radians(line["phase_deg"]) if "phase_deg" in line else drawn
        speed += line["percent"] / 100.0 * np.sin(2.0 * math.pi * line["rate_hz"] * times_s + phase)
    return speed


def _ramp(times_s, start_s, within_s):
    """0 before `start_s`, 1 after `start_s + within_s`, a raised cosine between."""
    return 0.5 - 0.5 * np.cos(math.pi * np.clip((times_s - start_s) / within_s, 0.0, 1.0))


def _slips(settings, times_s):
    speed = np.zeros_like(times_s)
    for slip in settings["slips"]:
        within_s = slip["within_ms"] / 1000.0
        inside = np.clip((times_s - slip["time_s"]) / within_s, 0.0, 1.0)
        speed += slip["slip_ms"] / 1000.0 / within_s * (1.0 - np.cos(2.0 * math.pi * inside))
    return speed


def _running(settings, times_s):
    """1 where the tape runs, 0 where it stands."""
    running = np.ones_like(times_s)
    for stop in settings["stops"]:
        within_s = stop["within_ms"] / 1000.0
        halted = _ramp(times_s, stop["time_s"], within_s)
        if stop["restart_s"] is not None:
            halted = halted - _ramp(times_s, stop["restart_s"], within_s)
        running = np.minimum(running, 1.0 - halted)
    return running


def _swoop(settings, times_s):
    swoop = settings["swoop"]
    if swoop is None:
        return np.ones_like(times_s)
    return 1.0 + swoop["from_percent"] / 100.0 * np.exp(-times_s / (swoop["settles_ms"] / 1000.0))


def _switched(settings, times_s):
    ratio = np.ones_like(times_s)
    for switch in settings["switches"]:
        ratio *= 1.0 + (switch["ratio"] - 1.0) * _ramp(times_s, switch["time_s"], switch["within_ms"] / 1000.0)
    return ratio


def speed_at_knots(settings, count, *, seed, name):
    """Speed ratio of one pass every `KNOT_S` from its time 0.

    Parameters: `settings` of the pass as in `presets.PASS`; `count` knots; `seed`, and the `name` of the pass, which keep
    its random streams apart. Returns float64 (count,), at least `CREEP`.
    """
    times_s = np.arange(count) * KNOT_S
    deviation = settings["speed_percent"] / 100.0 + _lines(settings, times_s, stream(seed, f"{name} lines"))
    if settings["drift_percent"]:
        deviation += _drift(settings, times_s, stream(seed, f"{name} drift"))
    if settings["random_percent"]:
        deviation += _random_speed(settings, count, stream(seed, f"{name} random"))
    speed = (1.0 + deviation) * _switched(settings, times_s) * _swoop(settings, times_s) + _slips(settings, times_s)
    return np.maximum(speed * _running(settings, times_s), CREEP)


class TapePass:
    """Position of the tape during one pass: `position(time_s)` and `speed(time_s)`, straight on outside 0..end_s."""

    def __init__(self, settings, duration_s, *, seed, name):
        from scipy.interpolate import CubicSpline, PchipInterpolator

        count = max(8, math.ceil(duration_s / KNOT_S) + 2)
        self.speed_knots = speed_at_knots(settings, count, seed=seed, name=name)
        self.times_s = np.arange(count) * KNOT_S
        # A cubic spline overshoots at a stop and would run the tape backwards there; the monotone one cannot.
        spline = PchipInterpolator if settings["stops"] else CubicSpline
        self._speed = spline(self.times_s, self.speed_knots)
        self._position = self._speed.antiderivative()
        self.end_s = self.times_s[-1]
        self.position_knots = self._position(self.times_s)

    def speed(self, time_s):
        return self._speed(np.clip(time_s, 0.0, self.end_s))

    def position(self, time_s):
        inside = np.clip(time_s, 0.0, self.end_s)
        return self._position(inside) + (time_s - inside) * self.speed(time_s)

    def time_at(self, position):
        """Inverse of `position`, by Newton's method kept inside the knots' interval."""
        position = np.asarray(position, float)
        time_s = np.interp(position, self.position_knots, self.times_s)
        cell = np.clip(np.searchsorted(self.position_knots, position, side="right") - 1, 0, self.times_s.size - 2)
        low_s, high_s = self.times_s[cell], self.times_s[cell + 1]
        for _ in range(_NEWTON_STEPS):
            time_s = np.clip(time_s - (self._position(time_s) - position) / self._speed(time_s), low_s, high_s)
        before = np.minimum(position - self.position_knots[0], 0.0) / self.speed_knots[0]
        after = np.maximum(position - self.position_knots[-1], 0.0) / self.speed_knots[-1]
        return time_s + before + after


def _replay_pass(settings, end_position, *, seed):
    """The replay pass, long enough to reach `end_position`, or until 2 s after the tape stops for good."""
    finals = [stop["time_s"] for stop in settings["stops"] if stop["restart_s"] is None]
    if finals:
        return TapePass(settings, min(finals) + 2.0, seed=seed, name="replay")
    waits_s = sum(stop["restart_s"] - stop["time_s"] for stop in settings["stops"])
    duration_s = 1.1 * end_position / max(0.1, 1.0 + settings["speed_percent"] / 100.0) + waits_s + 1.0
    replay = TapePass(settings, duration_s, seed=seed, name="replay")
    while replay.position_knots[-1] < end_position:
        duration_s *= 1.6
        replay = TapePass(settings, duration_s, seed=seed, name="replay")
    return replay


def _limited_slopes(times_s, values, slopes):
    """Slopes no steeper than three times the flatter neighbouring secant, which keeps the cubic monotone.

    Source: Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238. Only ever active where a tape starts or stops.
    """
    secants = np.diff(values) / np.diff(times_s)
    flattest = np.minimum(np.concatenate((secants[:1], secants)), np.concatenate((secants, secants[-1:])))
    return np.minimum(slopes, 3.0 * flattest)


@dataclass(frozen=True)
class TapeMotion:
    """Both passes together: where each moment sent lies in the capture.

    `play_s`, `sent_s`: the exact knots, strictly increasing, about 0.25 ms apart in play time; `pre_roll_s` of capture before
    play; `clock` = 1 + clock error of the capture (positive: its converter runs fast and the capture counts long);
    `heard_until_sent_s`: later moments never reach the capture (a tape that stopped for good).
    """

    play_s: np.ndarray
    sent_s: np.ndarray
    slopes: np.ndarray
    pre_roll_s: float
    clock: float
    heard_until_sent_s: float

    def play_at_capture(self, capture_s):
        return np.asarray(capture_s, float) / self.clock - self.pre_roll_s

    def capture_at_play(self, play_s):
        return (np.asarray(play_s, float) + self.pre_roll_s) * self.clock

    def _cubic(self):
        from scipy.interpolate import CubicHermiteSpline

        return CubicHermiteSpline(self.play_s, self.sent_s, self.slopes)

    def sent_at_play(self, play_s):
        return self._cubic()(play_s)

    def sent_at(self, capture_s):
        """Moment sent (s) that is heard at `capture_s`."""
        return self.sent_at_play(self.play_at_capture(capture_s))

    def capture_at(self, sent_s):
        """Where in the capture (s) the moment `sent_s` is heard; not a number after `heard_until_sent_s`."""
        wanted = np.asarray(sent_s, float)
        cubic = self._cubic()
        slope = cubic.derivative()
        cell = np.clip(np.searchsorted(self.sent_s, wanted, side="right") - 1, 0, self.sent_s.size - 2)
        low_s, high_s = self.play_s[cell], self.play_s[cell + 1]
        play_s = np.interp(wanted, self.sent_s, self.play_s)
        for _ in range(_NEWTON_STEPS):
            play_s = np.clip(play_s - (cubic(play_s) - wanted) / np.maximum(slope(play_s), 1e-3), low_s, high_s)
        return np.where(wanted <= self.heard_until_sent_s, self.capture_at_play(play_s), np.nan)

    @property
    def identical(self):
        """Whether the tape does nothing to time but delay it by the pre-roll."""
        return self.clock == 1.0 and bool(np.all(self.slopes == 1.0))


def tape_motion(record, replay, sent_duration_s, *, seed, pre_roll_s=0.0, clock_error_ppm=0.0, margin_s=2.0):
    """Motion of both passes over a file of `sent_duration_s`.

    Parameters: `record` and `replay` settings as in `presets.PASS`; `seed`; `pre_roll_s`; `clock_error_ppm` of the capturing
    converter; `margin_s` by which the map goes straight on at both ends. Returns a `TapeMotion`.
    """
    recorded = TapePass(record, sent_duration_s, seed=seed, name="record")
    end_position = float(recorded.position(sent_duration_s))
    replayed = _replay_pass(replay, end_position, seed=seed)
    reached = int(np.searchsorted(replayed.position_knots, end_position)) + 1
    count = min(reached + 1, replayed.times_s.size)
    play_s = replayed.times_s[:count]
    sent_s = recorded.time_at(replayed.position_knots[:count])
    slopes = _limited_slopes(play_s, sent_s, replayed.speed_knots[:count] / recorded.speed(sent_s))
    heard_s = min([sent_duration_s, float(sent_s[-1])] + [s["time_s"] for s in record["stops"] if s["restart_s"] is None])
    play_s, sent_s, slopes = _straight_on(play_s, sent_s, slopes, pre_roll_s + margin_s)
    return TapeMotion(play_s, sent_s, slopes, pre_roll_s, 1.0 + clock_error_ppm * 1e-6, heard_s)


def _straight_on(play_s, sent_s, slopes, margin_s):
    """One more knot before and after, so that the map goes straight on at the speed it has at its ends."""
    before = (play_s[0] - margin_s, sent_s[0] - margin_s * slopes[0], slopes[0])
    after = (play_s[-1] + margin_s, sent_s[-1] + margin_s * slopes[-1], slopes[-1])
    columns = zip(before, (play_s, sent_s, slopes), after, strict=True)
    return tuple(np.concatenate(([first], middle, [last])) for first, middle, last in columns)
