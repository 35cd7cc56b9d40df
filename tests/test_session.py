"""A session's record: defaults, names, legs, numbers, pairs, returns, notes; its schemas and manual."""

import json
import os
import threading
import time

import pytest
import yaml
from bounceproof import demo_song, verdicts
from bounceproof.files import read_json, write_json
from bounceproof.session import manual, take_facts
from bounceproof.session.guessing import guess_role
from bounceproof.session.naming import name_problem, natural_key, safe_name
from jsonschema import Draft202012Validator
from session_maker import PROJECT, load, make_session, mistakes_of, write_stem

SCHEMAS = {path.stem: yaml.safe_load(path.read_text()) for path in (PROJECT / "workflow" / "schemas").glob("*.yaml")}
KEYS = {
    *("name", "folder", "results_dir", "sample_rate_hz", "song_samples", "chain", "seed", "fill_missing", "stems_from"),
    *("medium", "alignment", "transfer", "matching", "mix", "thresholds", "figures", "recorder", "recorder_given", "roles"),
    *("tracks", "pairs", "takes", "take_rows", "captures", "calibrations", "wires", "trials", "notes"),
}


def tracks_of(record):
    return {track["track"]: track for track in record["tracks"]}


def said(record, track=None):
    return [note["text"] for note in record["notes"] if note["track"] == track]


def test_stems_and_an_empty_file_are_a_session(tmp_path):
    record = load(make_session(tmp_path / "my song", stems=("Kick 10", "Kick 2", "Vox", "x7")))
    assert set(record) == KEYS
    assert (record["name"], record["sample_rate_hz"], record["song_samples"]) == ("my song", 48000, 4800)
    assert record["results_dir"] == str(tmp_path / "project" / "results" / "my song")
    assert [(t["track"], t["role"], t["number"]) for t in record["tracks"]] == [
        ("Kick 2", "kick", 1), ("Kick 10", "kick", 2), ("Vox", "voice", 3), ("x7", "other", 4),
    ]  # fmt: skip
    assert record["tracks"][0] == {
        "track": "Kick 2", "parent": "Kick 2", "stem": str(tmp_path / "my song" / "stems" / "Kick 2.wav"), "stem_channels": 1,
        "channel": "mono", "role": "kick", "group": "", "mix_db": 0, "pan": 0, "send_db": -6, "send_speed": 1, "take": "best",
        "note": "", "number": 1, "mute": None, "restore": None,
    }  # fmt: skip
    assert record["pairs"] == record["captures"] == record["notes"] == []
    assert record["takes"] == {"Kick 2": [], "Kick 10": [], "Vox": [], "x7": []}
    assert record["medium"]["name"] == "dictation-2.4"
    assert record["transfer"]["side_minutes"] == record["medium"]["side_minutes"]
    assert json.loads(json.dumps(record)) == record, "plain Python all through"


def test_names_that_tables_and_workflows_trip_over(tmp_path):
    """Names of case reports: numbers, words for nothing, repeated suffixes, dots, words of the project's own files."""
    names = ["001", "NA", "null", "Gtr", "Gtr_L", "Gtr_L_aligned", "Gtr.L", "v1.2", "001-K_9-2", "take_1_1", "transfer", "return"]
    names += ["report", "true", "1e5", "Björn's vox (take 2), dry", "#1", "R&B+", "1.50"]
    table = "track\n" + "".join(f'"{name}"\n' for name in names)
    record = load(make_session(tmp_path / "song", stems=names, tracks=table))
    assert [track["track"] for track in record["tracks"]] == names
    assert [os.path.basename(track["stem"]) for track in record["tracks"]] == [f"{name}.wav" for name in names]


@pytest.mark.parametrize(
    ("text", "safe"),
    [("aux", "track-aux"), ("Vox ", "Vox"), ("Ad lib.", "Ad lib"), ("a/b", "a-b"), ("x:y", "x-y"), ("-rf", "rf"), ("50%", "50"),
     ("{take}", "take"), ("n" * 240, "n" * 90), ("", "track"), ("...", "track"), ("returned", "track-returned"), ("Kick", "Kick"),
     ("é" * 60, "é" * 45), ("con.x", "track-con-x"), ("a.wav", "track-a-wav")],
)  # fmt: skip
def test_safe_names(text, safe):
    assert safe_name(text) == safe
    assert name_problem(safe, "track") is None


def test_natural_order():
    assert sorted(["take10", "take2", "Take1", "take02", "a"], key=natural_key) == ["a", "Take1", "take02", "take2", "take10"]


