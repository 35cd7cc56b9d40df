"""Trials of the measures against the simulated recorder's truth, shared by tests and the bench."""

from typing import NamedTuple
from unittest import mock

import numpy as np
from bounceproof import spectra
from bounceproof.condition.level import analysis_bands
from bounceproof.quantities import amplitude_db, power_db
from bounceproof.recorder import channel
from bounceproof.recorder.channel import band_response, limit_band
from bounceproof.recorder.motion import TapePass
from bounceproof.recorder.presets import resolve
from bounceproof.sketches import sketch
from scipy.ndimage import uniform_filter1d
from simulated import BAND_HZ, GAP_S, LEAD_S, RATE_HZ, lay, music

START_S = LEAD_S + GAP_S


class DropoutTrial(NamedTuple):
    """Counts of dropouts under the playing stem, of those found, of false ones; errors of depth; seconds of song."""

    under_music: int
    found: int
    false: int
    depth_errors_db: np.ndarray
    seconds: float


def dropout_trial(seed, *, hiss_db, seconds=60.0):
    """25 dropouts a minute of 10 to 25 dB and 20 to 80 ms; "under music" = the sound there stands 10 dB over the hiss."""
    random = np.random.default_rng(seed)
    times_s = np.arange(9.0, seconds + 6.0, 2.3)
    at = [
        {
            "time_s": float(t + random.uniform(0, 1)),
            "depth_db": float(random.uniform(10, 25)),
            "length_ms": float(random.uniform(20, 80)),
        }
        for t in times_s
    ]
    recorder = {"replay_band": {}, "hiss": {"below_signal_db": hiss_db, "rise_db": 3.0}, "saturation": {"level_dbfs": -2.0}}
    stem = music(seconds, seed, rests=((20, 25),))
    laid = lay(stem, {**recorder, "dropouts": {"at": at}}, seed)
    whole = lay(stem, recorder, seed)
    condition, _ = laid.measured()
    found, used, under, hits, errors = condition["dropouts"], set(), 0, 0, []
    sound = (whole.aligned - whole.hiss) ** 2
    noise = np.mean(whole.hiss**2)
    for event in laid.done.truth.events:
        middle_s = float(laid.done.truth.sent_at(event["capture_s"] + event["length_ms"] / 2000)) - START_S
        half_s = event["length_ms"] / 2000
        near = [k for k, one in enumerate(found) if abs(one["time_s"] - middle_s) < half_s + 0.005]
        used |= set(near)
        first, last = (int((middle_s + side * half_s) * RATE_HZ) for side in (-1, 1))
        if first < 0.2 * RATE_HZ or last > len(sound) - 0.2 * RATE_HZ or sound[first:last].mean() < 10 * noise:
            continue
        under, hits = under + 1, hits + bool(near)
        errors += [found[near[0]]["depth_db"] - event["depth_db"]] if near else []
    return DropoutTrial(under, hits, len(found) - len(used), np.array(errors), seconds)


def ride_trial(seed, *, on):
    """(level_ride of condition.json, true range in dB over the moments 6 dB over the hiss) for a drawn recorder.

    Where the drawn stem moves the control through less than 10 dB, its loudness is spread wider until it does.
    """
    random = np.random.default_rng(seed + 100)
    hiss = {"below_signal_db": float(random.uniform(20, 32)), "rise_db": 3.0}
    if not on:
        stem = music(16.0, seed, rests=((7, 10),), spread_db=float(random.choice([6, 12, 20])))
        recorder = {"replay_band": {}, "hiss": hiss, "saturation": {"level_dbfs": -8.0}, "dropouts": {"per_minute": 10.0}}
        return lay(stem, recorder, seed).measured()[0]["level_ride"], 0.0
    range_db = float(random.uniform(12, 24))
    control = {
        "target_dbfs": -12.0 - range_db,
        "max_gain_db": 0.0,
        "range_db": range_db,
        "attack_ms": float(random.choice([3, 5, 20])),
        "release_ms": float(random.choice([100, 300, 800])),
    }
    for spread_db in (12.0, 24.0, 36.0):
        stem = music(16.0, seed, rests=((7, 10),), spread_db=spread_db)
        laid = lay(stem, {"replay_band": {}, "hiss": hiss, "automatic_level": control}, seed)
        truth_db = true_range_db(laid)
        if truth_db >= 10.0:
            break
    return laid.measured()[0]["level_ride"], truth_db


def other_law_trial(seed):
    """(condition, Laid) of a machine whose level control follows mean squares (10 ms) and takes 7 of every 10 dB over its
    threshold: not the law that is fitted.
    """
    random = np.random.default_rng(seed)
    control = {"target_dbfs": -32.0, "max_gain_db": 0.0, "range_db": 24.0}
    control |= {"attack_ms": float(random.choice([5, 20])), "release_ms": float(random.choice([150, 400, 1000]))}
    hiss = {"below_signal_db": float(random.uniform(20, 32)), "rise_db": 3.0}
    with mock.patch.object(channel, "level_control", _mean_square_control):
        laid = lay(music(16.0, seed, spread_db=24.0), {"replay_band": {}, "hiss": hiss, "automatic_level": control}, seed)
    return laid.measured()[0], laid


