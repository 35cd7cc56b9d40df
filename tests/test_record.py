"""The record of a run, two of them held against each other, the paragraph of method, and the bundles."""

import copy
import re
import zipfile
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from bounceproof import bundling, comparing
from bounceproof.broadcast import Description, write_described_wav
from bounceproof.files import file_sha256, finite, write_json
from bounceproof.method import paragraph
from bounceproof.record import Places, numbers, present, read_record, record
from bounceproof.report.comparison_page import comparison_page
from bounceproof.session import load_session
from chain import PROJECT, make_session
from fake_session import alignment

RATE_HZ = 48000
EMPTY = dict.fromkeys(("chosen", "alignments", "conditions", "pair_summaries", "made"), ())


def empty_files(folder, **files):
    for name in ("stack", "reference"):
        write_json(folder / f"{name}.json", {})
    return SimpleNamespace(**{**EMPTY, "stack": folder / "stack.json", "reference": folder / "reference.json", **files})


def test_record_is_the_same_on_any_machine(tmp_path):
    contents = []
    for place in ("here", "some where/élse"):
        folder = tmp_path / place
        stem = folder / "my song" / "stems" / "a.wav"
        stem.parent.mkdir(parents=True)
        stem.write_bytes(b"abc")
        (folder / "project").mkdir()
        (folder / "project" / "media.yaml").write_text("x")
        session = {
            "name": "s",
            "folder": str(folder / "my song"),
            "results_dir": str(folder / "project" / "results"),
            "seed": 3,
            "tracks": [{"track": "a", "stem": str(stem)}],
            "notes": [{"track": "a", "text": f"{stem}: resampled"}],
        }
        files = empty_files(folder, files=[stem, folder / "project" / "media.yaml"])
        settings = {"session": session, "project_dir": str(folder / "project")}
        write_json(folder / "record.json", present(files, settings, {"align_return": "1f"}))
        contents.append((folder / "record.json").read_bytes())
    assert contents[0] == contents[1]
    found = read_record(folder / "record.json")
    # SHA-256 of "abc": the example of FIPS 180-4.
    assert found["files_sha256"]["session/stems/a.wav"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert found["session"]["tracks"][0]["stem"] == "session/stems/a.wav"
    assert found["session"]["notes"][0]["text"] == "session/stems/a.wav: resampled"
    assert found["versions"]["numpy"] == np.__version__
    assert found["code"] == {"align_return": "1f"}


def test_record_tells_paths_outside_by_name_alone(tmp_path):
    places = Places({"session": tmp_path / "s"})
    assert places.relative(tmp_path / "other" / "x.wav") == "elsewhere/x.wav"
    assert record({"name": "n"}, [], chosen={}, places=places)["files_sha256"] == {}


@pytest.mark.parametrize("content", [None, "", "{", "[]", '{"tracks": 1}', "\x00"])
def test_what_is_no_record_is_said_in_a_sentence(tmp_path, content):
    path = tmp_path / "record.json"
    if content is not None:
        path.write_text(content)
    with pytest.raises(OSError, match=r"record\.json: (there is no such record|this is no record).*\.$"):
        read_record(path)


@pytest.fixture
def song():
    """A record of two tracks and a pair."""
    returned = {"wander_s": np.array([0.0, 1e-3])}
    condition = {
        "signal_over_hiss_db": 21.0,
        "signal_over_hiss_sigma_db": 0.1,
        "hiss": {"flat_dbfs": -60.0, "flat_sigma_db": 0.2},
    }
    tracks = {
        name: (alignment(returned, level_db=level, level_sigma_db=0.05), condition) for name, level in (("a", 1.0), ("b", 2.5))
    }
    pair = {
        "pair": "a + b",
        "state": "measured",
        "simulated": True,
        "aligned": {"adds_up_to_hz": 4500.0, "delay_us": 3.0, "delay_sd_us": 2.0},
    }
    stack = {"total": {"flat_dbfs": -41.25}, "programme_over_hiss_db": 18.2}
    reference = {"mixes": {"returned": {"loudness_lufs": -20.0}}, "timing": {"median_us": 4.0, "clicks_median_us": 2900.0}}
    session = {
        "name": "s",
        "seed": 7,
        "sample_rate_hz": 48000,
        "song_samples": 480000,
        "tracks": [{"track": "a"}, {"track": "b"}],
        "medium": {"label": "a machine", "band_low_hz": 400, "band_high_hz": 4000},
        "alignment": {"method": "follow"},
        "transfer": {"click_below_peak_db": 14},
        "thresholds": {"signal_over_hiss_kept_db": 10},
    }
    found = numbers(tracks, [pair], stack, reference)
    return finite(
        record(session, [], chosen={"a": "take1", "b": "take1"}, places=Places({}), numbers=found, code={"align_return": "1"})
    )


def test_the_same_record_gives_the_same_results(song):
    rows = comparing.compare(song, copy.deepcopy(song))
    holds, said = comparing.verdict(rows)
    assert holds
    assert said == ["The present files still give the recorded results, byte for byte."]
    assert {row["word"] for row in rows} == {"same"}


def test_what_differs_is_told_with_its_cause_and_its_uncertainty(song):
    other = copy.deepcopy(song)
    other["numbers"]["tracks"]["a"]["signal_over_hiss_db"]["value"] += 0.2  # sigma of both together 0.141
    other["numbers"]["tracks"]["b"]["signal_over_hiss_db"]["value"] -= 3.0
    other["numbers"]["tracks"]["b"]["level_db"]["value"] *= 1 + 1e-9
    other["code"]["align_return"] = "2"
    other["session"]["thresholds"]["signal_over_hiss_kept_db"] = 12
    words = {(row["of"], row["what"]): row["word"] for row in comparing.compare(song, other) if row["part"] == "tracks"}
    assert words["a", "signal_over_hiss_db"] == comparing.WITHIN
    assert words["b", "signal_over_hiss_db"] == comparing.DIFFERS
    assert words["b", "level_db"] == comparing.SAME
    lines = comparing.lines(comparing.compare(song, other))
    assert re.match(r"The present files do not give the recorded results: 1 of \d+ numbers differ", lines[0])
    assert "Different code: align_return" in lines
    assert "Different settings: thresholds.signal_over_hiss_kept_db" in lines
    assert any("b: signal_over_hiss_db was 21, is 18 (-3, sigma 0.141; differs)" in line for line in lines)


def test_other_bytes_with_the_same_numbers_still_hold(song):
    other = copy.deepcopy(song)
    song["results_sha256"], other["results_sha256"] = {"results/mix/a.wav": "1"}, {"results/mix/a.wav": "2"}
    rows = comparing.compare(song, other)
    assert comparing.verdict(rows)[0]
    assert comparing.lines(rows)[1:] == ["results/mix/a.wav: other bytes"]


def test_side_by_side_page_names_every_unit(song):
    other = copy.deepcopy(song)
    del other["numbers"]["tracks"]["b"]
    other["files_sha256"]["session/stems/x.wav"] = "0" * 64
    page = comparison_page("s", song, other, comparing.compare(song, other))
    assert "only in the first" in page
    assert "session/stems/x.wav" in page
    for unit in ("dB", "dBFS", "µs", "%", "Hz", "LUFS"):
        assert f"<td>{unit}</td>" in page
    assert "Both records hold the same numbers" not in page


def test_method_says_the_songs_own_numbers(song):
    text = paragraph(song)
    for words in ("All returns were simulated", "2 tracks of 10 s at 48 kHz", "400 to 4000 Hz", "14 dB below", "4.5 kHz (a + b)"):
        assert words in text
    assert "-41.2 dBFS rms within that band, 18 dB under the programme" in text
    assert text.count("\n") == 1
    for one in song["numbers"]["tracks"].values():
        one.update(
            simulated=False,
            state="rejected",
            **{key: {"value": None, "sigma": None} for key in one if isinstance(one[key], dict)},
        )
    assert "No return was aligned." in paragraph(song)
    assert "simulated" not in paragraph(song)


# -------------------------------------------------------------------------------------------------------------- bundles


def test_zip_is_the_same_twice_and_holds_the_content(tmp_path):
    (tmp_path / "a.txt").write_text("one")
    for name in ("first.zip", "second.zip"):
        bundling.write_bundle(tmp_path / name, {"z/b.txt": b"two", "a.txt": tmp_path / "a.txt"})
    assert file_sha256(tmp_path / "first.zip") == file_sha256(tmp_path / "second.zip")
    with zipfile.ZipFile(tmp_path / "first.zip") as bundle:
        assert bundle.namelist() == ["a.txt", "z/b.txt"]
        assert bundle.read("z/b.txt") == b"two"
        assert bundle.testzip() is None


@pytest.mark.parametrize(("subtype", "ending"), [("PCM_16", "flac"), ("PCM_24", "flac"), ("PCM_U8", "flac"), ("FLOAT", "wav")])
def test_audio_becomes_flac_only_where_nothing_is_lost(tmp_path, subtype, ending):
    samples = np.random.default_rng(1).uniform(-1, 1, (4800, 2))
    samples[:2] = [[1, -1], [-1, 1]]
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype=subtype)
    path, name, form = bundling.pack_audio(tmp_path / "a.wav", tmp_path, "x/a.wav")
    assert name == f"x/a.{ending}", form
    before, after = (soundfile.read(one, dtype="float64") for one in (tmp_path / "a.wav", path))
    assert before[1] == after[1]
    assert np.array_equal(before[0], after[0])