def test_stems_that_cannot_lend_their_name(tmp_path):
    record = load(make_session(tmp_path / "song", stems=("50%", "kick")))
    assert list(tracks_of(record)) == ["50", "kick"]
    assert said(record, "50") == ["stem '50%.wav' cannot lend its name to files; its track is called 50"]


def test_settings_and_their_words(tmp_path):
    settings = """
name: 2024
sample_rate_hz: 44100.0
medium: CASSETTE-I
fill_missing: no
chain:
  recorder: a worn deck
  tape: type I, 90 min
seed:
transfer: {send_db: -12, side_minutes: 30}
media: {cassette-i: {hiss_below_full_db: 44}, loop: {band_low_hz: 100, band_high_hz: 5000}}
roles: {gong: {bands: [{name: low, low_hz: 50, high_hz: 300}]}, kick: {label: big drum}}
"""
    record = load(make_session(tmp_path / "song", settings=settings, tracks="track;role;send_db\nkick;Gong;\nbass;;-3,5\n"))
    assert (record["name"], record["sample_rate_hz"], record["fill_missing"], record["seed"]) == ("2024", 44100, "no", 1)
    assert record["chain"] == "recorder: a worn deck\ntape: type I, 90 min"
    assert record["medium"] | {"name": "cassette-i", "hiss_below_full_db": 44, "band_low_hz": 60} == record["medium"]
    assert record["roles"]["gong"]["bands"] == [{"name": "low", "low_hz": 50, "high_hz": 300, "importance": 2}]
    assert record["roles"]["kick"]["label"] == "big drum"
    assert len(record["roles"]["kick"]["bands"]) == 2
    assert [(t["role"], t["send_db"]) for t in record["tracks"]] == [("gong", -12), ("bass", -3.5)]
    assert record["transfer"]["side_minutes"] == 30


def test_rate_and_length(tmp_path):
    """The session's rate is the one most stems have; what differs is said."""
    folder = make_session(tmp_path / "song", stems=())
    write_stem(folder / "stems" / "a.wav", rate_hz=44100, frames=44100)
    write_stem(folder / "stems" / "b.flac", rate_hz=44100, frames=22050)
    write_stem(folder / "stems" / "c.aiff", rate_hz=96000, frames=96000)
    record = load(folder)
    assert (record["sample_rate_hz"], record["song_samples"]) == (44100, 44100)
    assert said(record, "a") == []
    assert said(record, "b") == ["stem b.flac ends 0.500 s before the longest; it is padded with silence"]
    assert said(record, "c") == ["stem c.aiff has 96000 Hz, the session 44100; it is resampled"]


def test_band_and_rate(tmp_path):
    record = load(make_session(tmp_path / "song", settings="medium: wire\nsample_rate_hz: 32000\n"))
    assert record["medium"]["band_high_hz"] == 14400
    assert "the band of wire ends at 14400 Hz" in "".join(said(record))


def test_stereo_stems_become_two_legs_and_a_pair(tmp_path):
    table = "track\tchannel\tpan\tmix_db\nacc\t\t0.25\t-2\nroom\tsum\nkick\n"
    folder = make_session(
        tmp_path / "song", stems=("kick",), tracks=table, pairs="pair,first,second,kind\np,acc.L,Kick,Doubled\n"
    )
    write_stem(folder / "stems" / "acc.wav", channels=2)
    write_stem(folder / "stems" / "room.wav", channels=2)
    record = load(folder)
    tracks = tracks_of(record)
    assert list(tracks) == ["acc.L", "acc.R", "room", "kick"]
    assert [t["number"] for t in record["tracks"]] == [1, 2, 3, 4]
    left, right = tracks["acc.L"], tracks["acc.R"]
    assert (left["parent"], left["channel"], left["pan"], left["mix_db"]) == ("acc", "left", -0.75, -2)
    assert (right["parent"], right["channel"], right["pan"], right["stem_channels"]) == ("acc", "right", 1, 2)
    assert tracks["room"]["channel"] == "sum"
    assert record["pairs"] == [
        {"pair": "p", "first": "acc.L", "second": "kick", "kind": "doubled", "declared": True},
        {"pair": "acc", "first": "acc.L", "second": "acc.R", "kind": "stereo", "declared": True},
    ]


