"""The level ride of an automatic level control: found, measured and taken out of what the stem makes expect.

Conventions: gains in dB re the loudest gain of the ride; times in s of the song; a step is a fifth of a cell (0.5 ms). The
control is thought of as a rectifier that follows the peaks of what it hears, whole as it was sent, before the machine's filters:
wanted gain = target - level, held within its range, reached with one time constant falling (attack) and another rising (release).
Steps as short as half a wave matter: between two peaks of a low note the control already lets go. Range means the range the gain
moved through while the sound stood 6 dB over the hiss.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.condition.explained import CELL_S, working_factor
from bounceproof.quantities import DB_PER_NEPER, amplitude_db, amplitude_from_db, power_db, power_from_db
from bounceproof.sliced import Sliced

LEAST_RANGE_DB = 4.0
STEPS_PER_CELL = 5
_STEPS_AT_ONCE = STEPS_PER_CELL << 14
_WINDOW_CELLS = 8
_KNOWN_SD = 0.06
# The range is that of moments whose sound has so much of the hiss's power.
_LOUD = 4.0
_FIT_S = 40.0
# What stays down for longer may be the control's own doing, not a dropout: it has to be told by the law.
_HELD_DOWN_S = 0.3
_FOLLOWS = 0.6
# Less than this of the gain's variance in a coarse law, and no finer one will follow it.
_WORTH_A_TRY = 0.3
_QUIETEST_DB = 60.0
_ATTACKS_S = (0.002, 0.03)
_RELEASES_S = (0.06, 0.25, 1.0, 4.0)
# What leaves a law's misfit its own is about one block of this length.
_BLOCK_S = 0.5
# Which moments are known is a matter of chance too: by so much of one moment's sd (tests/bench/intervals.py).
_MOMENTS_SHARE = 0.5
_NUDGE = 0.1
_MOST_STEPS, _SETTLED = 20, 1e-3


class Ride(NamedTuple):
    """What the level did. range_db, range_sigma_db: while the sound is loud; attack_s, release_s, follows (share of the
    gain's variance that the control's law explains), target_dbfs and reach_db (peak of the stem from which the control holds
    down, and by how much at most), mean_db (mean power gain over the stem's own sound, re the control's largest gain): None
    unless `found`; gain: amplitude per step, ones unless found; gain_sd: of that, relative, per step, beside its law's own error;
    law: to start from when it is measured again.
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
    gain_sd: np.ndarray
    law: "_Law | None"

    def record(self):
        """The Ride for condition.json."""
        return {key: value for key, value in self._asdict().items() if key not in ("gain", "gain_sd", "law")}


def heard_peaks_db(stem, rate_hz, explained):
    """Peak of the stem (at rate_hz, or what slices into it) per step of an Explained in dB, as the control's input heard it."""
    return _peaks_db(stem, rate_hz * explained.cell_s / STEPS_PER_CELL, len(explained.own) * STEPS_PER_CELL)


def measure_ride(explained, gain, noise, dropouts, heard_db, *, law=None):
    """The Ride of an Explained whose expected sound has `gain` (amplitude per sample, Sliced) on already.

    noise: as its noise_per_sample gives it; dropouts: as find_dropouts does; heard_db: of heard_peaks_db; law: of an earlier
    Ride, to start from.
    A control is claimed only where the gain moved through at least 4 dB (after what its own errors add) and the law of a control
    on the stem's level explains at least 60 % of its variance: a fading tape or dropouts move without that law.
    """
    seen = _seen(explained, gain, noise, dropouts)
    plain = Ride(False, *[None] * 8, np.ones(len(heard_db)), np.zeros(len(heard_db)), None)
    if seen.known.sum() < 40:
        return plain
    low, high = np.percentile(seen.gain_db[seen.known], (0.5, 99.5))
    spread_db = float(np.median(seen.sd_db[seen.known]))
    # The extremes of exact gains with errors lie about 2.6 sd outside at either end.
    range_db = float(np.sqrt(max((high - low) ** 2 - (5.2 * spread_db) ** 2, 0.0)))
    plain = plain._replace(range_db=range_db, range_sigma_db=max(spread_db, 0.3))
    if range_db < LEAST_RANGE_DB:
        return plain
    law, follows = _fitted(seen, heard_db, high - low, law)
    if follows < _FOLLOWS:
        return plain
    steps_db = _controlled(heard_db, law, seen.step_s)
    # The law's own gain has no errors at its ends, the measured one has: the onset of each note disturbs it.
    range_db = seen.range_db(steps_db)
    sigma_db = float(np.hypot(_range_sd_db(seen, heard_db, law, steps_db), _MOMENTS_SHARE * spread_db))
    mean_db = float(power_db(np.sum(seen.own * power_from_db(steps_db)) / np.sum(seen.own)))
    ride_db = steps_db - np.average(steps_db[np.repeat(seen.known, STEPS_PER_CELL)])
    times = law.attack_s, law.release_s, follows
    sure = np.zeros(len(ride_db))
    return Ride(True, range_db, sigma_db, *times, law.target_db, law.range_db, mean_db, amplitude_from_db(ride_db), sure, law)


