"""How hot to send each stem: its loudest moments at the distortion chosen, its softest over the hiss.

Conventions: `send_db` = peak of the stem in the transfer, dBFS; levels of hiss rms in dBFS of the capture; the loudest moments of
a stem are what 99.99 % of its 16 loudest seconds stay under, as it reaches the tape (the same measure that a return's overload is
read by); its softest are the tenth part of its 50 ms that are softest, of those within 30 dB of the loudest.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.filters import edges_response, filtered
from bounceproof.planning.level_law import level_for_third_db, third_at
from bounceproof.quantities import SINE_CREST_DB, amplitude_db, amplitude_from_db, peak_dbfs, power_db, power_from_db

_LOUDEST_S, _LOUDEST_PERCENT = 16, 99.99
_FRAME_S, _WITHIN_DB, _SOFT_PERCENT = 0.05, 30.0, 10.0
_LEAST_DB, _FLOOR_DB = -60.0, -60.0
_GUESS_SIGMA_DB = 6.0
# A medium's band is half the recording amplifier's doing and half the replay's, each with edges of first order (a guess).
_GUESS_ORDER = 1


class Machine(NamedTuple):
    """What a level is proposed for: full_send_db (a tone sent so high comes to 3 % third harmonic) and its sd; gain_db (return
    over sent, small signals); hiss_dbfs; before_db(freq_hz), response_db(freq_hz): up to the tape and all through, against the
    tone's; before_sigma_db(freq_hz); knee_send_db of a level control or None; guess: whether all this is the medium's typical
    figures.
    """

    full_send_db: float | None
    full_sigma_db: float
    gain_db: float
    hiss_dbfs: float
    response_db: object
    before_db: object
    before_sigma_db: object
    knee_send_db: float | None
    guess: bool


def measured_machine(values):
    """The Machine of a recorder.json."""
    rows = values["response"]
    log_hz = np.log2([row["freq_hz"] for row in rows])
    level_db, before_db, before_sigma_db = (
        np.array([row[key] for row in rows]) for key in ("level_db", "before_tape_db", "before_tape_sigma_db")
    )

    def carried_on(known_db):
        return lambda freq_hz: _carried_on(np.log2(np.maximum(freq_hz, 1.0)), log_hz, known_db)

    full, control = values["full"], values["level_control"]
    return Machine(
        None if full is None else full["send_db"],
        0.0 if full is None else full["send_sigma_db"],
        control["gain_db"],
        -np.inf if values["hiss"]["flat_dbfs"] is None else values["hiss"]["flat_dbfs"],
        carried_on(level_db),
        carried_on(before_db),
        lambda freq_hz: np.interp(np.log2(np.maximum(freq_hz, 1.0)), log_hz, before_sigma_db),
        control["knee_send_db"],
        False,
    )


def _carried_on(log_hz, known_hz, known_db):
    """Straight between known points; outside on with the slope of the last third of an octave, never upwards nor under -60."""
    low = max(0.0, np.polyfit(known_hz[:5], known_db[:5], 1)[0])
    high = min(0.0, np.polyfit(known_hz[-5:], known_db[-5:], 1)[0])
    inside = np.interp(log_hz, known_hz, known_db)
    beyond = low * np.minimum(log_hz - known_hz[0], 0.0) + high * np.maximum(log_hz - known_hz[-1], 0.0)
    return np.maximum(inside + beyond, _FLOOR_DB)


def typical_machine(medium, *, full_send_db, rate_hz):
    """The Machine of a medium's typical figures: a guess. full_send_db: where the pad was chosen to put full level."""

    def before_db(freq_hz):
        edges = (medium["band_low_hz"], min(medium["band_high_hz"], 0.45 * rate_hz))
        return np.maximum(amplitude_db(edges_response(np.maximum(freq_hz, 1.0), rate_hz, *edges, order=_GUESS_ORDER)), _FLOOR_DB)

    return Machine(
        full_send_db,
        _GUESS_SIGMA_DB,
        0.0,
        full_send_db - SINE_CREST_DB - medium["hiss_below_full_db"],
        lambda freq_hz: np.maximum(2.0 * before_db(freq_hz), _FLOOR_DB),
        before_db,
        lambda freq_hz: np.zeros(np.shape(freq_hz)),
        # Full level is where such a control holds its tape.
        full_send_db if medium["automatic_level"] else None,
        True,
    )