def test_an_own_row_for_two_legs_replaces_theirs(tmp_path):
    folder = make_session(tmp_path / "song", stems=(), pairs="pair,first,second\nboth,acc.R,acc.L\n")
    write_stem(folder / "stems" / "acc.wav", channels=2)
    both = {"pair": "both", "first": "acc.R", "second": "acc.L", "kind": "one-source", "declared": True}
    assert load(folder)["pairs"] == [both]


def test_every_two_tracks_of_a_group_are_a_pair(tmp_path):
    long = "x" * 60
    table = f"track\tgroup\nkick\tKit\nsnare\tkit\nacc\tKit\nbass\t\n{long}1\tlong\n{long}2\tlong\n"
    stems = ("kick", "snare", "bass", f"{long}1", f"{long}2")
    pairs = "pair\tfirst\tsecond\ndrum\tsnare\tkick\npair 1\tbass\tkick\n"
    folder = make_session(tmp_path / "song", stems=stems, tracks=table, pairs=pairs)
    write_stem(folder / "stems" / "acc.wav", channels=2)
    found = [(p["pair"], p["kind"]) for p in load(folder)["pairs"] if not p["declared"]]
    names = ["kick + acc.L", "kick + acc.R", "snare + acc.L", "snare + acc.R", "pair 2"]
    assert found == [(name, "one-source") for name in names], "declared ones and stereo legs are not paired again"


def test_written_numbers_stay_when_rows_move(tmp_path):
    table = "track\tnumber\nnew\t\nkick\t1\nbass\t2\nlast\t\n"
    record = load(make_session(tmp_path / "song", stems=("new", "kick", "bass", "last"), tracks=table))
    assert [(t["track"], t["number"]) for t in record["tracks"]] == [("new", 3), ("kick", 1), ("bass", 2), ("last", 4)]


def test_where_stems_are_looked_for(tmp_path):
    folder = make_session(
        tmp_path / "song",
        stems=("kick", "Bass DI"),
        tracks="track\tstem\na\t../other/x.wav\nb\tKICK\nc\tbass di.WAV\nd\tsub\\y\n",
    )
    write_stem(tmp_path / "other" / "x.wav")
    write_stem(folder / "stems" / "sub" / "y.flac")
    found = {name: os.path.relpath(t["stem"], tmp_path) for name, t in tracks_of(load(folder)).items()}
    stems = os.path.join("song", "stems")
    assert os.path.normpath(found["a"]) == os.path.join("other", "x.wav")
    assert [found[name] for name in "bcd"] == [os.path.join(stems, name) for name in ("kick.wav", "Bass DI.wav", "sub/y.flac")]


def test_hidden_and_other_files_beside_stems(tmp_path):
    folder = make_session(tmp_path / "song")
    (folder / "stems" / "._kick.wav").write_bytes(b"\0\5\x16\7" + bytes(4092))
    (folder / "stems" / "lyrics.txt").write_text("la")
    assert list(tracks_of(load(folder))) == ["bass", "kick"]


def test_the_demo_song_needs_no_files(tmp_path):
    tracks = "track,stem\nx,choir.wav\naccordion\n"
    folder = make_session(tmp_path / "song", stems=(), settings="stems_from: demo_song\n", tracks=tracks)
    record = load(folder)
    song, (first, left, right) = demo_song.catalogue(1), record["tracks"]
    assert [track["track"] for track in record["tracks"]] == ["x", "accordion.L", "accordion.R"]
    assert first["stem"] == os.path.join(record["results_dir"], "song", "choir.wav")
    assert left["stem"] == right["stem"]
    assert record["song_samples"] == song["choir"]["frames"]
    (folder / "tracks.tsv").unlink()
    assert [track["parent"] for track in load(folder)["tracks"] if not track["track"].endswith(".R")] == list(song)
    (folder / "tracks.tsv").write_text("track\nchoire\n")
    assert "'choire' is no stem of the demo song; did you mean choir?" in mistakes_of(folder)[0]


def test_the_projects_own_demo_is_without_mistakes(tmp_path):
    record = load(PROJECT / "config" / "demo", project=tmp_path)
    assert record["name"] == "demo"
    assert len(record["tracks"]) >= 10
    assert record["song_samples"] >= 40 * record["sample_rate_hz"]