def beside_its_law(ride, beside, explained, noise, dropouts):
    """A Ride found by its law, with what the gain does Beside it; explained, noise, dropouts: with the Ride on."""
    seen = _seen(explained, ride_samples(explained, ride), noise, dropouts)
    steps_db = amplitude_db(ride.gain) + DB_PER_NEPER * np.repeat(beside.gain_np, STEPS_PER_CELL)
    # At either end of the range the gain is as well known as the moments there are.
    known_db, sd_db = steps_db[::STEPS_PER_CELL][seen.known], DB_PER_NEPER * beside.sd_np[seen.known]
    ends = [sd_db[part].mean() for part in (known_db <= np.percentile(known_db, 1), known_db >= np.percentile(known_db, 99))]
    return ride._replace(
        range_db=seen.range_db(steps_db),
        range_sigma_db=float(np.hypot(*ends)),
        gain=amplitude_from_db(steps_db),
        gain_sd=np.repeat(beside.sd_np, STEPS_PER_CELL),
    )


def same_law(one, other):
    """Whether two laws agree within 0.1 dB and 2 %."""
    decibels, nepers = np.subtract(one[:2], other[:2]), np.log(np.divide(one[2:], other[2:]))
    return bool(np.abs(decibels).max() < 0.1 and np.abs(nepers).max() < 0.02)


def ride_samples(explained, ride):
    """The ride as amplitude per sample of the Explained, Sliced."""
    return by_samples(explained, ride.gain)


def by_samples(explained, steps):
    """Values per sample of the Explained, Sliced, from values per step."""
    frames = len(explained.aligned)
    if steps[0] == steps.min() == steps.max():
        return Sliced(frames, lambda first, last: np.full(last - first, steps[0]))
    middles = (np.arange(len(steps)) + 0.5) * explained.cell / STEPS_PER_CELL
    return Sliced(frames, lambda first, last: np.interp(np.arange(first, last), middles, steps))


def undoing_gain(stem, rate_hz, record, *, high_hz, limit_db):
    """(frames,) amplitude by which to multiply a return so that a level control's ride is taken back, at most by limit_db.

    stem: one-dimensional at rate_hz; record: `level_ride` of condition.json, its control found; high_hz: upper edge of the
    medium. The control's law runs anew over the stem's peaks; the stem's power-weighted mean gain becomes nought dB, so that the
    return's level stays what it was.
    """
    working_hz = rate_hz / working_factor(rate_hz, high_hz)
    step_s = max(1, round(CELL_S * working_hz)) / working_hz / STEPS_PER_CELL
    heard_db = _peaks_db(stem, rate_hz * step_s, int(np.ceil(len(stem) / (rate_hz * step_s))))
    law = _Law(record["target_dbfs"], record["reach_db"], record["attack_s"], record["release_s"])
    steps_db = _controlled(heard_db, law, step_s)
    back_db = np.clip(record["mean_db"] - steps_db, -limit_db, limit_db)
    middles = (np.arange(len(back_db)) + 0.5) * rate_hz * step_s
    return amplitude_from_db(np.interp(np.arange(len(stem)), middles, back_db))


class _Law(NamedTuple):
    target_db: float
    range_db: float
    attack_s: float
    release_s: float


class _Seen(NamedTuple):
    """What the return shows of the ride: gain_db and its sd sd_db per cell, of windows of 20 ms; known: where that is good; loud:
    where, besides, the sound stands 6 dB over the hiss; own: energy of the expected sound without the ride, per step, windowed:
    in each window; step_s: length of a step.
    """

    step_s: float
    own: np.ndarray
    windowed: np.ndarray
    gain_db: np.ndarray
    sd_db: np.ndarray
    known: np.ndarray
    loud: np.ndarray

    def first(self, seconds):
        """A copy that ends so long after the first known cell."""
        end = int(np.flatnonzero(self.known)[0] + seconds / self.step_s / STEPS_PER_CELL)
        own, *by_cell = self[1:]
        return _Seen(self.step_s, own[: end * STEPS_PER_CELL], *(one[:end] for one in by_cell))

    def misfit_db(self, steps_db):
        """Gain seen less that of a ride (dB per step) as windows of 20 ms show it, where known, without its mean.

        A window shows the gain of its loudest sound: just before a note the gain that the note met, not that of the rest.
        """
        ridden = _windowed(_by_cells(self.own * amplitude_from_db(steps_db)))
        shown_db = amplitude_db(ridden[self.known] / self.windowed[self.known])
        left = self.gain_db[self.known] - shown_db
        return left - left.mean()

    def range_db(self, steps_db):
        """Range that a ride moves through while the sound is loud."""
        moments = self.loud if self.loud.any() else self.known
        return float(np.ptp(np.percentile(steps_db.reshape(-1, STEPS_PER_CELL)[moments], (0.5, 99.5))))


