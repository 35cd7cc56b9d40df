"""A return's level against its stem through time, and whether its highs fade.

Conventions: as in `explained`; gains in dB re the return's own mean gain; times in s of the song. The highs are the upper octave
of the medium's band, held against the octave two below it, so that a level that rides is not taken for a tone that fades.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition.explained import fitted_taps, through
from bounceproof.quantities import DB_PER_NEPER, amplitude_db, amplitude_from_db, power_db, third_octave_bands
from bounceproof.sliced import Sliced
from bounceproof.trends import straight_trend

STEP_S = 1.0
_KNOWN_SD = 0.1
_FEWEST_STEPS = 10
_LEAST_SD_DB = 0.01
_MOST_FITS = 4
_STAYS_SD = 0.1
# A response that is a little wrong moves the gain with each note's spectrum (trials on the simulated recorder).
_RESPONSE_SD_DB = 0.2


def level_history(explained, noise):
    """dict of step_s and, a value a step: signal_dbfs (of what the stem explains), gain_db and its sd gain_sigma_db; None where
    the stem says nothing.

    explained: without any ride; noise: its noise_per_sample. The gain of a step is that of least squares.
    """
    cells = max(1, round(STEP_S / explained.cell_s))
    own, cross = (_summed(part, cells) for part in (explained.own, explained.cross))
    samples = _summed(np.full(len(explained.own), float(explained.cell)), cells)
    heard = own > 0
    safe = np.where(heard, own, 1.0)
    gain = np.where(heard, cross / safe, 0.0)
    # Squared misfit of neighbouring samples hangs together, as in `dropouts`.
    variance = 2.0 * (noise[0] + noise[1] * own / samples) / safe
    told = heard & (gain > 0) & (np.sqrt(variance) < _KNOWN_SD * np.maximum(gain, 1e-9))
    safe_gain = np.where(told, gain, 1.0)
    return {
        "step_s": STEP_S,
        "signal_dbfs": _where(heard & (gain > 0), power_db(np.maximum(gain, 1e-9) ** 2 * safe / samples)),
        "gain_db": _where(told, amplitude_db(safe_gain)),
        "gain_sigma_db": _where(told, np.hypot(_RESPONSE_SD_DB, DB_PER_NEPER * np.sqrt(variance) / safe_gain)),
    }


def _summed(values, cells):
    return np.add.reduceat(values, np.arange(0, len(values), cells))


def _where(mask, values):
    return [float(value) if take else None for take, value in zip(mask, values, strict=True)]


def highs(explained, band_hz):
    """How the highs fare: dict of from_hz, to_hz, against_from_hz, against_to_hz, step_s, change_db (a value a step, re the
    mean; None where not known) with its sd sigma_db, fade_db (over the whole song, < 0 falls) with its sd fade_sigma_db; None
    where they cannot be told.

    explained: with the ride on. Per third-octave and segment the return is set against the expected sound; sizes are added, not
    complex values, so that a remaining timing error does not pass for fading.
    """
    top_hz = min(band_hz[1], 0.42 * explained.rate_hz)
    low_hz = max(band_hz[0], top_hz / 8)
    if top_hz < 4 * low_hz:
        return None
    spans = {"high": (top_hz / 2, top_hz), "middle": (low_hz, 2 * low_hz)}
    segment = spectra.segment_samples(explained.rate_hz)
    per_step = max(2, round(STEP_S * explained.rate_hz / (segment / 2)))
    steps = len(explained.expected) / (per_step * segment / 2)
    middle, high = _gains(explained.expected, explained.aligned, explained.rate_hz, (spans["middle"], spans["high"]), per_step)

    def fall_with(fade_db):
        ((gain, sd, places),) = _gains(*_without(explained, fade_db), explained.rate_hz, (spans["high"],), per_step)
        by = amplitude_from_db(fade_db * places / steps)
        return _fall(middle, (by * gain, by * sd, places), steps)

    fall = _fall(middle, high, steps)
    if fall is None:
        return None
    if abs(fall.fade_db) > fall.fade_sigma_db:
        fall = _followed(fall, fall_with)
    return {
        "from_hz": spans["high"][0],
        "to_hz": spans["high"][1],
        "against_from_hz": spans["middle"][0],
        "against_to_hz": spans["middle"][1],
        "step_s": per_step * segment / 2 / explained.rate_hz,
        "change_db": _where(fall.known, fall.change_db),
        "sigma_db": _where(fall.known, fall.sd_db),
        "fade_db": fall.fade_db,
        "fade_sigma_db": fall.fade_sigma_db,
    }


class _Fall(NamedTuple):
    """known, change_db, sd_db: per step; fade_db, fade_sigma_db: of a straight line through them, over the whole song."""

    known: np.ndarray
    change_db: np.ndarray
    sd_db: np.ndarray
    fade_db: float
    fade_sigma_db: float


def _followed(first, fall_with):
    """The _Fall with the response fitted again, the fall found before taken out, until it stays; fall_with(fade_db): a _Fall.

    What each fit leaves of the fall to the response, the next one finds; and of the noise it finds as much more.
    """
    fall = first
    for _ in range(_MOST_FITS):
        again = fall_with(fall.fade_db)
        if again is None:
            break
        moved_db, fall = abs(again.fade_db - fall.fade_db), again
        if moved_db < _STAYS_SD * fall.fade_sigma_db:
            break
    return fall._replace(fade_sigma_db=fall.fade_sigma_db * max(1.0, fall.fade_db / first.fade_db))


def _fall(middle, high, steps):
    """The _Fall of (gain, its sd, place) per step of the highs against those of the middle, over so many steps; None where too
    few are known.
    """
    known = np.all([sd < _KNOWN_SD * gain for gain, sd, _ in (middle, high)], axis=0)
    if known.sum() < _FEWEST_STEPS:
        return None
    places = high[2][known]
    (middle, middle_sd), (high, high_sd) = ((np.where(known, gain, 1.0), sd) for gain, sd, _ in (middle, high))
    change_db = amplitude_db(high) - amplitude_db(middle)
    sd_db = DB_PER_NEPER * np.hypot(middle_sd / middle, high_sd / high)
    change_db = change_db - np.average(change_db[known], weights=1.0 / sd_db[known] ** 2)
    return _Fall(known, change_db, sd_db, *straight_trend(places, change_db[known], sd_db[known], steps, least_sd=_LEAST_SD_DB))


def _without(explained, fade_db):
    """(expected, aligned) with a fall of so much over the song taken out of the return (Sliced), and the response fitted to that.

    Fitted to the whole song with the fall in it, the response follows a part of that: each partial plays at times of its own.
    """
    frames, sent = len(explained.aligned), explained.sent

    def risen(first, last):
        return explained.aligned[first:last] * amplitude_from_db(-fade_db * np.arange(first, last) / frames)

    aligned = Sliced(frames, risen)
    return through(sent, fitted_taps(sent, aligned, explained.rate_hz)), aligned


def _gains(expected, aligned, rate_hz, spans_hz, per_step):
    """For each span (gain, its sd, place) per step: of the return re the expected sound within the span; place, in steps: where
    in the song what plays there lies.
    """
    segment = spectra.segment_samples(rate_hz)
    matrices = [spectra.band_matrix(third_octave_bands(*span_hz), segment, rate_hz) for span_hz in spans_hz]
    insides = [matrix.any(axis=1) for matrix in matrices]
    matrices = [matrix[inside] for matrix, inside in zip(matrices, insides, strict=True)]
    powers = [[] for _ in spans_hz]
    for block in spectra.transforms([expected, aligned], segment):
        for of_span, matrix, inside in zip(powers, matrices, insides, strict=True):
            of_span.append(_band_powers(block[:, inside], matrix))
    return [
        _gain(*map(np.concatenate, zip(*of_span, strict=True)), matrix, per_step)
        for of_span, matrix in zip(powers, matrices, strict=True)
    ]


def _band_powers(block, matrix):
    """(cross, own, whole) powers per segment and band of a block of `transforms` of the expected sound and the return."""
    sent, came = np.moveaxis(block, -1, 0)
    return (np.conj(sent) * came) @ matrix, spectra.squared(sent) @ matrix, spectra.squared(came) @ matrix


def _gain(cross, own, whole, matrix, per_step):
    """(gain, its sd, place) of `_gains` from powers (segments, bands)."""
    bins = np.maximum(matrix.sum(axis=0) / 1.5, 1.0)
    safe = np.maximum(own, 1e-30)
    # What the cross power does not hold is noise; a share 1 / bins of it is in the cross power's own square.
    noise = np.maximum(whole - spectra.squared(cross) / safe, 0.0) * bins / np.maximum(bins - 1.0, 1.0)
    signal = np.maximum(spectra.squared(cross) / safe - noise / bins, 0.0)
    starts = np.arange(0, len(own), per_step)
    total, played, scatter = (np.add.reduceat(part.sum(axis=1), starts) for part in (signal, own, 2.0 * signal * noise / bins))
    # A segment's middle is where the next one begins.
    places = np.add.reduceat(own.sum(axis=1) * np.arange(1, len(own) + 1), starts) / np.maximum(played, 1e-30) / per_step
    power = total / np.maximum(played, 1e-30)
    sd = 0.5 * np.sqrt(1.89 * scatter) / np.maximum(played, 1e-30)
    heard = (power > 0) & (played > 1e-4 * played.max())
    gain = np.sqrt(np.where(heard, power, 0.0))
    return gain, np.where(heard, sd / np.maximum(gain, 1e-12), np.inf), places
