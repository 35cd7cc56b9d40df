"""What the stem explains of its return: dropouts, level control, hiss under music, against the simulated recorder's truth.

Small counts here; `tests/bench/measures_table.py` draws the full ones.
"""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from bounceproof import verdicts
from bounceproof.audio import resample
from bounceproof.condition import ride
from bounceproof.condition.beside import beside_law
from measuring import dropout_trial, hiss_truth_dbfs, other_law_trial, overload_trial, ride_trial, true_range_db
from scipy import signal
from simulated import RATE_HZ, lay, music

CONTROL = {"target_dbfs": -24.0, "max_gain_db": 0.0, "range_db": 14.0, "release_ms": 300.0}


@pytest.mark.parametrize("hiss_db", [35.0, 20.0])
def test_dropouts_are_found_where_they_are(hiss_db):
    """Of 10 dB and 20 ms or more, 25 in a minute with a rest of 5 s in it: 95 % found, none invented."""
    trial = dropout_trial(1, hiss_db=hiss_db)
    assert trial.under_music >= 12
    assert trial.found >= 0.95 * trial.under_music
    assert trial.false == 0
    assert np.median(np.abs(trial.depth_errors_db)) < 2.0


def test_no_dropout_in_a_minute_of_rests_pumping_and_overload():
    stem = music(30.0, 3, rests=((10, 14), (20, 21)))
    for recorder in ({"automatic_level": CONTROL}, {"saturation": {"level_dbfs": -8.0}}):
        condition, _ = lay(stem, {"replay_band": {}, "hiss": {"below_signal_db": 25, "rise_db": 6}, **recorder}, 3).measured()
        assert condition["dropouts"] == []


def test_one_long_dropout_is_one():
    entry = {"time_s": 11.0, "depth_db": 60.0, "length_ms": 1200.0}
    condition, _ = lay(
        music(12.0, 4), {"replay_band": {}, "hiss": {"below_signal_db": 30}, "dropouts": {"at": [entry]}}, 4
    ).measured()
    (found,) = condition["dropouts"]
    assert found["at_least"] or found["depth_db"] > 25
    assert found["length_s"] == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize("seed", range(5))
def test_level_control_is_found_with_its_range(seed):
    ride, range_db = ride_trial(seed, on=True)
    assert ride["found"]
    assert ride["range_db"] == pytest.approx(range_db, abs=2.0)


@pytest.mark.parametrize("seed", range(5))
def test_level_control_is_not_claimed_without_one(seed):
    """With dropouts, overload and hiss that rises under the signal instead."""
    ride, _ = ride_trial(seed, on=False)
    assert not ride["found"]


def test_attack_and_release_of_a_level_control():
    """Time constants within a factor of two: what a stem that was not made to measure them can tell."""
    control = CONTROL | {"attack_ms": 20.0, "release_ms": 300.0, "range_db": 20.0}
    condition, _ = lay(
        music(20.0, 5), {"replay_band": {}, "hiss": {"below_signal_db": 28}, "automatic_level": control}, 5
    ).measured()
    assert 0.01 < condition["level_ride"]["attack_s"] < 0.04
    assert 0.15 < condition["level_ride"]["release_s"] < 0.6


@pytest.mark.parametrize("rise_db", [0.0, 6.0])
def test_hiss_under_music_with_modulation_noise(rise_db):
    laid = lay(music(20.0, 6), {"replay_band": {}, "hiss": {"below_signal_db": 25, "rise_db": rise_db}}, 6)
    condition, rows = laid.measured()
    under = condition["hiss_under_music"]
    truth_db, per_band = hiss_truth_dbfs(laid)
    assert under["flat_dbfs"] == pytest.approx(truth_db, abs=0.4)
    assert under["rise_db"] == pytest.approx(rise_db, abs=0.7)
    for row, true in zip(rows, per_band, strict=True):
        if 400 <= row["nominal_hz"] <= 4000:
            assert abs(row["hiss_under_music_dbfs"] - true) < max(0.5, 4 * row["hiss_under_music_sigma_db"])