def _seen(explained, gain, noise, dropouts):
    """The _Seen of an Explained whose expected sound has `gain` (amplitude per sample, Sliced) on."""
    cells = len(explained.own)
    bare = Sliced(
        len(explained.expected), lambda first, last: explained.expected[first:last] / np.maximum(gain[first:last], 1e-3)
    )
    own_by_step = _squares_by_step(bare, explained.cell, cells)
    cross = explained.cells(bare, explained.aligned)
    windowed = _windowed(_by_cells(own_by_step))
    constant, share = noise
    ridden = _windowed(explained.own) / (_WINDOW_CELLS * explained.cell)
    heard = windowed > 0
    own = np.where(heard, windowed, 1.0)
    seen = np.where(heard, _windowed(cross) / own, 0.0)
    sd = np.where(heard, np.sqrt(2.0 * (constant + share * ridden) / own), np.inf)
    good = seen > 0
    safe = np.where(good, seen, 1.0)
    gain_db = np.where(good, amplitude_db(safe), 0.0)
    sd_db = np.where(good, DB_PER_NEPER * sd / safe, np.inf)
    short = [one for one in dropouts if one["length_s"] < _HELD_DOWN_S]
    known = (sd_db < DB_PER_NEPER * _KNOWN_SD) & ~within(short, cells, explained.cell_s)
    loud = known & (ridden > _LOUD * constant)
    return _Seen(explained.cell_s / STEPS_PER_CELL, own_by_step, windowed, gain_db, sd_db, known, loud)


