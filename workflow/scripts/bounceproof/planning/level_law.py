"""What a ladder of tone steps says about level: where the tape is full, and whether a level control is at work.

Conventions: levels in dB are peaks of sines; `send_db` at the output (0 = its full scale), `out_db` in the return; a harmonic is
an amplitude ratio. Full is 3 % third harmonic (DIN 45500-4; IEC 60094-5). A tape bends like a hyperbolic tangent (our model; its
third harmonic grows as the square of the level, as any symmetrical curve's does far below full): from the third harmonic follows
how far a step lies from full, and how much of its level overload took off. What is missing beyond that, a level control took.
"""

from functools import cache
from typing import NamedTuple

import numpy as np

FULL_THIRD = 0.03
# Steps are believed up to this third harmonic, and from so many of its own standard deviations on.
_MOST_THIRD, _SEEN_SD = 0.15, 3.0
# A tape is no hyperbolic tangent: a share of the way that a step lies from full counts as doubt.
_CURVE_DOUBT = 0.04
_LEAST_DOUBT_DB = 0.15
# A level control takes at least so much off some step; less is tape, battery or dropout (our own limit).
_LEAST_CONTROL_DB = 2.0
_KNEE_DB = 1.0
# Further than this no third harmonic is carried on to full.
_FARTHEST_DB = 15.0
_LOUD_ENOUGH_SD_DB = 0.35


class Curve(NamedTuple):
    """A tanh's drive (peak of the sine at its input), loss of the fundamental in dB, third harmonic (ratio)."""

    drive: np.ndarray
    loss_db: np.ndarray
    third: np.ndarray


@cache
def tape_curve():
    """The Curve of tanh(d sin) over drives from 0.01 to 8."""
    drive = np.geomspace(0.01, 8.0, 240)
    phase = 2.0 * np.pi * np.arange(512) / 512
    spectrum = np.abs(np.fft.rfft(np.tanh(drive[:, None] * np.sin(phase)), axis=1)) / 256
    return Curve(drive, 20.0 * np.log10(drive / spectrum[:, 1]), spectrum[:, 3] / spectrum[:, 1])


def loss_db(third):
    """What overload takes off a tone whose third harmonic is `third` (scalar or array)."""
    curve = tape_curve()
    return np.interp(third, curve.third, curve.loss_db)


def over_full_db(third):
    """How far a tone's level before overload lies over that of 3 % third harmonic."""
    curve = tape_curve()
    level_db = 20.0 * np.log10(curve.drive)
    log_third = np.log(curve.third)
    full_db = np.interp(np.log(FULL_THIRD), log_third, level_db)
    low = np.log(np.maximum(third, 1e-9)) - log_third[0]
    # Below the table the square law goes on.
    return np.interp(np.log(np.maximum(third, 1e-9)), log_third, level_db) + np.minimum(low, 0.0) * 10.0 / np.log(10.0) - full_db


def level_for_third_db(third):
    """The level over full (dB, before overload) at which a tone has this third harmonic: for another limit than 3 %."""
    return float(over_full_db(third))


class Ladder(NamedTuple):
    """A ladder's steps, arrays of one length: send_db, out_db, sd_db, third (the tape's own), third_sd."""

    send_db: np.ndarray
    out_db: np.ndarray
    sd_db: np.ndarray
    third: np.ndarray
    third_sd: np.ndarray

    @property
    def heard(self):
        """Steps that stand clear of the hiss."""
        return np.isfinite(self.out_db) & (self.sd_db < _LOUD_ENOUGH_SD_DB)

    @property
    def before_overload_db(self):
        """The level in the return as it were without overload."""
        seen = self.third > _SEEN_SD * self.third_sd
        return self.out_db + loss_db(np.where(seen, self.third, 0.0))

    @property
    def straight(self):
        """Steps heard well that overload has not bent beyond what its third harmonic tells reliably."""
        return self.heard & ~((self.third > _MOST_THIRD) & (self.third > _SEEN_SD * self.third_sd))