def test_hiss_under_music_when_silence_misleads():
    """A control that opens by 10 dB in the silence before the music: silence reads too loud, the music's own within 1 dB."""
    control = CONTROL | {"target_dbfs": -36.0, "range_db": 10.0, "release_ms": 2000.0}
    recorder = {
        "replay_band": {},
        "hiss": {"below_signal_db": 45},
        "input_noise": {"level_dbfs": -50},
        "automatic_level": control,
    }
    laid = lay(music(20.0, 7, spread_db=3.0), recorder, 7)
    condition, _ = laid.measured()
    truth_db, _ = hiss_truth_dbfs(laid)
    assert condition["hiss"]["flat_dbfs"] - truth_db > 6.0
    assert condition["hiss_under_music"]["flat_dbfs"] == pytest.approx(truth_db, abs=1.0)


def test_a_level_control_that_follows_mean_squares():
    """By its law alone the hiss under music would read 5.2 dB too high, the range 0.5 dB too small."""
    condition, laid = other_law_trial(1)
    assert condition["level_ride"]["range_db"] == pytest.approx(true_range_db(laid), abs=0.3)
    assert condition["hiss_under_music"]["flat_dbfs"] == pytest.approx(hiss_truth_dbfs(laid)[0], abs=0.5)


@pytest.mark.parametrize("size_np", [0.0, 0.05])
def test_a_gain_beside_the_law_is_found_where_there_is_one(size_np):
    random, cells, kept = np.random.default_rng(1), 4000, np.exp(-2.5e-3 / 0.1)
    gain_np = signal.lfilter([size_np * np.sqrt(1 - kept**2)], [1.0, -kept], random.normal(size=cells))
    told = random.exponential(400.0, size=cells)
    noise = random.normal(size=cells) / np.sqrt(told)
    # Noise of 1 per sample is half as dense again within the band.
    own = 1.5 * told
    seen = SimpleNamespace(own=own, cross=own * (1 + gain_np + noise), cell=30, cell_s=2.5e-3)
    found = beside_law(seen, (1.0, 0.0), np.zeros(cells, dtype=bool), np.zeros(cells))
    if size_np == 0.0:
        assert found is None
    else:
        error = found.gain_np - (gain_np - np.average(gain_np, weights=told))
        assert error.std() < 0.02
        assert np.mean(np.abs(error) <= 1.96 * found.sd_np) == pytest.approx(0.95, abs=0.04)


def test_a_strong_level_control_in_a_short_song():
    """18 dB in 8 s of notes as far apart as 24 dB: times within a tenth, range and hiss under music within 0.5 dB."""
    control = {"target_dbfs": -30.0, "max_gain_db": 0.0, "range_db": 18.0, "attack_ms": 5.0, "release_ms": 150.0}
    band = {"low_hz": 330.0, "high_hz": 4400.0, "order": 2, "phase": "minimum"}
    recorder = {"replay_band": band, "hiss": {"below_signal_db": 30.0, "rise_db": 3.0}, "automatic_level": control}
    laid = lay(music(8.0, 1, spread_db=24.0), recorder, 1)
    condition, _ = laid.measured()
    ride = condition["level_ride"]
    assert ride["range_db"] == pytest.approx(true_range_db(laid), abs=0.5)
    assert (ride["attack_s"], ride["release_s"]) == (pytest.approx(0.005, rel=0.1), pytest.approx(0.15, rel=0.1))
    assert condition["hiss_under_music"]["flat_dbfs"] == pytest.approx(hiss_truth_dbfs(laid)[0], abs=0.5)
    assert condition["dropouts"] == []