def test_returns(tmp_path):
    folder = make_session(
        tmp_path / "song",
        tracks="track\ttake\nkick\tTAKE2\nbass\tLatest\n",
        takes="take;battery_v;side\ntake2;2,9;A\nkick/take2.wav;;B\nlost;;\n",
    )
    returns = folder / "returns"
    for name in ("take10.wav", "take2.FLAC", "take1.Aiff", "001.wav"):
        write_stem(returns / "Kick" / name)
    for name in ("take1.aiff.xyz", "take2.peak", ".take3.wav", "._take1.wav", "Thumbs.db", ".hidden"):
        (returns / "Kick" / name).write_bytes(b"x")
    (returns / "Kick" / "plan.txt").write_text("x")
    (returns / "Kick" / "old").mkdir()
    write_stem(returns / "bas" / "take1.wav")
    write_stem(returns / "stray.wav")
    write_stem(returns / "bas.wav")
    write_stem(returns / "unsorted" / "folder1" / "T 10.wav")
    write_stem(returns / "unsorted" / "T 2.wav")
    record = load(folder)
    kick = record["takes"]["kick"]
    assert [take["take"] for take in kick] == ["001", "take1", "take2", "take10"]
    assert kick[2] == {
        "take": "take2", "path": str(returns / "Kick" / "take2.FLAC"), "capture_channel": None, "side": "B", "counter": "",
        "replay_of": "", "capture_gain_db": None, "battery_v": 2.9, "note": "",
    }  # fmt: skip
    assert record["takes"]["bass"] == []
    assert [os.path.basename(path) for path in record["captures"]] == ["T 10.wav", "T 2.wav"]
    assert [(t["track"], t["take"]) for t in record["tracks"]] == [("kick", "take2"), ("bass", "latest")]
    assert said(record) == [
        "returns/bas/ passed over; did you mean bass?",
        "returns/bas.wav passed over; put it into returns/bass/ or into returns/unsorted/",
        "returns/stray.wav passed over; put it into returns/TRACK/ or into returns/unsorted/",
    ]
    assert [text.split(" passed over")[0] for text in said(record, "kick")] == ["returns/Kick/old", "returns/Kick/plan.txt"]
    assert take_facts(record["take_rows"], "bass", "Take2")["side"] == "A", "a take sorted out of a capture later"


def test_takes_said_of_but_not_there(tmp_path):
    folder = make_session(tmp_path / "song", tracks="track,take\nkick,take3\nbass\n", takes="take,note\nkick/take1,loud\n")
    record = load(folder)
    assert sorted(said(record, "kick")) == [
        "take take3 is asked for and has not come back yet",
        "takes.tsv, row 2: there is no take kick/take1; the row is passed over",
    ]


def test_returns_of_stereo_tracks(tmp_path):
    folder = make_session(tmp_path / "song", stems=(), takes="take,note\nacc/both,wide\nacc.L/both,left one\n")
    write_stem(folder / "stems" / "acc.wav", channels=2)
    returns = folder / "returns"
    write_stem(returns / "acc" / "both.wav", channels=2)
    write_stem(returns / "acc" / "single.wav")
    write_stem(returns / "acc.L" / "take1.wav")
    record = load(folder)
    assert [(t["take"], t["capture_channel"], t["note"]) for t in record["takes"]["acc.L"]] == [
        ("both", 1, "left one"),
        ("take1", None, ""),
    ]
    assert [(t["take"], t["capture_channel"], t["note"]) for t in record["takes"]["acc.R"]] == [("both", 2, "wide")]
    (note,) = said(record, "acc")
    assert note.startswith("returns/acc/single.wav passed over: 1 channel, and acc is stereo")


def test_a_file_still_growing_waits(tmp_path):
    folder = make_session(tmp_path / "song")
    old = write_stem(folder / "returns" / "kick" / "old.wav")
    young, growing = folder / "returns" / "kick" / "young.wav", folder / "returns" / "kick" / "growing.wav"
    young.write_bytes(old.read_bytes())
    growing.write_bytes(old.read_bytes()[:2000])

    def grow():
        time.sleep(0.4)
        with growing.open("ab") as out:
            out.write(bytes(500))

    thread = threading.Thread(target=grow)
    thread.start()
    record = load(folder)
    thread.join()
    assert [take["take"] for take in record["takes"]["kick"]] == ["old", "young"]
    assert said(record) == ["returns/kick/growing.wav is still growing; it is left for the next run"]