class Control(NamedTuple):
    """An automatic level control as the ladder upwards shows it.

    found; knee_send_db: from where on it takes 1 dB or more; range_db (at least, where `at_the_top`): what it takes off at most;
    slope: dB of output per dB of input between the two; gain_db: return over send level of small signals; sigma_db.
    """

    found: bool
    knee_send_db: float | None
    range_db: float
    at_the_top: bool
    slope: float | None
    gain_db: float
    sigma_db: float


def find_control(up):
    """The Control in a Ladder upwards.

    The gain of each step is its output before overload over its input. Overload can only take what its third harmonic says,
    so a gain that falls with the level is a control's. Medians of three steps, so that one dropout makes none.
    """
    usable = up.straight
    if usable.sum() < 4:
        return Control(False, None, 0.0, False, None, np.nan, np.inf)
    send_db, gain_db = up.send_db[usable], (up.before_overload_db - up.send_db)[usable]
    calm_db = _median_of_three(gain_db)
    lost_db = np.maximum.accumulate(calm_db) - calm_db
    sigma_db = float(np.hypot(0.3, np.median(up.sd_db[usable])))
    most = int(np.argmax(lost_db))
    if lost_db[most] < max(_LEAST_CONTROL_DB, 5 * sigma_db):
        weight = 1.0 / (up.sd_db[usable] ** 2 + 0.1**2)
        return Control(False, None, 0.0, False, None, float(np.sum(weight * gain_db) / np.sum(weight)), sigma_db)
    top = int(np.argmax(calm_db[: most + 1]))
    rest_db = float(np.median(calm_db[: top + 1][-3:]))
    knee = _crossing(send_db[top:], rest_db - calm_db[top:], _KNEE_DB)
    inside = (send_db > knee + 1.0) & (send_db <= send_db[most])
    slope = float(np.polyfit(send_db[inside], (gain_db + send_db)[inside], 1)[0]) if inside.sum() >= 3 else None
    still = most >= len(send_db) - 2
    return Control(True, float(knee), float(rest_db - calm_db[most]), bool(still), slope, rest_db, sigma_db)


def _median_of_three(values):
    ends = np.concatenate((values[:1], values, values[-1:]))
    return np.median([ends[:-2], ends[1:-1], ends[2:]], axis=0)


def _crossing(places, values, level):
    """Where the values first come to a level; the first place where they begin over it."""
    over = np.flatnonzero(values >= level)
    if not over.size or over[0] == 0:
        return places[0]
    k = over[0]
    share = (level - values[k - 1]) / max(values[k] - values[k - 1], 1e-9)
    return places[k - 1] + share * (places[k] - places[k - 1])


class Full(NamedTuple):
    """Where the tape is full: level in the return before overload, the output there (maximum output level), sd in dB; whether the
    ladder came within 3 dB of it (else it is extrapolated).
    """

    before_overload_db: float
    output_db: float
    sigma_db: float
    reached: bool


