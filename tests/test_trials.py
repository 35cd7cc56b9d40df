"""Trials: what is cut from a stem, and the send level that comes of its return, with a level control and without."""

import itertools
from functools import cache

import numpy as np
import pytest
import simulated
from bounceproof.audio import resample, write_float_wav, write_pcm24_wav
from bounceproof.files import read_json, read_table, write_json
from bounceproof.planning.send_levels import loudest_db
from bounceproof.planning.trials import GAP_S, PASSAGE_S, make_trial, measure_trial
from bounceproof.recorder import channel, resolve, simulate
from fake_session import run
from recording import RATE_HZ as SOURCE_HZ
from recording import plucks

RATE_HZ = simulated.RATE_HZ
BAND_HZ = (400.0, 4000.0)
TRANSFER = {"lead_in_s": 4.0, "gap_s": 2.0, "tail_s": 2.0, "click_below_peak_db": 14.0}
BAND = {"band_low_hz": BAND_HZ[0], "band_high_hz": BAND_HZ[1]}


@cache
def song():
    """Plucked notes, loud from 8 s on, soft before."""
    stem = resample(plucks(14.0), SOURCE_HZ, RATE_HZ)
    return stem * np.where(np.arange(stem.size) < 8 * RATE_HZ, 0.1, 1.0)


def test_a_trial_is_the_loudest_passage_four_times_and_a_soft_one():
    samples, passages = make_trial(song(), RATE_HZ, BAND_HZ)
    assert samples.size / RATE_HZ == pytest.approx(25, abs=1)
    loud, soft = passages[:4], passages[4]
    assert [one["kind"] for one in passages] == ["loud"] * 4 + ["soft"]
    assert np.diff([one["send_db"] for one in loud]) == pytest.approx([6, 6, 6])
    assert all(one["stem_s"] >= 7.5 for one in loud) and soft["stem_s"] <= 8 - PASSAGE_S
    pieces = [samples[one["first_sample"] :][: one["samples"]] for one in loud]
    for one, after in itertools.pairwise(pieces):
        assert after == pytest.approx(10 ** (6 / 20) * one, abs=1e-9)
    assert np.abs(pieces[3]).max() == pytest.approx(10 ** (-0.1 / 20), abs=0.02)
    gap = samples[loud[0]["samples"] :][: int(GAP_S * RATE_HZ)]
    assert not gap.any()


def test_send_levels_are_those_of_the_whole_stem():
    """The stem's highest peak lies outside its loudest passage: its level is counted, not the passage's."""
    stem = song().copy()
    stem[100] = 2.0
    _, passages = make_trial(stem, RATE_HZ, BAND_HZ)
    first = round(passages[3]["stem_s"] * RATE_HZ)
    there = np.abs(stem[first : first + passages[3]["samples"]]).max()
    assert passages[3]["send_db"] == pytest.approx(20 * np.log10(2.0 / there) - 0.1, abs=0.01)


def test_too_short_or_silent_makes_none():
    assert make_trial(np.zeros(RATE_HZ * 20), RATE_HZ, BAND_HZ) is None
    assert make_trial(np.ones(RATE_HZ), RATE_HZ, BAND_HZ) is None


def told(folder, machine):
    """The trial's JSON after its way through a machine, by the rules' own scripts, and the trial."""
    import soundfile

    write_float_wav(folder / "horn.wav", song(), RATE_HZ)
    files = {"transfer": folder / "t.wav", "facts": folder / "t.json", "trial": folder / "trial.wav"}
    settings = {"track": "horn", "number": 3, **BAND, **TRANSFER}
    run("make_trial", inputs={"stem": folder / "horn.wav"}, outputs=files, settings=settings)
    sent, _ = soundfile.read(files["transfer"])
    done = simulate(sent, RATE_HZ, {"preset": "prototype", "record_band": {}, **machine}, seed=2)
    write_pcm24_wav(folder / "capture.wav", np.clip(done.capture, -1, 1), RATE_HZ)
    more = {"alignment": {"method": "follow", "speed_search_percent": 12}, "distortion_percent": 3.0}
    out = folder / "horn.json"
    run(
        "measure_trial",
        inputs={"capture": folder / "capture.wav", **files},
        outputs={"values": out},
        settings={**settings, **more},
    )
    trial, _ = soundfile.read(files["trial"])
    return read_json(out), trial


def test_without_a_control_the_level_is_where_the_tape_is_full(tmp_path):
    values, trial = told(tmp_path, {"saturation": {"level_dbfs": -8.0}, "hiss": {"level_dbfs": -52.0}})
    band = resolve({"preset": "prototype", "record_band": {}})["record_band"]
    over_db = loudest_db(channel.limit_band(trial, band, RATE_HZ), RATE_HZ) + 8.0
    assert values["limit"] == "distortion"
    assert values["proposed_db"] == pytest.approx(values["levels"][-1]["send_db"] - over_db, abs=1.5)
    assert values["levels"][0]["missing_db"] == 0 and values["levels"][-1]["missing_db"] > 0.2


def test_with_a_control_the_level_is_where_it_begins(tmp_path):
    control = {"target_dbfs": -14.0, "max_gain_db": -3.0, "range_db": 30.0, "release_ms": 400.0}
    trial, passages = make_trial(song(), RATE_HZ, BAND_HZ)
    machine = {"preset": "prototype", "record_band": {}, "automatic_level": control, "hiss": {"level_dbfs": -60.0}}
    laid = simulated.lay(trial, machine, 2)
    about = {"rate_hz": RATE_HZ, "band_hz": BAND_HZ, "transfer": TRANSFER, "distortion_percent": 3.0}
    values = measure_trial(trial, laid.aligned, laid.done.capture, RATE_HZ, laid.values, passages, **about)
    assert values["limit"] == "level control"
    # The control begins at -11 dBFS of peaks; notes' first milliseconds are over before it takes 1 dB off their bodies.
    assert -11.0 <= values["proposed_db"] <= -4.5
    assert values["levels"][-1]["missing_db"] > 3
    write_json(tmp_path / "horn.json", {"track": "horn", "state": "aligned", "reason": None, **values})
    write_json(tmp_path / "lost.json", {"track": "lost", "state": "rejected", "reason": "No click was found."})
    inputs = {"values": [tmp_path / "horn.json", tmp_path / "lost.json"]}
    outputs = {"page": tmp_path / "trials.html", "table": tmp_path / "trials.tsv"}
    tracks = [{"track": name, "send_db": -6.0} for name in ("horn", "lost", "late")]
    settings = {"name": "song", "tracks": tracks, "distortion_percent": 3.0, "thresholds": {}}
    run("report_trials", inputs=inputs, outputs=outputs, settings=settings)
    horn, lost, late = read_table(outputs["table"])
    assert "level control rides it" in horn["says"]
    assert (lost["state"], lost["says"], late["state"]) == ("rejected", "No click was found.", "waiting")
    assert "level control rides it" in outputs["page"].read_text(encoding="utf-8")