@pytest.mark.parametrize(
    ("name", "role"),
    [("Kick In", "kick"), ("BassDrum_01", "kick"), ("bass drum", "kick"), ("Grosse Caisse", "kick"), ("BD2", "kick"),
     ("Bass DI", "bass"), ("kontrabass", "bass"), ("03-SnareTop", "snare"), ("OH L", "overhead"), ("HiHat", "overhead"),
     ("Schlagzeug links", "drums"), ("Gtr_L", "guitar"), ("E-Gitarre 2", "guitar"), ("Mandolin1", "plucked"),
     ("Akkordeon", "accordion"),
     ("Flügel", "keys"), ("Flöte", "winds"), ("Stråkar", "strings"), ("lead vox", "voice"), ("Backing Vocals", "choir"),
     ("BGV", "choir"), ("Chœur", "choir"), ("track 7", "other"), ("Keyboard", "keys"), ("Kitchen", "other"),
     ("announcer", "voice")],
)  # fmt: skip
def test_roles_guessed_from_names(name, role):
    """Common practice: the words people name stems by."""
    roles = yaml.safe_load((PROJECT / "config" / "roles.yaml").read_text(encoding="utf-8"))
    assert guess_role(name, {k: v | {"words": v.get("words", [])} for k, v in roles.items()}) == role


def every_property(schema, path=""):
    for key, inner in schema.get("properties", {}).items():
        yield f"{path}{key}", inner, schema
        yield from every_property(inner, f"{path}{key}.")
    for inner in (schema.get("additionalProperties"), schema.get("items")):
        if isinstance(inner, dict):
            yield from every_property(inner, f"{path}*.")


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_schemas_are_whole(name):
    """Valid by the standard's own schema; closed; every key has a description and a default, or is required and says so."""
    schema = SCHEMAS[name]
    Draft202012Validator.check_schema(schema)
    units = ("_hz", "_s", "_db", "_dbfs", "_us", "_percent", "_minutes", "_v", "_mv", "_ohm", "_um", "_mm", "_px", "_cm_s", "_lu")
    for path, inner, parent in every_property(schema):
        assert parent["additionalProperties"] is False, path
        assert len(inner["description"]) > 15, path
        if "default" in inner:
            value = inner["default"]
            if value is not None:
                assert Draft202012Validator(inner).is_valid(value), path
        else:
            assert path.split(".")[-1] in parent["required"], path
            assert "No default" in inner["description"], path
        if {"number", "integer"} & {inner["type"]} if isinstance(inner["type"], str) else ():
            words = inner["description"]
            assert path.endswith(units) or any(w in words for w in ("unit", "number", "whole", "times", "samples")), path
            assert "enum" in inner or "minimum" in inner or "exclusiveMinimum" in inner, path


def test_the_manual_is_in_step_with_the_schemas():
    written = (PROJECT / "config" / "README.md").read_text(encoding="utf-8")
    assert written == manual.manual_of(PROJECT), "write it anew: envs/run python workflow/scripts/bounceproof/session/manual.py"
    keys = {path.split(".")[-1] for schema in SCHEMAS.values() for path, *_ in every_property(schema)}
    assert all(f"`{key}`" in written or f".{key}`" in written for key in keys)


def test_verdicts_and_schema_have_the_same_thresholds():
    schema = SCHEMAS["session"]["properties"]["thresholds"]["properties"]
    assert {key: inner["default"] for key, inner in schema.items()} == verdicts.DEFAULTS


def test_media_and_roles_say_where_they_come_from():
    media = yaml.safe_load((PROJECT / "config" / "media.yaml").read_text(encoding="utf-8"))
    roles = yaml.safe_load((PROJECT / "config" / "roles.yaml").read_text(encoding="utf-8"))
    for name, entry in media.items():
        figures = {key for key, value in entry.items() if not isinstance(value, (str, bool, dict))}
        assert figures <= set(entry["sources"]), name
    assert {"wire", "dictation-2.4", "dictation-1.2", "cassette-i", "cassette-iv", "open-reel-19", "open-reel-38"} <= set(media)
    assert "other" in roles
    words = [word for role in roles.values() for word in role.get("words", [])]
    assert len(words) == len(set(words)), "a word speaks for one role"


def test_what_a_result_was_made_of_and_what_if_it_is_damaged(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(str(PROJECT / "workflow"))
    from session_start import made_of

    whole, damaged, other = (tmp_path / name for name in ("whole.json", "damaged.json", "other.json"))
    write_json(whole, {"capture_sha256": "one"})
    write_json(other, ["capture_sha256"])
    damaged.write_text('{"capture_sha', encoding="utf-8")
    said = [made_of(path, lambda path: read_json(path)["capture_sha256"]) for path in (whole, damaged, other)]
    assert said == ["one", None, None]
