"""Stacked hiss to be heard: true relative levels, muting, three mixes under shuffled names."""

import numpy as np
import pytest
from bounceproof import hiss_demonstration
from bounceproof.audio import read_audio, write_float_wav
from bounceproof.files import read_table, write_json
from fake_session import run

RATE_HZ = 8000


def layers(count, *, spans=((0.0, 30.0),), seconds=5.0):
    random = np.random.default_rng(3)
    return [
        hiss_demonstration.Layer(f"t{k}", 0.01 * random.normal(size=int(seconds * RATE_HZ)), 0.0, 0.0, list(spans))
        for k in range(count)
    ]


def test_each_doubling_is_three_decibels_louder():
    samples, rows = hiss_demonstration.demonstration(layers(6), RATE_HZ, song_s=30.0)
    assert [row["tracks"] for row in rows] == [1, 2, 4, 6, 6]
    steps = [samples[int((row["from_s"] + 0.1) * RATE_HZ) : int((row["to_s"] - 0.1) * RATE_HZ)] for row in rows]
    levels = np.array([10 * np.log10(np.mean(step**2)) for step in steps])
    # 10 lg N: 3.01, 6.02, 7.78 dB.
    assert levels[1:4] - levels[0] == pytest.approx([3.01, 6.02, 7.78], abs=0.3)
    told = np.array([row["level_dbfs"] for row in rows])
    assert told[1:4] - told[0] == pytest.approx([3.01, 6.02, 7.78], abs=0.3)
    # One track of -40 dBFS rms in the middle: left and right together carry its power.
    assert told[0] == pytest.approx(-40.0, abs=0.3)
    assert np.max(np.abs(samples)) == pytest.approx(10 ** (-6 / 20))


def test_muting_is_heard_where_mutes_open_and_shut():
    found = hiss_demonstration.demonstration(layers(2, spans=[(10.0, 12.0)]), RATE_HZ, song_s=30.0)
    samples, rows = found
    muted = rows[-1]
    assert muted["muted"]
    assert muted["song_from_s"] < 10.0 < 12.0 < muted["song_from_s"] + 8.0
    time_s = muted["song_from_s"] + np.arange(int(8.0 * RATE_HZ)) / RATE_HZ
    piece = samples[int(muted["from_s"] * RATE_HZ) :][: len(time_s)]
    assert np.any(piece[(time_s > 10.0) & (time_s < 12.0)])
    assert not np.any(piece[(time_s < 9.9) | (time_s > 12.2)])


def test_nothing_to_hear():
    samples, rows = hiss_demonstration.demonstration([], RATE_HZ, song_s=30.0)
    assert rows == []
    assert not np.any(samples)


def test_blind_files_are_equally_loud_and_the_key_tells_them(tmp_path):
    names = ["returned", "narrow-band", "source"]
    noise = np.random.default_rng(1).normal(size=(4000, 2)) * 0.05
    mixes = {}
    for name, gain in zip(names, (1.0, 0.5, 2.0), strict=True):
        write_float_wav(tmp_path / f"{name}.wav", gain * noise, RATE_HZ)
        mixes[name] = {"match_db": -20 * np.log10(gain)}
    write_json(tmp_path / "reference.json", {"mixes": mixes})
    files = [tmp_path / "listening" / f"{name}.wav" for name in ("one", "two", "three")]
    run(
        "blind_files",
        inputs={"mixes": [tmp_path / f"{name}.wav" for name in names], "reference": tmp_path / "reference.json"},
        outputs={"files": files, "key": tmp_path / "listening" / "key.tsv"},
        settings={"names": names, "seed": 3, "session": "harbour"},
    )
    for path in files:
        assert read_audio(path).samples == pytest.approx(noise, abs=1e-6)
        assert not any(name.encode() in path.read_bytes()[:2000] for name in names)
    assert sorted(row["mix"] for row in read_table(tmp_path / "listening" / "key.tsv")) == sorted(names)
