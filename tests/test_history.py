"""Level through time, highs that fade, a level control's ride taken back, the quietest second, the evening."""

from types import SimpleNamespace

import numpy as np
import pytest
from bounceproof.condition.ride import undoing_gain
from bounceproof.evening import COLUMNS, evening
from bounceproof.quantities import amplitude_db, amplitude_from_db
from bounceproof.stack import Layer, quietest_second, with_muting
from bounceproof.trends import straight_trend
from bounceproof.verdicts import evening_findings, track_verdict
from scipy import signal
from simulated import BAND_HZ, RATE_HZ, lay, music

PLAIN = {"replay_band": {}, "hiss": {"below_signal_db": 28, "rise_db": 3}}
CONTROL = {"target_dbfs": -30.0, "max_gain_db": 0.0, "range_db": 18.0, "attack_ms": 5.0, "release_ms": 300.0}


@pytest.fixture(scope="module")
def plain():
    return lay(music(40.0, 3), PLAIN, 3)


def test_highs_that_stay_and_highs_that_fade(plain):
    steady = plain.measured()[0]
    assert abs(steady["highs"]["fade_db"]) < max(0.5, 3 * steady["highs"]["fade_sigma_db"])
    assert track_verdict("one", plain.values, steady).word == "ready"

    # Towards the end the dull copy takes over: -5.1 dB at 2.9 kHz, -1.8 at 790 Hz, by the filter's own squares.
    dull = signal.sosfiltfilt(signal.butter(1, 1000, "low", fs=RATE_HZ, output="sos"), plain.aligned)
    upper = plain.aligned - dull
    gain = amplitude_from_db(np.linspace(0.0, -6.0, len(upper)))
    faded = plain._replace(aligned=dull + gain * upper).measured()[0]
    assert faded["highs"]["fade_db"] == pytest.approx(-3.2, abs=0.3)
    assert faded["highs"]["fade_sigma_db"] < 0.1
    found = track_verdict("one", plain.values, faded)
    assert found.word == "look"
    assert "fall by" in found.findings[0].sentence


def test_a_fall_is_not_lost_to_the_response_that_follows_it(plain):
    """The upper octave by itself, so evenly that how far it falls is known exactly; in a short song the response follows more."""
    short = plain._replace(stem=plain.stem[: 14 * RATE_HZ], aligned=plain.aligned[: 14 * RATE_HZ])
    upper = signal.sosfiltfilt(signal.butter(8, 1500, "high", fs=RATE_HZ, output="sos"), short.aligned)
    falling = amplitude_from_db(np.linspace(0.0, -6.0, len(upper)))
    highs = short._replace(aligned=short.aligned + (falling - 1.0) * upper).measured()[0]["highs"]
    assert highs["fade_db"] == pytest.approx(-6.0, abs=3 * highs["fade_sigma_db"])
    assert highs["fade_sigma_db"] < 0.1


def test_without_hiss_a_fall_is_told_to_some_thousandths_of_a_decibel(plain):
    """However sharply the response follows the fall of each partial: nothing of that is left in the end."""
    clean = (plain.aligned - plain.hiss)[: 14 * RATE_HZ]
    upper = signal.sosfiltfilt(signal.butter(8, 1500, "high", fs=RATE_HZ, output="sos"), clean)
    falling = amplitude_from_db(np.linspace(0.0, -4.0, len(upper)))
    heard = plain._replace(stem=plain.stem[: len(clean)], aligned=clean + (falling - 1.0) * upper).measured()[0]["highs"]
    assert heard["fade_db"] == pytest.approx(-4.0, abs=0.005)


def test_the_level_through_time(plain):
    slow = amplitude_from_db(np.linspace(2.0, -2.0, len(plain.aligned)))
    history = plain._replace(aligned=plain.aligned * slow).measured()[0]["level_history"]
    told = [(k, gain, sd) for k, (gain, sd) in enumerate(zip(history["gain_db"], history["gain_sigma_db"], strict=True)) if gain]
    assert history["step_s"] == 1.0
    assert len(told) > 30
    expected_db = np.array([2.0 - 4.0 * (k + 0.5) / 40 for k, _, _ in told])
    errors = np.array([gain for _, gain, _ in told]) - expected_db
    assert np.std(errors) < 0.3
    assert np.mean(np.abs(errors - errors.mean()) < 1.96 * np.array([sd for _, _, sd in told])) > 0.85
    loud = max(level for level in history["signal_dbfs"] if level is not None)
    assert loud == pytest.approx(amplitude_db(np.sqrt(np.mean(plain.aligned**2))), abs=6.0)


def test_a_ride_taken_back():
    laid = lay(music(20.0, 4, spread_db=24.0, rests=((8, 11),)), {**PLAIN, "automatic_level": CONTROL}, 4)
    ride = laid.measured()[0]["level_ride"]
    assert ride["found"]
    gain = undoing_gain(laid.stem, RATE_HZ, ride, high_hz=BAND_HZ[1], limit_db=40.0)
    times_s = np.arange(len(laid.stem)) / RATE_HZ
    truth_db = np.interp(times_s + 6.5, laid.done.truth.level_time_s, laid.done.truth.level_gain_db)
    plays = np.abs(laid.stem) > 0.02
    both_db = (truth_db + amplitude_db(gain))[plays]
    assert np.ptp(np.percentile(truth_db[plays], (2, 98))) > 8
    assert np.ptp(np.percentile(both_db, (2, 98))) < 3
    # The level stays what it was, and the rest's opened hiss goes down.
    before, after = (np.mean(np.square(part[plays])) for part in (laid.aligned, laid.aligned * gain))
    assert 10 * np.log10(after / before) == pytest.approx(0.0, abs=1.5)
    assert amplitude_db(gain[int(10 * RATE_HZ)]) < -3
    capped_db = amplitude_db(undoing_gain(laid.stem, RATE_HZ, ride, high_hz=BAND_HZ[1], limit_db=3.0))
    assert np.abs(capped_db).max() == pytest.approx(3.0)


