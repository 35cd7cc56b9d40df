"""Recorders drawn at random, with the truth about what a calibration should find; nothing of it rests on the measurement."""

from typing import NamedTuple

import numpy as np
from bounceproof.audio import Audio
from bounceproof.planning.calibration import make_calibration
from bounceproof.recorder import channel, resolve, simulate
from scipy import signal

# Kinds of machine: rate, nominal band, ranges of the two low and the two high edges.
KINDS = {
    "dictation": (24000, (400.0, 4000.0), (150.0, 400.0), (3200.0, 6000.0), 2.38),
    "cassette": (48000, (60.0, 10000.0), (25.0, 80.0), (8000.0, 14000.0), 4.76),
}


class Machine(NamedTuple):
    """kind; settings of the simulated recorder; rate_hz; the nominal band; medium as a session has it; seed."""

    kind: str
    settings: dict
    rate_hz: int
    band_hz: tuple
    medium: dict
    seed: int


def draw(seed):
    """One Machine; every second has a level control that acts within the ladder, every third is a cassette deck."""
    random = np.random.default_rng(seed)
    kind = "cassette" if seed % 3 == 2 else "dictation"
    rate_hz, band_hz, low_hz, high_hz, speed_cm_s = KINDS[kind]
    full_dbfs = float(random.uniform(-14, -2))
    settings = {
        "input_gain_db": float(random.uniform(-3, 3)),
        "record": {"lines": _lines(random, 0.25), "drift_percent": 0.05, "random_percent": 0.03},
        "replay": {"speed_percent": float(random.uniform(-4, 4)), "lines": _lines(random, 0.3), "drift_percent": 0.1},
        "record_band": _band(random, low_hz, high_hz),
        "replay_band": _band(random, low_hz, high_hz),
        "saturation": {"level_dbfs": full_dbfs, "second_percent": float(random.uniform(0, 2))},
        "hiss": {"level_dbfs": full_dbfs - float(random.uniform(30, 52)), "rise_db": float(random.uniform(0, 5))},
        "capture_gain_db": float(random.uniform(-8, 0)),
        "polarity": int(random.choice([1, -1])),
        "dropouts": {"per_minute": float(random.choice([0.0, 2.0]))},
    }
    if seed % 2:
        control = {
            "target_dbfs": full_dbfs - float(random.uniform(0, 9)),
            "max_gain_db": float(random.uniform(12, 35)),
            "range_db": float(random.uniform(12, 40)),
            "attack_ms": float(random.uniform(2, 20)),
            "release_ms": float(random.uniform(200, 2000)),
        }
        settings |= {"automatic_level": control, "input_noise": {"level_dbfs": float(random.uniform(-95, -80))}}
    medium = {"band_low_hz": band_hz[0], "band_high_hz": band_hz[1], "tape_speed_cm_s": speed_cm_s, "track_width_mm": 1.5}
    return Machine(kind, settings, rate_hz, band_hz, medium, seed)


def _lines(random, most_percent):
    rates = [random.uniform(0.5, 2), random.uniform(2, 6), random.uniform(8, 30)]
    return [{"rate_hz": float(rate), "percent": float(random.uniform(0.2, 1) * most_percent)} for rate in rates]


def _band(random, low_hz, high_hz):
    return {
        "low_hz": float(np.exp(random.uniform(*np.log(low_hz)))),
        "high_hz": float(np.exp(random.uniform(*np.log(high_hz)))),
        "order": int(random.integers(1, 4)),
    }


class Calibrated(NamedTuple):
    """A Machine's calibration: what was sent and what came back (the Simulated)."""

    transfer: object
    done: object

    @property
    def capture(self):
        return Audio(self.done.capture[:, None].astype(np.float32), self.done.rate_hz, ())


def calibrated(machine):
    transfer = make_calibration(machine.rate_hz, band_hz=machine.band_hz, number=255)
    return Calibrated(transfer, simulate(transfer.samples, machine.rate_hz, machine.settings, seed=machine.seed))


class Truth(NamedTuple):
    """output_db (3 % third harmonic, peak of the sine in the capture), send_db that gives it without a control, usable_range_db,
    edges_hz {down_db: (low, high)}, control (whether one acts).
    """

    output_db: float
    send_db: float
    usable_range_db: float
    edges_hz: dict
    control: bool


