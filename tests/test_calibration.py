"""The calibration transfer, and recorders measured by it against their truth."""

import numpy as np
import pytest
from bounceproof import verdicts
from bounceproof.audio import Audio, AudioProblem
from bounceproof.planning import level_law, tones
from bounceproof.planning.calibration import LONGEST_S, ladder_tone_hz, make_calibration
from bounceproof.planning.measured_recorder import measure_recorder
from random_machines import calibrated, draw, loudest_errors_db, truth_of


@pytest.mark.parametrize("band_hz", [(400, 4000), (400, 2500), (60, 10000), (20, 20000)])
@pytest.mark.parametrize("rate_hz", [24000, 48000])
def test_the_transfer_holds_what_is_asked_within_two_minutes(band_hz, rate_hz):
    band_hz = (band_hz[0], min(band_hz[1], 0.45 * rate_hz))
    made = make_calibration(rate_hz, band_hz=band_hz, number=255)
    assert made.samples.size / rate_hz < LONGEST_S
    assert np.abs(made.samples).max() <= 1.0
    kinds = [section["kind"] for section in made.facts["sections"]]
    assert kinds.count("sweep") == 2
    up, down = ([one["level_db"] for one in made.facts["sections"] if one["kind"] == f"ladder {way}"] for way in ("up", "down"))
    assert up == down[::-1] and up[0] == -60 and up[-1] == 0
    for one in made.facts["sections"]:
        piece = made.samples[one["first_sample"] :][: one["samples"]]
        peak_db = 20 * np.log10(max(np.abs(piece[len(piece) // 4 : -len(piece) // 4]).max(), 1e-9))
        assert peak_db == pytest.approx(one["level_db"], abs=0.3) if "level_db" in one else peak_db < -170
    assert band_hz[0] < ladder_tone_hz(band_hz) < 3 * ladder_tone_hz(band_hz) < band_hz[1]


@pytest.mark.parametrize("seed", [0, 1])
def test_a_recorder_is_measured_as_it_is(seed):
    machine = draw(seed)
    calibration = calibrated(machine)
    truth = truth_of(machine, calibration)
    found = measure_recorder(calibration.capture, calibration.transfer.facts, medium=machine.medium, speed_search_percent=12)
    assert found["level_control"]["found"] is truth.control
    assert found["full"]["output_dbfs"] == pytest.approx(truth.output_db, abs=1.0)
    assert found["usable_range_db"] == pytest.approx(truth.usable_range_db, abs=1.0)
    assert found["speed_percent"] == pytest.approx(calibration.done.truth.speed_percent, abs=0.15)
    for edges in found["edges"]:
        for name, due_hz in zip(("low_hz", "high_hz"), truth.edges_hz[edges["down_db"]], strict=True):
            if due_hz and edges[name]:
                assert abs(np.log2(edges[name] / due_hz)) < 1 / 6
    control = machine.settings.get("automatic_level")
    if control:
        assert found["level_control"]["release_s"] == pytest.approx(control["release_ms"] / 1000, rel=0.3)
        knee_db = control["target_dbfs"] - control["max_gain_db"] - machine.settings["input_gain_db"]
        assert found["level_control"]["knee_send_db"] == pytest.approx(knee_db, abs=2.0)
    else:
        assert found["full"]["send_db"] == pytest.approx(truth.send_db, abs=1.0)
        assert np.abs(loudest_errors_db(machine, found)).max() < 1.5


def test_a_wire_has_no_full_level_and_no_control():
    transfer = make_calibration(24000, band_hz=(400, 4000), number=255)
    capture = np.concatenate((np.zeros(5000), 0.5 * transfer.samples))
    capture = capture + 10 ** (-100 / 20) * np.random.default_rng(1).standard_normal(capture.size)
    medium = {"band_low_hz": 400, "band_high_hz": 4000, "tape_speed_cm_s": None}
    found = measure_recorder(Audio(capture[:, None], 24000, ()), transfer.facts, medium=medium, speed_search_percent=12)
    assert verdicts.wire_findings(found, (400, 4000)) == []
    assert found["full"] is None
    assert not found["level_control"]["found"]
    assert found["level_control"]["gain_db"] == pytest.approx(-6.02, abs=0.01)
    assert found["speed_percent"] == pytest.approx(0, abs=1e-3)
    assert found["weighted_flutter_percent"] < 0.01
    assert all(abs(row["level_db"]) < 0.2 for row in found["response"] if 200 < row["freq_hz"] < 6000)
    assert found["treble"]["spacing_like_um"] is None


def test_what_is_no_wire_is_said():
    """A recorder in its place: every one of the faults that a wire cannot have."""
    rows = [{"freq_hz": f, "level_db": level} for f, level in ((400, -3.0), (1000, 0.0), (4000, -2.0), (9000, -20.0))]
    values = {
        "speed_percent": -2.0,
        "peak_timing_error_us": 900.0,
        "peak_timing_error_sigma_us": 1.0,
        "response": rows,
        "level_control": {"found": True},
        "full": {"send_db": -4.0},
    }
    said = " ".join(verdicts.wire_findings(values, (400, 4000)))
    for words in ("-2.000 %", "900 µs", "uneven by 3.0 dB", "level rides", "overloads from -4 dBFS"):
        assert words in said


def test_what_is_no_calibration_is_refused_in_a_sentence():
    transfer = make_calibration(24000, band_hz=(400, 4000), number=255)
    medium = {"band_low_hz": 400, "band_high_hz": 4000, "tape_speed_cm_s": None}
    noise = 0.1 * np.random.default_rng(1).standard_normal(24000 * 20)
    for capture, words in ((noise, "no click"), (transfer.samples[: 24000 * 60], "whole")):
        with pytest.raises(AudioProblem, match=words):
            measure_recorder(Audio(capture[:, None], 24000, ()), transfer.facts, medium=medium, speed_search_percent=12)


@pytest.mark.parametrize("over_db", [-25.0, 0.0])
def test_a_steps_level_and_harmonics_stand_although_the_tape_wavers(over_db):
    rate_hz, tone_hz = 24000, 800.0
    t = np.arange(int(0.55 * rate_hz)) / rate_hz
    phase = 2 * np.pi * tone_hz * (t + 0.003 / (2 * np.pi * 2.0) * np.sin(2 * np.pi * 2.0 * t))
    third = level_law.third_at(over_db)
    tone = 0.1 * (np.sin(phase) - third * np.sin(3 * phase + 0.4) + 0.01 * np.sin(2 * phase))
    noise = 1e-4 * np.random.default_rng(2).standard_normal(t.size)
    step = tones.read_step(tone + noise, rate_hz, tone_hz)
    assert step.level_db == pytest.approx(-20.0, abs=0.05)
    assert step.harmonics[2] == pytest.approx(0.01, abs=4 * step.harmonics_sd[2])
    assert step.harmonics[3] == pytest.approx(third, abs=4 * step.harmonics_sd[3] + 1e-4)
    assert step.hiss_dbfs_hz == pytest.approx(10 * np.log10(1e-8 * 2 / rate_hz), abs=1.5)


def test_a_control_is_told_from_overload_by_what_the_harmonics_do():
    send_db = np.arange(-60.0, 1.0, 3.0)
    third = level_law.third_at(send_db + 8.0)
    calm = np.full(send_db.size, 0.02)
    bent = level_law.Ladder(send_db, send_db - level_law.loss_db(third), calm, third, np.full(send_db.size, 1e-3))
    assert not level_law.find_control(bent).found
    assert level_law.find_full([bent, bent], 0.2).before_overload_db == pytest.approx(-8.0, abs=0.3)
    ridden = np.minimum(send_db, -30.0 + 0.25 * (send_db + 30.0))
    held = level_law.Ladder(send_db, ridden, calm, level_law.third_at(ridden + 8.0), np.full(send_db.size, 1e-4))
    control = level_law.find_control(held)
    assert control.found and control.at_the_top
    assert control.slope == pytest.approx(0.25, abs=0.03)
    assert control.knee_send_db == pytest.approx(-30 + 1 / 0.75, abs=0.5)
    assert control.range_db == pytest.approx(22.5, abs=1.0)