def test_the_mix_ready_file_says_what_was_taken_back(tmp_path):
    from bounceproof.audio import write_float_wav
    from bounceproof.files import write_json
    from ready_track import levelled

    ride = {"found": True, "target_dbfs": -26.0, "reach_db": 14.0, "attack_s": 0.005, "release_s": 0.2, "mean_db": -6.0}
    stem = music(4.0, 4)
    write_float_wav(tmp_path / "stem.wav", stem, RATE_HZ)
    paths = SimpleNamespace(stem=tmp_path / "stem.wav", condition=tmp_path / "condition.json")
    settings = {"sample_rate_hz": RATE_HZ, "band_high_hz": BAND_HZ[1], "riding_limit_db": 5.0}
    write_json(paths.condition, {"level_ride": ride, "playing_s": [[0.0, 4.0]]})
    samples, undone = levelled(stem, paths, settings)
    assert (undone["least_db"], undone["most_db"]) == (pytest.approx(-5.0, abs=0.01), pytest.approx(5.0, abs=0.01))
    assert np.abs(samples).max() > np.abs(stem).max()
    for nothing in ({**ride, "found": False}, None):
        write_json(paths.condition, {"level_ride": nothing})
        same, undone = levelled(stem, paths, settings)
        assert same is stem
        assert undone is None


def test_the_quietest_second():
    levels = {"flat": -60.0, "a_weighted": -60.0, "bs468_rms": -54.0}
    loud = Layer(
        "loud", "take1", False, 0.0, 0.0, levels, {}, [[0.0, 6.0]], -20.0, signal_by_second_dbfs=(-20.0,) * 6 + (None,) * 4
    )
    other = loud._replace(track="soft", gain_db=3.0, playing_s=[[6.0, 9.0]], signal_dbfs=-40.0)
    soft = other._replace(signal_by_second_dbfs=(None,) * 6 + (-43.0, -46.0, -40.0, -90.0))
    layers = [loud, soft]
    found = quietest_second(layers, with_muting(layers, song_s=10.0))
    assert found["at_s"] == 7.0
    assert found["programme_dbfs"] == pytest.approx(-43.0)
    assert found["hiss_dbfs"] == pytest.approx(10 * np.log10(1e-6 + 10**-5.7))
    assert found["programme_over_muted_hiss_db"] == pytest.approx(14.0, abs=0.1)
    assert quietest_second([loud._replace(signal_by_second_dbfs=())], with_muting(layers, song_s=10.0)) is None


def take(k, *, speed, hiss, highs, name="take1", **more):
    bands = [
        {"nominal_hz": str(f), "response_db": str(-3.0 + (highs if f > 1500 else 0.0)), "response_sigma_db": "0.1"}
        for f in (500, 630, 800, 1000, 2000, 2500, 3150)
    ]
    facts = {"side": "", "counter": "", "battery_v": None, "capture_gain_db": None, **more}
    condition = {"hiss": {"flat_dbfs": hiss, "flat_sigma_db": 0.1}}
    alignment = {"state": "aligned", "speed_percent": speed, "simulated": False}
    return {"track": f"t{k}", "take": name, "number": k, **facts, "alignment": alignment, "condition": condition, "bands": bands}


def test_the_evening_tells_what_wanders_and_what_only_scatters():
    random = np.random.default_rng(1)
    takes = [
        take(k, speed=1.0 - 0.1 * k + 0.02 * random.normal(), hiss=-60 + 0.2 * random.normal(), highs=-0.5 * k) for k in range(8)
    ]
    rows, summary = evening(takes[::-1], (400.0, 4000.0))
    assert [row["track"] for row in rows] == [f"t{k}" for k in range(8)]
    assert set(rows[0]) == set(COLUMNS)
    assert summary["speed"]["change"] == pytest.approx(-0.7, abs=0.06)
    assert summary["highs"]["change"] == pytest.approx(-3.5, abs=0.3)
    sentences = [one.sentence for one in evening_findings(summary)]
    assert len(sentences) == 2
    assert sentences[0].startswith("From the first take of the evening to the last the speed fell by 0.7")
    assert "highs fell by 3.5 dB" in sentences[1]


def test_the_evening_goes_by_side_and_counter_and_takes_the_capture_gain_off():
    takes = [
        take(1, speed=1.0, hiss=-60.0, highs=0.0, side="B", counter="10"),
        take(2, speed=1.0, hiss=-50.0, highs=0.0, side="A", counter="200", capture_gain_db=10.0),
        take(3, speed=1.0, hiss=-60.0, highs=0.0, side="A", counter="30"),
        {**take(4, speed=None, hiss=-60.0, highs=0.0), "alignment": {"state": "rejected"}},
    ]
    rows, summary = evening(takes, (400.0, 4000.0))
    assert [row["track"] for row in rows] == ["t3", "t2", "t1"]
    assert {row["hiss_dbfs"] for row in rows} == {-60.0}
    assert summary["speed"]["change"] is None
    assert evening_findings(summary) == []


def test_the_interval_of_a_trend_holds():
    random = np.random.default_rng(2)
    inside = 0
    for _ in range(400):
        change, sigma = straight_trend(np.arange(12), np.arange(12) * 0.1 + random.normal(size=12), np.ones(12), 11, least_sd=0.0)
        inside += abs(change - 1.1) < 1.96 * sigma
    # Its scatter only ever widens it: 95 % and a little more, 400 drawn.
    assert 0.93 < inside / 400 < 0.995