def test_a_level_control_of_another_law():
    """One that hears what it lets out (feedback), and closes by decibels a second, not by a time constant."""
    stem, block = music(8.0, 2, spread_db=24.0), 12
    gain_db, gains_db = 0.0, []
    for peak in np.abs(stem).reshape(-1, block).max(axis=1).tolist():
        over_db = 20 * np.log10(max(peak, 1e-9)) + gain_db + 30.0
        gain_db += -min(0.1 * over_db, 3.0) if over_db > 0 else 0.00125 * min(6.0, -over_db)
        gain_db = min(0.0, max(-18.0, gain_db))
        gains_db.append(gain_db)
    ride_db = np.interp(np.arange(len(stem)), (np.arange(len(gains_db)) + 0.5) * block, gains_db)
    laid = lay(stem * 10 ** (ride_db / 20), {"replay_band": {}, "hiss": {"below_signal_db": 25.0, "rise_db": 3.0}}, 2)
    laid = laid._replace(stem=stem)
    condition, _ = laid.measured()
    assert condition["level_ride"]["found"]
    assert condition["level_ride"]["range_db"] == pytest.approx(np.ptp(np.percentile(ride_db, (0.5, 99.5))), abs=2.0)
    assert condition["hiss_under_music"]["flat_dbfs"] == pytest.approx(hiss_truth_dbfs(laid)[0], abs=1.0)


def test_without_close_alignment_nothing_is_claimed():
    laid = lay(music(10.0, 8), {"replay_band": {}, "hiss": {"below_signal_db": 25}}, 8)
    laid.values["residual_rms_us"] = None
    condition, rows = laid.measured()
    assert condition["dropouts"] is condition["level_ride"] is condition["hiss_under_music"] is None
    assert all(row["hiss_under_music_dbfs"] is None for row in rows)
    assert any("timing error" in note for note in condition["notes"])


def test_words_for_dropouts_and_level_control():
    laid = lay(music(12.0, 9), {"replay_band": {}, "hiss": {"below_signal_db": 28}, "automatic_level": CONTROL}, 9)
    condition, _ = laid.measured()
    condition["dropouts"] = [
        {"time_s": 3.0 + k, "depth_db": 14.0, "depth_sigma_db": 1.0, "length_s": 0.03, "at_least": False} for k in range(3)
    ]
    verdict = verdicts.track_verdict("horn", {"state": "aligned", "residual_rms_us": 3.0, "offset_sigma_us": 1.0}, condition)
    text = " ".join(one.sentence for one in verdict.findings)
    assert verdict.word == "look"
    assert "3 dropouts of 10 dB or more" in text
    assert "14 dB for 30 ms" in text
    assert "automatic level control" in text


@pytest.mark.parametrize("name", ["tabla", "guitar", "music"])
def test_band_edges_and_response_within_the_table(name):
    """Stems from real recordings, hiss 25 dB down: edges within a twelfth of an octave, known third-octaves within 0.5 dB.

    The machine's filters act at replay: in the stem's own frequencies they lie lower by its speed.
    """
    stem = music(20.0, 1) if name == "music" else real_stem(name)
    laid = lay(stem, {"replay_band": {}, "hiss": {"below_signal_db": 25}}, 3)
    condition, rows = laid.measured()
    speed = 1.0 + laid.values["speed_percent"] / 100.0
    freq_hz = np.geomspace(60, 9000, 4000)
    true_db = 20 * np.log10(np.abs(laid.done.truth.response(freq_hz * speed)))
    middle_db = np.interp(1212.0, freq_hz, true_db)
    for edges in (condition["band"], condition["band_3_db"]):
        for side, part in (("low_hz", freq_hz < 1200), ("high_hz", freq_hz > 1200)):
            if edges[side] is not None:
                at = freq_hz[part][np.argmin(np.abs(true_db[part] - middle_db + edges["down_db"]))]
                assert abs(np.log2(edges[side] / at)) < 1 / 12
    assert condition["band_3_db"]["low_hz"] is not None
    assert condition["band"]["low_hz"] is not None
    known = [row for row in rows if row["known"] and 300 <= row["nominal_hz"] <= 5000]
    assert len(known) >= 10
    for row in known:
        # A third-octave's response is the power mean of what the stem has in it; in a slope of 12 dB per octave that is no more
        # than 0.5 dB from the middle's, beside its own error.
        assert row["response_db"] == pytest.approx(
            np.interp(row["nominal_hz"], freq_hz, true_db), abs=0.5 + 2 * row["response_sigma_db"]
        )


