"""Listening excerpts: where they are cut, what they hold, how loud; and what of them the page plays."""

import io

import numpy as np
import pytest
import soundfile
from bounceproof import excerpts
from bounceproof.files import read_json
from fake_session import RATE_HZ, SONG_S, finished_session

RATE = 8000


def test_the_loudest_seconds_are_found():
    samples = 0.01 * np.random.default_rng(1).normal(size=30 * RATE)
    samples[int(17.5 * RATE) : int(21.5 * RATE)] *= 10
    assert excerpts.loudest_from_s(samples, RATE) == 17.5
    assert excerpts.loudest_from_s(samples[: 3 * RATE], RATE) == 0.0
    assert excerpts.loudest_from_s(np.zeros(30 * RATE), RATE) == 0.0


def test_parts_follow_each_other_at_one_gain():
    loud, soft = np.full(RATE, 0.5), np.full(RATE, 0.05)
    made = excerpts.together({"Stem": loud, "Followed": soft}, RATE, 3.0)
    assert [part["name"] for part in made.parts] == ["Stem", "Followed"]
    levels = [np.median(made.samples[round(part["start_s"] * RATE) : round(part["end_s"] * RATE)]) for part in made.parts]
    assert levels[0] == pytest.approx(10 ** (-3 / 20)), "peaks 3 dB under full scale"
    assert levels[0] / levels[1] == pytest.approx(10.0)
    assert made.gain_db == pytest.approx(20 * np.log10(levels[0] / 0.5))
    between = made.samples[round(made.parts[0]["end_s"] * RATE) : round(made.parts[1]["start_s"] * RATE)]
    assert len(between) == round(excerpts.REST_S * RATE)
    assert not between.any()
    assert not excerpts.together({"Stem": np.zeros(RATE)}, RATE, 0.0).samples.any()


def test_what_the_page_plays_is_small_in_time_and_the_same_twice():
    times_s = np.arange(3 * 48000) / 48000
    samples = 0.5 * np.sin(2 * np.pi * 1000 * times_s) * (times_s > 1.0)
    data = excerpts.compressed(samples, 48000)
    assert data == excerpts.compressed(samples, 48000)
    assert len(data) < 9000 * 3
    heard, rate_hz = soundfile.read(io.BytesIO(data))
    # A decoder may leave up to two frames of 576 samples before the sound.
    starts_s = np.flatnonzero(np.abs(heard) > 0.25)[0] / rate_hz
    assert starts_s == pytest.approx(1.0, abs=0.06)
    later = heard[round(1.5 * rate_hz) : round(2.5 * rate_hz)]
    assert np.sqrt(np.mean(np.square(later))) == pytest.approx(0.5 / np.sqrt(2), rel=0.08), (
        "an encoder keeps half a dB of headroom"
    )


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    return finished_session(tmp_path_factory) / "results"


def parts_of(results, track):
    """{name: samples} of a track's excerpt, and its facts."""
    about = read_json(results / "excerpts" / f"{track}.json")
    samples, rate_hz = soundfile.read(results / "excerpts" / f"{track}.wav")
    assert rate_hz == RATE_HZ
    cut = {one["name"]: samples[round(one["start_s"] * rate_hz) : round(one["end_s"] * rate_hz)] for one in about["parts"]}
    return cut, about


def test_an_excerpt_holds_the_stem_and_what_came_back_of_it(session):
    parts, about = parts_of(session, "drum")
    assert list(parts) == ["Stem", "Two clicks", "Followed", "Restored"]
    assert {len(samples) for samples in parts.values()} == {round(excerpts.PART_S * RATE_HZ)}
    stem = soundfile.read(session / "stems" / "drum.wav")[0]
    first = round(about["from_s"] * RATE_HZ)
    inner = slice(RATE_HZ // 10, -RATE_HZ // 10)
    there = stem[first : first + len(parts["Stem"])] * 10 ** (about["gain_db"] / 20)
    assert np.abs(parts["Stem"] - there)[inner].max() < 1e-5
    error = {name: np.sum(np.square(samples - parts["Stem"])[inner]) for name, samples in parts.items()}
    assert error["Restored"] < error["Followed"] < error["Two clicks"], "each step comes nearer to the stem"


def test_of_what_did_not_come_back_the_stem_alone_is_heard(session):
    for track in ("voice", "horn"):
        parts, about = parts_of(session, track)
        assert list(parts) == ["Stem"]
        assert 0 <= about["from_s"] <= SONG_S - excerpts.PART_S
