"""How much of a recorder's response lies before its tape, by the third harmonic, which is born on the tape.

Conventions: t(f) = response in dB against the ladder's tone: r(f) before the tape, p(f) = t(f) - r(f) behind it. The third
harmonic of f is made of what reaches the tape at f and passes what lies behind it at 3 f:

    L3(f) = r(f) - loss(h) + 20 lg h + t(3f) - r(3f) + c,   h = tape curve at the sweep's level over full plus r(f)

which near and under full is the cube law, L3(f) = 3 r(f) + t(3f) - r(3f) + c'.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.planning.level_law import cauchy_loss, loss_db, over_full_db, third_at
from bounceproof.quantities import amplitude_db, amplitude_from_db

# Bands whose third harmonic is known to within so much have a say; their neighbours err alike, so a few of them are worth one.
_MOST_SD_DB, _LEAST_SD_DB, _WORTH_ONE = 1.5, 0.3, 3.0
_FEWEST = 5
# Where the third harmonic shows nothing: half of the fall, give or take.
_SHARE, _SHARE_SIGMA = 0.5, 0.3
# Coupling stages before the tape: where they begin to take lows off, and how steeply (order 1 = 6 dB an octave).
_LOWEST_HZ, _EDGES, _ORDERS = 5.0, 60, np.array([0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0])
# What lies behind the tape may lift lows by so much, not more.
_LIFT_DB = 1.0


class Before(NamedTuple):
    """r at the frequencies of a response's known bands and its sd, in dB."""

    freq_hz: np.ndarray
    level_db: np.ndarray
    sigma_db: np.ndarray

    def at(self, freq_hz):
        """(r, its sd) at one frequency; the nearest known outside."""
        place = np.log(freq_hz)
        return tuple(float(np.interp(place, np.log(self.freq_hz), values)) for values in (self.level_db, self.sigma_db))


def before_tape(shape, responses, tone_hz):
    """The Before of a recorder.

    shape: its response as Bands, 0 dB at tone_hz; responses: {order: Bands} of the sweep that shows the third harmonic best.
    """
    known = np.isfinite(shape.level_db)
    freq_hz, total_db = shape.freq_hz[known], shape.level_db[known]
    high = freq_hz > tone_hz
    share, share_sigma = _high_share(shape, responses[3], tone_hz)
    level_db = np.where(high, share, _SHARE) * total_db
    sigma_db = np.where(high, share_sigma, _SHARE_SIGMA) * np.abs(total_db)
    lows = _lows(shape, responses, tone_hz, share)
    if lows is not None and not high.all():
        level_db[~high], sigma_db[~high] = lows.at(freq_hz[~high])
    return Before(freq_hz, level_db, sigma_db)


class _Stages(NamedTuple):
    """Tries of high passes (edge_hz, order; columns) with what each is worth (weight, sum 1); 0 dB at tone_hz."""

    edge_hz: np.ndarray
    order: np.ndarray
    tone_hz: float
    weight: np.ndarray

    def all_at(self, freq_hz):
        """r of every try at frequencies: (tries, frequencies)."""
        return self._fall(freq_hz) - self._fall(np.array([self.tone_hz]))

    def _fall(self, freq_hz):
        return -10.0 * np.log10(1.0 + (self.edge_hz / freq_hz) ** (2.0 * self.order))

    def at(self, freq_hz):
        """(r, its sd) at frequencies."""
        tries = self.all_at(freq_hz)
        mean = self.weight @ tries
        return mean, np.sqrt(self.weight @ (tries - mean) ** 2 + 0.01)