def test_float_audio_on_the_24_bit_grid_becomes_flac_and_a_start_time_is_kept(tmp_path):
    samples = np.round(np.sin(np.arange(4800.0)) * 2**20) / 2**23
    soundfile.write(tmp_path / "grid.wav", samples, RATE_HZ, subtype="FLOAT")
    assert bundling.pack_audio(tmp_path / "grid.wav", tmp_path, "grid.wav")[1] == "grid.flac"
    described = Description("a", "s", 48000, ("made",))
    write_described_wav(tmp_path / "timed.wav", samples[:, None], RATE_HZ, described)
    assert bundling.pack_audio(tmp_path / "timed.wav", tmp_path, "timed.wav")[1] == "timed.wav"


def test_a_bundled_session_is_the_same_session_elsewhere(tmp_path):
    rows = "TRACK;Stem;pan\nBass;bass.wav;0,5\nother;horn;0\n"
    home = make_session(
        tmp_path / "my song", tmp_path / "there", tracks=rows, pairs="pair\tfirst\tsecond\tkind\np\tBass\tother\tdoubled\n"
    )
    soundfile.write(home / "stems/horn.wav", soundfile.read(home / "stems/horn.wav")[0], RATE_HZ, subtype="PCM_24")
    (home / "returns/Bass").mkdir(parents=True)
    soundfile.write(home / "returns/Bass/take 1.wav", np.zeros(RATE_HZ), RATE_HZ, subtype="PCM_16")
    session = load_session(home, config_dir=PROJECT / "config", project_dir=PROJECT)
    columns = (
        "track",
        "stem",
        "channel",
        "role",
        "group",
        "mix_db",
        "pan",
        "send_db",
        "send_speed",
        "take",
        "mute",
        "restore",
        "note",
    )
    members, files = bundling.session_members(session, tmp_path, columns=columns)
    bundling.write_bundle(tmp_path / "full.zip", members)
    with zipfile.ZipFile(tmp_path / "full.zip") as bundle:
        bundle.extractall(tmp_path / "elsewhere")
    assert {row["form"].partition(":")[0] for row in files} == {"FLAC, the same samples", "as it was"}
    again = load_session(tmp_path / "elsewhere/session", config_dir=PROJECT / "config", project_dir=PROJECT)
    for key in ("pairs", "song_samples", "medium", "seed"):
        assert again[key] == session[key], key
    assert [(one["track"], one["pan"]) for one in again["tracks"]] == [(one["track"], one["pan"]) for one in session["tracks"]]
    assert [take["take"] for take in again["takes"]["Bass"]] == ["take 1"]
    for one, two in zip(session["tracks"], again["tracks"], strict=True):
        assert np.array_equal(soundfile.read(one["stem"])[0], soundfile.read(two["stem"])[0])
    assert "there" not in again["results_dir"]


def test_files_of_a_bundle_name_their_originals(tmp_path):
    home = make_session(tmp_path / "s", tmp_path / "there")
    session = load_session(home, config_dir=PROJECT / "config", project_dir=PROJECT)
    _, rows = bundling.session_members(session, tmp_path, columns=("track", "stem"))
    assert {row["original"] for row in rows} == {"stems/bass.wav", "stems/drum.wav", "stems/horn.wav"}
    assert {row["original_sha256"] for row in rows} == {file_sha256(path) for path in (home / "stems").iterdir()}