def truth_of(machine, calibration):
    """The Truth from the recorder's own settings and noise."""
    facts, done = calibration.transfer.facts, calibration.done
    settings, rate_hz, tone_hz = done.truth.settings, machine.rate_hz, facts["tone_hz"]
    speed = 1 + done.truth.speed_percent / 100
    full_dbfs = settings["saturation"]["level_dbfs"]
    replay_db = float(_db(_replay(settings, tone_hz, rate_hz, speed))[0])
    output_db = full_dbfs - _tape_loss_db(settings, rate_hz) + replay_db + settings["capture_gain_db"]
    send_db = full_dbfs - settings["input_gain_db"] - float(_db(_record(settings, tone_hz, rate_hz))[0])
    hiss_dbfs = _resting_hiss_dbfs(machine, calibration, speed)
    edges = {down_db: _edges(settings, tone_hz, rate_hz, speed, down_db) for down_db in (3.0, 10.0)}
    return Truth(output_db, send_db, output_db - 3.0103 - hiss_dbfs, edges, bool(settings["automatic_level"]))


def _db(value):
    return 20 * np.log10(np.abs(value))


def _record(settings, freq_hz, rate_hz):
    return np.abs(channel.band_response(settings["record_band"], np.atleast_1d(freq_hz), rate_hz))


def _replay(settings, freq_hz, rate_hz, speed):
    return np.abs(channel.band_response(settings["replay_band"], speed * np.atleast_1d(freq_hz), rate_hz))


def _tape_loss_db(settings, rate_hz):
    """What overload takes off a sine at the full level."""
    t = np.arange(rate_hz) / rate_hz
    sine = 10 ** (settings["saturation"]["level_dbfs"] / 20) * np.sin(2 * np.pi * 500 * t)
    bent = channel.saturate(sine, settings["saturation"], rate_hz)
    return -_db(np.abs(np.fft.rfft(bent)[500]) / np.abs(np.fft.rfft(sine)[500]))


def _resting_hiss_dbfs(machine, calibration, speed):
    """Rms within the nominal band of what was really added in the silence's last 2.5 s."""
    done, facts = calibration.done, calibration.transfer.facts
    one = next(section for section in facts["sections"] if section["kind"] == "silence")
    last_s = float(done.truth.capture_at((one["first_sample"] + one["samples"]) / machine.rate_hz)) - 0.2
    hiss = done.truth.hiss[int((last_s - 2.5) * done.rate_hz) : int(last_s * done.rate_hz)]
    freq_hz, density = signal.welch(hiss, done.rate_hz / speed, nperseg=4096)
    inside = (freq_hz >= machine.band_hz[0]) & (freq_hz <= machine.band_hz[1])
    return float(10 * np.log10(np.sum(density[inside]) * freq_hz[1]))


def _edges(settings, tone_hz, rate_hz, speed, down_db):
    freq_hz = np.geomspace(10, 0.49 * rate_hz, 20000)
    level_db = _db(_record(settings, freq_hz, rate_hz) * _replay(settings, freq_hz, rate_hz, speed))
    level_db = level_db - np.interp(tone_hz, freq_hz, level_db)
    under, tone = level_db < -down_db, np.searchsorted(freq_hz, tone_hz)
    low, high = np.flatnonzero(under[:tone]), np.flatnonzero(under[tone:])
    return (freq_hz[low[-1]] if low.size else None, freq_hz[tone + high[0]] if high.size else None)


def loudest_errors_db(machine, values, *, percents=(1.0, 3.0)):
    """How far the loudest moments of some stems, sent at the level proposed for each distortion, lie from it (dB): by the record
    band that the machine really has.
    """
    from bounceproof.audio import resample
    from bounceproof.planning.level_law import level_for_third_db
    from bounceproof.planning.send_levels import loudest_db, measured_machine, propose
    from recording import RATE_HZ, drums, plucks

    errors, known, band = [], measured_machine(values), resolve(machine.settings)["record_band"]
    for stem in (drums(6.0), plucks(6.0, seed=machine.seed), plucks(6.0, seed=machine.seed, low_hz=330.0)):
        stem = resample(stem, RATE_HZ, machine.rate_hz)
        for percent in percents:
            wanted_db = propose(stem, machine.rate_hz, known, machine.band_hz, distortion_percent=percent)["wanted_db"]
            sent = stem * 10 ** ((wanted_db + machine.settings["input_gain_db"]) / 20) / np.abs(stem).max()
            laid = channel.limit_band(sent, band, machine.rate_hz)
            due_db = machine.settings["saturation"]["level_dbfs"] + level_for_third_db(percent / 100)
            errors.append(loudest_db(laid, machine.rate_hz) - due_db)
    return errors