def real_stem(name):
    """A passage of a real recording at the tests' rate, peak 0.5; see tests/data/real-stems/LICENCE.md."""
    samples, rate_hz = soundfile.read(Path(__file__).parent / "data" / "real-stems" / f"{name}.flac", always_2d=True)
    samples = resample(samples.mean(axis=1), rate_hz, RATE_HZ)
    return 0.5 * samples / np.abs(samples).max()


@pytest.mark.parametrize("banded", [False, True])
@pytest.mark.parametrize("over_db", [6.0, 0.0, -6.0])
def test_overload_by_how_much(over_db, banded):
    """Peaks so far over the level at which the simulated tape has 3 % third harmonic, with and without a band before the tape."""
    overload, _ = overload_trial(2, over_db=over_db, banded=banded)
    assert overload["over_db"] == pytest.approx(over_db, abs=max(0.5, 2.6 * overload["sigma_db"]))
    assert overload["sigma_db"] <= 0.6


def test_no_overload_is_claimed_on_clean_tape():
    overload, condition = overload_trial(3, over_db=None, banded=False)
    assert overload["over_db"] is None
    assert overload["room_at_least_db"] > 8
    verdict = verdicts.track_verdict("horn", {"state": "aligned", "residual_rms_us": 3.0, "offset_sigma_us": 1.0}, condition)
    assert "too hot" not in " ".join(one.sentence for one in verdict.findings)


def test_words_for_overload_and_for_room():
    aligned = {"state": "aligned", "residual_rms_us": 3.0, "offset_sigma_us": 1.0}
    _, condition = overload_trial(2, over_db=6.0, banded=False)
    verdict = verdicts.track_verdict("horn", aligned, condition)
    assert any("too hot" in one.sentence and one.next_step == "Send it 6 dB lower." for one in verdict.findings)
    condition["overload"] |= {"over_db": -12.0}
    condition["signal_over_hiss_db"] = 12.0
    steps = [one.next_step for one in verdicts.track_verdict("horn", aligned, condition).findings]
    assert "Send it 8 dB hotter." in steps


def test_a_stem_that_ends_below_the_machines_band_tells_nothing_beyond_its_end():
    """Speech recorded at 8 kHz: what wow and window leak over its edge is no response, and what it would explain no hiss."""
    edge = signal.butter(20, 3400, "low", fs=RATE_HZ, output="sos")
    stem = signal.sosfiltfilt(edge, music(16.0, 6))
    laid = lay(stem, {"replay_band": {}, "hiss": {"below_signal_db": 25}}, 6)
    condition, rows = laid.measured()
    assert not any(row["known"] for row in rows if row["nominal_hz"] >= 5000)
    truth_db, _ = hiss_truth_dbfs(laid)
    assert condition["hiss_under_music"]["flat_dbfs"] == pytest.approx(truth_db, abs=0.6)


def test_pieces_of_a_long_song_make_no_difference(monkeypatch):
    """Steps that do not divide into the samples, and more of them than there are samples."""
    samples = np.random.default_rng(1).standard_normal(1000)
    whole = ride._peaks_db(samples, 3.7, 300), ride._squares_by_step(samples, 33, 30)
    monkeypatch.setattr(ride, "_STEPS_AT_ONCE", 5)
    pieces = ride._peaks_db(samples, 3.7, 300), ride._squares_by_step(samples, 33, 30)
    assert all(np.array_equal(one, other) for one, other in zip(whole, pieces, strict=True))
    assert 10 ** (whole[0][:270] / 20).max() == pytest.approx(np.abs(samples).max())
    assert whole[1].sum() == pytest.approx(np.sum(samples[:990] ** 2))