def minimum_phase(size):
    """Complex response with these amplitudes (bins 0 .. half the rate, evenly spaced) and the least phase: by the cepstrum.

    Source: A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, chapter on the Hilbert transform (from memory).
    """
    count = 2 * (size.size - 1)
    cepstrum = np.fft.irfft(np.log(np.maximum(size, 1e-6)), count)
    cepstrum[1 : count // 2] *= 2.0
    cepstrum[count // 2 + 1 :] = 0.0
    return np.exp(np.fft.rfft(cepstrum))


def loudest_db(stem, rate_hz):
    """Peak level in dBFS of the loudest moments of one channel; -inf for silence."""
    size = min(round(rate_hz), stem.size)
    seconds = stem[: stem.size // size * size].reshape(-1, size) if size else stem[None]
    power = np.mean(np.square(seconds, dtype=float), axis=1)
    best = np.argsort(-power, kind="stable")[:_LOUDEST_S]
    best = best[power[best] > 1e-3 * power.max(initial=0.0)]
    return float(amplitude_db(np.percentile(np.abs(seconds[best]), _LOUDEST_PERCENT))) if best.size else -np.inf


def reaching_tape(stem, rate_hz, response_db):
    """A stem (one channel) behind a response in dB, with the least phase."""
    return filtered(stem, lambda freq_hz: minimum_phase(amplitude_from_db(response_db(freq_hz))), rate_hz)


def softest_db(stem, rate_hz, band_hz):
    """Rms level in dBFS of the softest moments within a band; -inf for silence."""

    def inside(freq_hz):
        return ((freq_hz >= band_hz[0]) & (freq_hz <= band_hz[1])).astype(float)

    kept = filtered(stem, inside, rate_hz)
    frame = max(1, round(_FRAME_S * rate_hz))
    power = np.mean(np.square(kept[: kept.size // frame * frame].reshape(-1, frame)), axis=1)
    heard = power[power > power.max(initial=0.0) * power_from_db(-_WITHIN_DB)]
    return float(power_db(np.percentile(heard, _SOFT_PERCENT))) if heard.size and heard.max() > 0 else -np.inf


def propose(stem, rate_hz, machine, band_hz, *, distortion_percent):
    """The send level for a stem (one channel), as plain values; None for a silent one.

    proposed_db, sigma_db: the level, and its sd; limit: what it comes up against: "distortion", "level control" (from there on it
    rides the music), "output" (full scale); wanted_db: what the distortion alone would ask for; third_percent: of the loudest
    moments at the proposed level; crest_db: the stem's own peak over its loudest rms seconds; taken_db: what the recorder takes
    off the peak before the tape; soft_over_hiss_db.
    """
    peak_db = peak_dbfs(stem)
    at_tape_db = loudest_db(reaching_tape(stem, rate_hz, machine.before_db), rate_hz)
    if not np.isfinite(at_tape_db):
        return None
    taken_db = peak_db - at_tape_db
    limits = {"output": 0.0}
    wanted_db = sigma_db = None
    if machine.full_send_db is not None:
        wanted_db = machine.full_send_db + level_for_third_db(distortion_percent / 100.0) + taken_db
        limits["distortion"] = wanted_db
        sigma_db = float(np.hypot(machine.full_sigma_db, _doubt_db(stem, rate_hz, machine, at_tape_db)))
    if machine.knee_send_db is not None:
        limits["level control"] = machine.knee_send_db
    limit = min(limits, key=limits.get)
    proposed_db = max(limits[limit], _LEAST_DB)
    return {
        "proposed_db": proposed_db,
        "sigma_db": sigma_db if limit == "distortion" else None,
        "limit": limit,
        "wanted_db": wanted_db,
        "third_percent": _third_percent(machine, proposed_db - taken_db),
        "crest_db": peak_db - _loudest_rms_db(stem, rate_hz),
        "taken_db": taken_db,
        "soft_over_hiss_db": _soft_over_hiss_db(stem, rate_hz, machine, band_hz, proposed_db - peak_db),
        "guess": machine.guess,
    }


def hotter(proposal, by_db):
    """The third harmonic of the loudest moments, in percent, `by_db` over the proposed level; None where full is not known."""
    if proposal["third_percent"] is None:
        return None
    over_db = level_for_third_db(max(proposal["third_percent"], 1e-3) / 100.0) + by_db
    return float(100.0 * third_at(over_db))


def _third_percent(machine, at_tape_db):
    if machine.full_send_db is None:
        return None
    return float(100.0 * third_at(at_tape_db - machine.full_send_db))


def _doubt_db(stem, rate_hz, machine, at_tape_db):
    """What the doubt about the response before the tape does to the peak."""
    other = reaching_tape(stem, rate_hz, lambda freq_hz: machine.before_db(freq_hz) + machine.before_sigma_db(freq_hz))
    return abs(loudest_db(other, rate_hz) - at_tape_db)


def _loudest_rms_db(stem, rate_hz):
    size = min(round(rate_hz), stem.size)
    power = np.mean(np.square(stem[: stem.size // size * size].reshape(-1, size), dtype=float), axis=1)
    return float(power_db(np.sort(power)[-_LOUDEST_S:].mean()))


def _soft_over_hiss_db(stem, rate_hz, machine, band_hz, gain_db):
    heard = filtered(stem, lambda freq_hz: amplitude_from_db(machine.response_db(freq_hz)), rate_hz)
    return softest_db(heard, rate_hz, band_hz) + gain_db + machine.gain_db - machine.hiss_dbfs