def _lows(shape, responses, tone_hz, high_share):
    """The _Stages that explain the third harmonic below the tone; None where it shows too little.

    Only their shape below where the third harmonic is lost in the hiss is carried on: a high pass falls on as it began, while a
    share of the whole fall would not (what lies behind the tape may fall much more steeply).
    """
    third = responses[3]
    here_db, thrice_db = shape.level_at(third.freq_hz), shape.level_at(3.0 * third.freq_hz)
    use = np.isfinite(third.level_db) & (third.sd_db < _MOST_SD_DB) & (third.freq_hz < 1.2 * tone_hz)
    use &= np.isfinite(here_db) & np.isfinite(thrice_db)
    tone_thrice_db = float(shape.level_at(3.0 * tone_hz))
    if use.sum() < _FEWEST or not np.isfinite(tone_thrice_db):
        return None
    freq_hz, sd_db = third.freq_hz[use], np.hypot(third.sd_db[use], _LEAST_SD_DB)

    def before_highs(at_hz, level_db):
        return np.where(at_hz > tone_hz, high_share * level_db, 0.0)

    on_tape = third_ratio(responses, tone_hz) / float(amplitude_from_db((1.0 - high_share) * tone_thrice_db))
    sweep_over_db = over_full_db(on_tape)
    edge_hz, order = np.meshgrid(np.geomspace(_LOWEST_HZ, 0.9 * tone_hz, _EDGES), _ORDERS)
    tries = _Stages(edge_hz.reshape(-1, 1), order.reshape(-1, 1), tone_hz, np.empty(0))
    here = tries.all_at(freq_hz) + before_highs(freq_hz, here_db[use])
    thrice = tries.all_at(3.0 * freq_hz) + before_highs(3.0 * freq_hz, thrice_db[use])
    bent = third_at(sweep_over_db + here)
    due = here - loss_db(bent) + amplitude_db(bent) + thrice_db[use] - thrice
    off = third.level_db[use] - due
    off -= (off / sd_db**2).sum(axis=1, keepdims=True) / np.sum(1.0 / sd_db**2)
    lows = np.isfinite(shape.level_db) & (shape.freq_hz < tone_hz)
    lifted_db = np.maximum(shape.level_db[lows] - _LIFT_DB - tries.all_at(shape.freq_hz[lows]), 0.0)
    cost = np.sum(cauchy_loss(np.square(off / sd_db)), axis=1) + np.sum(np.square(lifted_db), axis=1)
    scale = 2.0 * _WORTH_ONE * max(1.0, cost.min() / freq_hz.size)
    weight = np.exp(-(cost - cost.min()) / scale)
    return tries._replace(weight=weight / weight.sum())


def _high_share(shape, third, tone_hz):
    """(share, sd): how much of the response's fall (in dB) above the tone lies before the tape, by the cube law: with r = s t
    this is L3 - t(3f) = s (3 t(f) - t(3f)) + c, a straight line whose slope is s.
    """
    here, thrice = shape.level_at(third.freq_hz), shape.level_at(3.0 * third.freq_hz)
    use = np.isfinite(third.level_db) & (third.sd_db < _MOST_SD_DB) & np.isfinite(here) & np.isfinite(thrice)
    use &= third.freq_hz > 0.8 * tone_hz
    x, y, weight = (3.0 * here - thrice)[use], (third.level_db - thrice)[use], 1.0 / (_LEAST_SD_DB + third.sd_db[use])
    if x.size < _FEWEST or np.ptp(x) < 3.0:
        return _SHARE, _SHARE_SIGMA
    design = np.column_stack((x, np.ones(x.size))) * weight[:, None]
    solution, *_ = np.linalg.lstsq(design, y * weight, rcond=None)
    left = y * weight - design @ solution
    covariance = np.linalg.inv(design.T @ design) * max(float(left @ left) / max(x.size - 2, 1), 0.05)
    # Neighbouring bands err alike: a few of them are worth one.
    return float(np.clip(solution[0], 0.0, 1.0)), float(min(_SHARE_SIGMA, 2.0 * np.sqrt(covariance[0, 0]) + 0.03))


def third_ratio(responses, tone_hz):
    """Third harmonic of a tone (ratio) as a sweep has it."""
    return float(np.sqrt(max(responses[3].power_near(tone_hz), 0.0) / responses[1].power_near(tone_hz)))