def _mean_square_control(samples, control, rate_hz, *, mean_s=0.01, slope=0.7):
    """Like channel.level_control: (times in s, gains in dB) of blocks of 0.5 ms."""
    block = round(5e-4 * rate_hz)
    step_s, count = block / rate_hz, len(samples) // block
    mean, gain, gains = 0.0, 0.0, []
    for power in np.mean(samples[: count * block].reshape(count, block) ** 2, axis=1).tolist():
        mean -= np.expm1(-step_s / mean_s) * (power - mean)
        wanted = np.clip(slope * (control["target_dbfs"] - power_db(max(2.0 * mean, 1e-9))), -control["range_db"], 0.0)
        time_s = control["attack_ms" if wanted < gain else "release_ms"] / 1000
        gain -= np.expm1(-step_s / time_s) * (wanted - gain)
        gains.append(gain)
    return (np.arange(count) + 0.5) * step_s, np.array(gains)


def true_range_db(laid):
    """Range of the control's own gain over 20 ms windows whose sound stands 6 dB over the hiss."""
    truth = laid.done.truth
    times_s = np.arange(0, len(laid.stem), 60) / RATE_HZ
    gain_db = np.interp(times_s + START_S, truth.level_time_s, truth.level_gain_db)
    power = uniform_filter1d((laid.aligned - laid.hiss) ** 2, int(0.02 * RATE_HZ))[::60]
    heard = power > 4 * np.mean(laid.hiss**2)
    return float(np.ptp(np.percentile(gain_db[heard], (0.5, 99.5))))


def hiss_truth_dbfs(laid):
    """(level within the band, level per analysis band) of what the recorder truly added while the stem plays."""
    bands = analysis_bands(RATE_HZ)
    powers = spectra.band_powers([laid.hiss, laid.aligned - laid.hiss], RATE_HZ, bands)
    plays = powers[:, 1].sum(axis=1) > 0.1 * powers[:, 0].sum(axis=1).mean()
    noise = powers[plays, 0].mean(axis=0)
    width_share = np.array(
        [max(0.0, min(b.high_hz, BAND_HZ[1]) - max(b.low_hz, BAND_HZ[0])) / (b.high_hz - b.low_hz) for b in bands]
    )
    return float(power_db(np.sum(noise * width_share))), power_db(noise)


def resting_hiss_dbfs(laid, weighting):
    """Level that the recorder's hiss has on average in the silences, in the stem's time: what one take's own scatters about.

    weighting: power by frequency in Hz.
    """
    truth, speed = laid.done.truth, 1.0 + laid.done.truth.speed_percent / 100
    freq_hz = np.linspace(20.0, 0.5 * RATE_HZ / speed, 6000)
    powers = []
    for stretch, weight in ((1.0, _within(freq_hz, BAND_HZ)), (speed, weighting(freq_hz))):
        shape = np.abs(band_response(truth.settings["replay_band"], freq_hz * stretch, RATE_HZ)) ** 2
        powers.append(stretch * np.trapezoid(weight * shape, freq_hz))
    return float(truth.hiss_rms_dbfs + power_db(powers[1] / powers[0]))


def flat_weighting(freq_hz):
    """1 inside the medium's band."""
    return _within(freq_hz, BAND_HZ)


def _within(freq_hz, band_hz):
    return ((freq_hz >= band_hz[0]) & (freq_hz <= band_hz[1])).astype(float)


def expected_hiss_dbfs(laid):
    """Level within the band that the recorder's hiss has on average while the stem plays: what one take's own scatters about."""
    hiss, truth = laid.done.truth.settings["hiss"], laid.done.truth
    bands = analysis_bands(RATE_HZ)
    clean = spectra.band_powers([laid.aligned - laid.hiss], RATE_HZ, bands)[:, 0].sum(axis=1)
    plays = clean > 0.1 * spectra.band_powers([laid.hiss], RATE_HZ, bands).sum(axis=2).mean()
    rise = 10.0 ** (hiss["rise_db"] / 10) - 1.0
    risen = 1.0 + rise * clean[plays].mean() / 10.0 ** (truth.signal_rms_dbfs / 10)
    return resting_hiss_dbfs(laid, flat_weighting) + float(power_db(risen))