def find_full(ladders, replay_sigma_db):
    """The Full of one or more Ladders (up and down), or None where no third harmonic was seen, or only one 15 dB under full.

    replay_sigma_db: doubt about how what lies behind the tape passes the third harmonic against the fundamental. The full level
    is the one whose tape curve fits the powers of all steps' third harmonics best; steps far from full count less, because a
    tape is no hyperbolic tangent, and those that do not fit at all (a dropout) hardly.
    """
    columns = []
    for one in ladders:
        use = one.straight & np.isfinite(one.third)
        columns.append(np.column_stack((one.before_overload_db, one.third, one.third_sd, one.sd_db))[use])
    level_db, third, third_sd, sd_db = np.concatenate(columns).T
    power = third * np.abs(third)
    if power.size < 3 or np.sum(power / third_sd**2) < _SEEN_SD**2 * np.sqrt(power.size):
        return None
    tries_db = np.arange(level_db.max() - 24.0, level_db.max() + 30.0, 0.05)
    cost = np.array([_misfit(full_db, level_db, power, third_sd, sd_db) for full_db in tries_db])
    best = int(np.argmin(cost))
    full_db = float(tries_db[best])
    if level_db.max() < full_db - _FARTHEST_DB:
        return None
    # Where the cost rises by one: one standard deviation; what the steps scatter more than they should widens it.
    near = tries_db[cost < cost[best] + max(1.0, cost[best] / power.size)]
    sigma_db = float(np.hypot(0.5 * (near[-1] - near[0]) + 0.05, 0.5 * replay_sigma_db))
    return Full(full_db, full_db - float(loss_db(FULL_THIRD)), sigma_db, bool(level_db.max() > full_db - 3.0))


def _misfit(full_db, level_db, power, third_sd, sd_db):
    over_db = level_db - full_db
    due = third_at(over_db) ** 2
    # A level in doubt by d dB puts the third harmonic's power off by the factor 10^(2 d / 10).
    doubt_db = np.sqrt(sd_db**2 + _LEAST_DOUBT_DB**2 + (_CURVE_DOUBT * over_db) ** 2)
    variance = 4.0 * third_sd**4 + 4.0 * due * third_sd**2 + (0.4605 * doubt_db * due) ** 2
    square = (power - due) ** 2 / variance
    return float(np.sum(cauchy_loss(square)))


def cauchy_loss(squares):
    """Cauchy's loss of squared misfits in standard deviations: what does not fit at all (a dropout) pulls no further."""
    return 9.0 * np.log1p(squares / 9.0)


def third_at(over_db):
    """The third harmonic (ratio) of a tone so far over full (before overload)."""
    curve = tape_curve()
    places_db = over_full_db(curve.third)
    below_db = np.minimum(np.asarray(over_db) - places_db[0], 0.0)
    return np.exp(np.interp(over_db, places_db, np.log(curve.third))) * 10 ** (2.0 * below_db / 20.0)


class Times(NamedTuple):
    """A control's time constants in seconds, as if its gain ran exponentially in dB, and their standard deviations."""

    attack_s: float
    attack_sigma_s: float
    release_s: float
    release_sigma_s: float


def control_times(loud_db, soft_db, step_s):
    """The Times of a level control from a tone's level in the return, one value each step_s: after it jumped up (loud_db) and
    after it dropped again (soft_db); None where the gain does not move.

    After each change of level the gain runs from one value
    to another exponentially; the time constant is that of the best line through the logarithm of what is left.
    """
    attack = _time_constant(loud_db, step_s, falling=True)
    release = _time_constant(soft_db, step_s, falling=False)
    return None if attack is None or release is None else Times(*attack, *release)


def _time_constant(level_db, step_s, *, falling):
    """(time constant, sd) by least squares over a grid of constants with start and end free; None where it does not move."""
    count = level_db.size
    t = (np.arange(count) + 0.5) * step_s
    best = None
    for constant_s in np.geomspace(0.4 * step_s, 2.0 * count * step_s, 160):
        shape = np.exp(-t / constant_s)
        design = np.column_stack((np.ones(count), shape))
        solution, *_ = np.linalg.lstsq(design, level_db, rcond=None)
        left = float(np.mean((level_db - design @ solution) ** 2))
        if best is None or left < best[0]:
            best = (left, constant_s, solution[1])
    left, constant_s, moved_db = best
    if abs(moved_db) < 1.0 or (moved_db > 0) != falling:
        return None
    # Cramer-Rao for the constant of an exponential of this height in white noise, start and end known.
    sd_s = constant_s * np.sqrt(left) / abs(moved_db) * 2.0 * np.sqrt(step_s / constant_s)
    return float(constant_s), float(max(sd_s, 0.1 * constant_s))
