"""The level ride of an automatic level control: found, measured and taken out of what the stem makes expect.

Conventions: gains in dB re the loudest gain of the ride; times in s of the song; a step is one cell (2.5 ms). The control is
thought of as one that follows the peak of what it hears: wanted gain = target - level, held within its range, reached with one
time constant falling (attack) and another rising (release). Range means the range the gain moved through while the stem played.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.condition.explained import CELL_S, working_factor
from bounceproof.quantities import DB_PER_NEPER, amplitude_db, amplitude_from_db, power_db, power_from_db

LEAST_RANGE_DB = 4.0
_KNOWN_SD = 0.06
_FIT_S = 40.0
_FOLLOWS = 0.6
# What the law of one attack and one release leaves of a real control's range (tests/bench/intervals.py).
_LAW_SD_DB = 1.0
_QUIETEST_DB = 60.0
_ATTACKS_S = (0.002, 0.008, 0.03, 0.1)
_RELEASES_S = (0.06, 0.25, 1.0, 4.0)


class Ride(NamedTuple):
    """What the level did. range_db, range_sigma_db: over moments that are known; attack_s, release_s, follows (share of the
    gain's variance that the control's law explains), target_dbfs and reach_db (peak of the stem from which the control holds
    down, and by how much at most), mean_db (mean power gain over the stem's own sound, re the control's largest gain): None
    unless `found`; gain: amplitude per cell, ones unless found.
    """

    found: bool
    range_db: float | None
    range_sigma_db: float | None
    attack_s: float | None
    release_s: float | None
    follows: float | None
    target_dbfs: float | None
    reach_db: float | None
    mean_db: float | None
    gain: np.ndarray

    def record(self):
        """The Ride for condition.json."""
        return {key: value for key, value in self._asdict().items() if key != "gain"}


def measure_ride(explained, noise, dropouts):
    """The Ride of an Explained; `noise` as its noise_per_sample gives it, `dropouts` as find_dropouts does.

    A control is claimed only where the gain moved through at least 4 dB (after what its own errors add) and the law of a control
    on the stem's level explains at least 60 % of its variance: a fading tape or dropouts move without that law.
    """
    count = len(explained.own)
    step_s = explained.cell_s
    gain_db, sd_db = _history(explained, noise)
    known = (sd_db < DB_PER_NEPER * _KNOWN_SD) & ~_within(dropouts, len(gain_db), step_s)
    plain = Ride(False, *[None] * 8, np.ones(count))
    if known.sum() < 40:
        return plain
    low, high = np.percentile(gain_db[known], (0.5, 99.5))
    spread_db = float(np.median(sd_db[known]))
    # The extremes of exact gains with errors lie about 2.6 sd outside at either end.
    range_db = float(np.sqrt(max((high - low) ** 2 - (5.2 * spread_db) ** 2, 0.0)))
    plain = plain._replace(range_db=range_db, range_sigma_db=max(spread_db, 0.3))
    if range_db < LEAST_RANGE_DB:
        return plain
    level_db = _heard(explained, len(gain_db))
    law, follows = _fitted(level_db, gain_db, known, step_s, high - low)
    if follows < _FOLLOWS:
        return plain
    steps_db = _controlled(level_db, law, step_s)
    # The law's own gain has no errors at its ends, the measured one has: the onset of each note disturbs it.
    range_db = float(np.ptp(np.percentile(steps_db[known], (0.5, 99.5))))
    left_db = float(np.std((gain_db - _seen(steps_db))[known]))
    plain = plain._replace(range_db=range_db, range_sigma_db=float(np.hypot(_LAW_SD_DB, 0.5 * left_db)))
    ride_db = steps_db - np.average(steps_db[known])
    mean_db = float(power_db(np.sum(explained.own * power_from_db(steps_db)) / np.sum(explained.own)))
    times = law.attack_s, law.release_s, follows
    return Ride(True, range_db, plain.range_sigma_db, *times, law.target_db, law.range_db, mean_db, amplitude_from_db(ride_db))


def ride_samples(explained, ride):
    """The ride as amplitude per sample of the Explained."""
    middles = (np.arange(len(ride.gain)) + 0.5) * explained.cell
    return np.interp(np.arange(len(explained.aligned)), middles, ride.gain)


def undoing_gain(stem, rate_hz, record, *, high_hz, limit_db):
    """(frames,) amplitude by which to multiply a return so that a level control's ride is taken back, at most by limit_db.

    stem: one-dimensional at rate_hz; record: `level_ride` of condition.json, its control found; high_hz: upper edge of the
    medium. The control's law runs anew over the stem's peaks; the stem's power-weighted mean gain becomes nought dB, so that the
    return's level stays what it was.
    """
    factor = working_factor(rate_hz, high_hz)
    heard = np.asarray(stem, dtype=np.float32)
    if factor > 1:
        from bounceproof.audio import resample

        heard = resample(heard, rate_hz, rate_hz // factor)
    cell = max(1, round(CELL_S * rate_hz / factor))
    level_db = _peaks_db(np.pad(heard, (0, -len(heard) % cell)), cell)
    law = _Law(record["target_dbfs"], record["reach_db"], record["attack_s"], record["release_s"])
    steps_db = _controlled(level_db, law, cell * factor / rate_hz)
    back_db = np.clip(record["mean_db"] - steps_db, -limit_db, limit_db)
    middles = (np.arange(len(back_db)) + 0.5) * cell * factor
    return amplitude_from_db(np.interp(np.arange(len(stem)), middles, back_db))


class _Law(NamedTuple):
    target_db: float
    range_db: float
    attack_s: float
    release_s: float


def _history(explained, noise):
    """(gain in dB, its sd in dB) per step, from windows of 20 ms."""
    from scipy.ndimage import uniform_filter1d

    constant, share = noise
    own, cross = (uniform_filter1d(part, 8, mode="constant") * 8 for part in (explained.own, explained.cross))
    variance = constant + share * own / (8 * explained.cell)
    heard = own > 0
    gain = np.where(heard, cross / np.where(heard, own, 1.0), 0.0)
    sd = np.where(heard, np.sqrt(2.0 * variance / np.where(heard, own, 1.0)), np.inf)
    good = gain > 0
    return np.where(good, amplitude_db(np.where(good, gain, 1.0)), 0.0), np.where(
        good, DB_PER_NEPER * sd / np.where(good, gain, 1.0), np.inf
    )


def _within(dropouts, count, step_s):
    """Steps that a dropout reaches into."""
    out = np.zeros(count, dtype=bool)
    for one in dropouts:
        reach_s = one["length_s"] + 0.03
        out[max(0, int((one["time_s"] - reach_s) / step_s)) : int((one["time_s"] + reach_s) / step_s) + 1] = True
    return out


def _heard(explained, steps):
    """Peak of the stem per step in dB, as the control's input heard it (before the tape's band)."""
    return _peaks_db(explained.stem[: steps * explained.cell], explained.cell)


def _peaks_db(stem, cell):
    peaks = np.abs(stem).reshape(-1, cell).max(axis=1)
    return np.maximum(amplitude_db(np.maximum(peaks, 1e-9)), amplitude_db(max(peaks.max(), 1e-9)) - _QUIETEST_DB)


def _controlled(level_db, law, step_s):
    """The gain in dB of a control with this law; 0 is its largest. Starts where it wants to be."""
    wanted = np.clip(law.target_db - level_db, -law.range_db, 0.0).tolist()
    fall, rise = -np.expm1(-step_s / law.attack_s), -np.expm1(-step_s / law.release_s)
    gain, out = wanted[0], []
    for want in wanted:
        gain += (want - gain) * (fall if want < gain else rise)
        out.append(gain)
    return np.array(out)


def _seen(steps_db):
    """A gain per step as windows of 20 ms show it."""
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(steps_db, 8)


def _fitted(level_db, gain_db, known, step_s, range_db):
    """(best _Law, share of variance explained) over the first minute that holds enough: a coarse grid, then ever finer steps."""
    first = int(np.flatnonzero(known)[0])
    last = min(len(known), first + int(_FIT_S / step_s))
    level_db, gain_db, known = level_db[:last], gain_db[:last], known[:last]
    total = np.var(gain_db[known])

    def left(law):
        error = (gain_db - _seen(_controlled(level_db, law, step_s)))[known]
        return np.var(error) / total

    top_db = level_db.max()
    laws = [
        _Law(top_db - depth_db, 1.1 * range_db, attack_s, release_s)
        for depth_db in (0.5 * range_db, range_db, range_db + 8.0, range_db + 16.0)
        for attack_s in _ATTACKS_S[:3:2]
        for release_s in _RELEASES_S
    ]
    best = min(laws, key=left)
    best, score = _polished(best, left(best), left)
    return best, float(max(0.0, 1.0 - score))


def _polished(law, score, left):
    """Coordinate by coordinate, with steps that halve."""
    move_db, factor = 4.0, 2.0
    for _ in range(5):
        for field in law._fields:
            value = getattr(law, field)
            tries = (value - move_db, value + move_db) if field.endswith("_db") else (value / factor, value * factor)
            for one in tries:
                if field.endswith("_db") or one > 5e-4:
                    other = law._replace(**{field: max(one, 1.0) if field == "range_db" else one})
                    value_left = left(other)
                    if value_left < score:
                        law, score = other, value_left
        move_db, factor = move_db / 2, factor**0.6
    return law, score