def _squares_by_step(samples, cell, cells):
    """Sum of the squares in each step of so many cells. A cell need not hold a whole number of samples per step."""
    out = np.empty(cells * STEPS_PER_CELL)
    for first in range(0, out.size, _STEPS_AT_ONCE):
        last = min(out.size, first + _STEPS_AT_ONCE)
        edges = np.round(np.arange(first, last) * cell / STEPS_PER_CELL).astype(int)
        piece = samples[edges[0] : last * cell // STEPS_PER_CELL]
        out[first:last] = np.add.reduceat(piece**2, edges - edges[0])
    return out


def _by_cells(steps):
    """Sums over the steps of each cell."""
    return steps.reshape(-1, STEPS_PER_CELL).sum(axis=1)


def _windowed(cells):
    """Sums over windows of 20 ms about each cell."""
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(cells, _WINDOW_CELLS, mode="constant") * _WINDOW_CELLS


def within(dropouts, count, cell_s):
    """Cells that a dropout reaches into."""
    out = np.zeros(count, dtype=bool)
    for one in dropouts:
        reach_s = one["length_s"] + 0.03
        out[max(0, int((one["time_s"] - reach_s) / cell_s)) : int((one["time_s"] + reach_s) / cell_s) + 1] = True
    return out


def _peaks_db(samples, step, count):
    """Peak in dB of each of `count` steps of so many samples (any number); silence lies 60 dB under the loudest."""
    edges = np.minimum(np.round(np.arange(count + 1) * step).astype(int), len(samples) - 1)
    edges[count] = len(samples)
    peaks = np.empty(count)
    for first in range(0, count, _STEPS_AT_ONCE):
        last = min(count, first + _STEPS_AT_ONCE)
        piece = np.abs(samples[edges[first] : max(edges[last], edges[last - 1] + 1)])
        peaks[first:last] = np.maximum.reduceat(piece, edges[first:last] - edges[first])
    return np.maximum(amplitude_db(np.maximum(peaks, 1e-9)), amplitude_db(max(peaks.max(), 1e-9)) - _QUIETEST_DB)


def _controlled(level_db, law, step_s):
    """The gain in dB of a control with this law; 0 is its largest. Starts where it wants to be."""
    from bounceproof.condition.compiled import reached

    wanted = np.clip(law.target_db - level_db, -law.range_db, 0.0)
    return reached(wanted, -np.expm1(-step_s / law.attack_s), -np.expm1(-step_s / law.release_s))


def _fitted(seen, heard_db, range_db, law):
    """(best _Law, share of variance explained) over the first 40 s that hold enough: from `law`, or a coarse grid in steps of a
    cell, then ever finer.
    """
    seen = seen.first(_FIT_S)
    heard_db = heard_db[: len(seen.own)]
    total = np.var(seen.gain_db[seen.known])

    def left(one):
        return np.var(seen.misfit_db(_controlled(heard_db, one, seen.step_s))) / total

    if law is None:
        by_cells_db = heard_db.reshape(-1, STEPS_PER_CELL).max(axis=1)

        def roughly_left(one):
            coarse_db = _controlled(by_cells_db, one, seen.step_s * STEPS_PER_CELL)
            return np.var(seen.misfit_db(np.repeat(coarse_db, STEPS_PER_CELL))) / total

        laws = [
            _Law(heard_db.max() - depth_db, 1.1 * range_db, attack_s, release_s)
            for depth_db in (0.5 * range_db, range_db, range_db + 8.0, range_db + 16.0)
            for attack_s in _ATTACKS_S
            for release_s in _RELEASES_S
        ]
        law = min(laws, key=roughly_left)
        if roughly_left(law) > 1.0 - _WORTH_A_TRY:
            return law, 0.0
    law, left_db = _descended(seen, heard_db, law)
    return law, float(max(0.0, 1.0 - np.var(left_db) / total))


def _descended(seen, heard_db, law):
    """(the _Law of least misfit near `law`, its misfit): damped least squares (D. Marquardt, J. SIAM 11 (1963) 431)."""
    left_db, damping = seen.misfit_db(_controlled(heard_db, law, seen.step_s)), 0.01
    slopes = _slopes(seen, _nudged(seen, heard_db, law), left_db)
    for _ in range(_MOST_STEPS):
        normal = slopes @ slopes.T
        normal += np.diag(damping * np.diag(normal) + 1e-9 * np.trace(normal) + 1e-12)
        other = _moved(law, np.linalg.solve(normal, slopes @ left_db))
        other_left_db = seen.misfit_db(_controlled(heard_db, other, seen.step_s))
        gained = np.sum(left_db**2) - np.sum(other_left_db**2)
        if gained <= 0:
            damping *= 10.0
            continue
        law, left_db, damping = other, other_left_db, damping / 5.0
        if gained < _SETTLED * np.sum(left_db**2):
            break
        slopes = _slopes(seen, _nudged(seen, heard_db, law), left_db)
    return law, left_db


def _moved(law, by):
    """The _Law moved by so many decibels and nepers, at most twice a time or 6 dB."""
    decibels, nepers = np.clip(by[:2], -6.0, 6.0), np.clip(by[2:], -np.log(2.0), np.log(2.0))
    times_s = np.maximum(np.array(law[2:]) * np.exp(nepers), 5e-4)
    return _Law(float(law[0] + decibels[0]), float(max(law[1] + decibels[1], 1.0)), *times_s.tolist())


def _nudged(seen, heard_db, law):
    """The ride (dB per step) of a law moved by a tenth of a decibel (target, range) or of a neper (attack, release): four."""
    return [_controlled(heard_db, _moved(law, _NUDGE * unit), seen.step_s) for unit in np.eye(4)]


def _slopes(seen, nudged_db, left_db):
    """(4, known cells): how far the ride shown rises for each decibel or neper of the law; nudged_db: of `_nudged`."""
    return np.array([left_db - seen.misfit_db(one) for one in nudged_db]) / _NUDGE


def _range_sd_db(seen, heard_db, law, steps_db):
    """Sd of the range of a law's ride (dB per step), from how well the law's four numbers are known.

    Method: least squares linearised about the law; the misfit hangs together in time, so its weight in each number is summed over
    blocks of 0.5 s and their scatter counts (the sandwich estimator: P. Huber, 5th Berkeley Symposium 1 (1967) 221).
    """
    left, nudged_db = seen.misfit_db(steps_db), _nudged(seen, heard_db, law)
    slopes = _slopes(seen, nudged_db, left)
    ranges = (np.array([seen.range_db(one) for one in nudged_db]) - seen.range_db(steps_db)) / _NUDGE
    starts = np.flatnonzero(np.diff(np.flatnonzero(seen.known) // round(_BLOCK_S / seen.step_s / STEPS_PER_CELL), prepend=-1))
    pulls = np.add.reduceat(slopes * left, starts, axis=1)
    inverse = np.linalg.pinv(slopes @ slopes.T, rcond=1e-6, hermitian=True)
    return float(np.sqrt(ranges @ inverse @ (pulls @ pulls.T) @ inverse @ ranges))