def overload_trial(seed, *, over_db, banded):
    """(overload, condition) of a stem whose peaks (99.99 %) lie over_db over the simulated tape's 3 %, with a few dropouts; None:
    a tape without limit.
    """
    stem = music(16.0, seed)
    recorder = {"replay_band": {}, "hiss": {"below_signal_db": 28, "rise_db": 3.0}, "dropouts": {"per_minute": 10.0}}
    band = {"low_hz": 250.0, "high_hz": 4600.0, "order": 2, "phase": "minimum"}
    if banded:
        recorder["record_band"] = band
    if over_db is not None:
        laid_down = limit_band(stem, band, RATE_HZ) if banded else stem
        peak_dbfs = amplitude_db(np.percentile(np.abs(laid_down), 99.99))
        recorder["saturation"] = {"level_dbfs": float(peak_dbfs - over_db), "second_percent": 0.5}
    condition, _ = lay(stem, recorder, seed).measured()
    return condition["overload"], condition


FOREIGN_KINDS = ("not erased", "other side", "print-through", None)


def foreign_trial(seed, stems, kind, *, below_db=30.0):
    """(foreign of condition.json, track, delay in s or None) of a return with another sound so far under it, or none (kind None).

    stems: {track: samples at RATE_HZ}. What was not erased went through a record pass of its own, with its own wow and drift.
    """
    random = np.random.default_rng(seed)
    own, other = random.choice(list(stems), 2, replace=False)
    recorder = {
        "record": {"lines": [{"rate_hz": 1.3, "percent": 0.1}, {"rate_hz": 9.0, "percent": 0.05}], "drift_percent": 0.05},
        "replay_band": {},
        "hiss": {"below_signal_db": float(random.uniform(22, 34)), "rise_db": float(random.choice([0.0, 3.0, 6.0]))},
        "saturation": {"level_dbfs": float(random.uniform(-9, 0))},
        "dropouts": {"per_minute": 4.0},
    }
    old, delay_s = None, None
    if kind == "print-through":
        other, delay_s = own, float(random.uniform(0.9, 4.0))
        recorder["print_through"] = {"level_db": -below_db, "turn_s": delay_s}
    elif kind is not None:
        sound = stems[other] if kind == "not erased" else stems[other][::-1]
        delay_s = float(random.uniform(-4.0, 6.0))
        tape = TapePass(resolve(recorder)["record"], 1.5 * len(sound) / RATE_HZ + 20.0, seed=seed + 1000, name="record")
        at_s = tape.position(np.arange(int((len(sound) / RATE_HZ + 20.0) * RATE_HZ)) / RATE_HZ)
        start_s = START_S + delay_s
        old = np.interp((at_s - start_s) * RATE_HZ, np.arange(len(sound)), sound, left=0.0, right=0.0)
        recorder["old_recording"] = {"below_signal_db": below_db}
    laid = lay(stems[own], recorder, seed, old_recording=old)
    others = {
        track: (sketch(samples, RATE_HZ), lambda samples=samples: samples) for track, samples in stems.items() if track != own
    }
    return laid.measured(track=own, others=others)[0]["foreign"], other, delay_s


def true_gain(truth, freq_hz, rate_hz):
    """|H| of a simulated machine by frequency sent, capture gain included: what is played faster meets the replay higher up."""
    settings, speed = truth.settings, 1.0 + truth.speed_percent / 100.0
    size = np.abs(band_response(settings["record_band"], freq_hz, rate_hz))
    size = size * np.abs(band_response(settings["replay_band"], speed * freq_hz, rate_hz))
    return size * 10.0 ** (settings["capture_gain_db"] / 20.0)


def true_responses(stem, truth, rate_hz, bands):
    """Per band in dB: the machine's power gain, weighted by the stem's own spectrum while it plays there."""
    segment = spectra.segment_samples(rate_hz)
    played = spectra.playing(spectra.band_powers([stem], rate_hz, bands)[:, 0])
    weights = spectra.bin_weights(played, bands, segment, rate_hz)
    own = spectra.spectral_matrix([stem], rate_hz, weights=weights)
    matrix = spectra.band_matrix(bands, segment, rate_hz)
    gain = true_gain(truth, np.maximum(own.freq_hz, 1.0), rate_hz) ** 2
    power = own.power(0)
    return power_db(np.maximum((power * gain) @ matrix, 1e-30) / np.maximum(power @ matrix, 1e-30))


def true_edges(truth, rate_hz, band_hz, *, down_db):
    """(low, high) in Hz where the machine's response has fallen by down_db under the mean of the middle half of the band."""
    octaves = np.linspace(np.log2(50.0), np.log2(0.42 * rate_hz), 40000)
    gain_db = amplitude_db(true_gain(truth, 2.0**octaves, rate_hz))
    low, high = np.log2(band_hz)
    middle = np.abs(octaves - 0.5 * (low + high)) <= 0.25 * (high - low)
    above = np.flatnonzero(gain_db >= gain_db[middle].mean() - down_db)
    return float(2.0 ** octaves[above[0]]), float(2.0 ** octaves[above[-1]])
