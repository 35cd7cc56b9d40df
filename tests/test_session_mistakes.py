"""Every kind of mistake in a session: told in one line that says where, what, and what to do."""

import os
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bounceproof.session import SessionMistakes, check_stem_samples, claim_results, load_session
from session_maker import PROJECT, load, make_session, mistakes_of, write_stem

T = "track\tstem\tchannel\trole\tmix_db\tpan\tsend_db\tsend_speed\ttake\tnumber\n"


def rows(*lines, header=T):
    return header + "".join(line + "\n" for line in lines)


# settings, then parts that the only line has to hold
SETTINGS = [
    ("nmae: x\n", ["session.yaml, line 1", "'nmae'", "did you mean name?"]),
    ("transfer:\n  leadin_s: 5\n", ["line 2", "'leadin_s'", "lead_in_s"]),
    ("sample_rate_hz: fast\n", ["line 1", "sample_rate_hz", "'fast'", "whole number from 16000 to 192000"]),
    ("sample_rate_hz: 8000\n", ["'8000'", "16000 to 192000"]),
    ("transfer:\n  gap_s: 2,5\n", ["line 2", "transfer.gap_s", "'2,5'", "write 2.5"]),
    ("transfer:\n  send_db: 3\n", ["transfer.send_db", "'3'", "from -60 to 0"]),
    ("transfer: 5\n", ["transfer", "'5'", "`key: value`"]),
    ("figures:\n  dark: maybe\n", ["figures.dark", "'maybe'", "true or false"]),
    ("fill_missing: maybe\n", ["fill_missing", "'maybe'", "no, simulate"]),
    ("alignment:\n  speed_search_percent: 0\n", ["speed_search_percent", "'0'", "above 0"]),
    ("medium: casette-i\n", ["line 1", "'casette-i'", "did you mean cassette-i?", "open-reel-19"]),
    ("name: a\nname: b\n", ["line 2", "'name'", "twice"]),
    ("- a\n- b\n", ["it holds a list", "`key: value`"]),
    ("just words\n", ["'just words'", "`key: value`"]),
    ("name: [a\nseed: 2\n", ["session.yaml, line", "cannot be read as YAML"]),
    ("transfer:\n\tgap_s: 2\n", ["line 2", "a tab stands where spaces are expected"]),
    ("? [a, b]\n: c\n", ["line 1", "a key that is not a word"]),
    ("chain: &a [*a]\n", ["refers to itself"]),
    ("transfer:\n  lead_in_s: 1e999\n", ["line 2", "transfer.lead_in_s is 'inf'", "a number from"]),
    ("results_dir: returns\n", ["results cannot lie in returns/"]),
    (f"results_dir: {'x' * 300}\n", ["it cannot be used (File name too long); name another folder"]),
    ('results_dir: "a\\0b"\n', ["no folder can have this name; name another"]),
    ("name: ..\n", ["name '..': a name cannot begin with '.'"]),
    ("name: 'a/b'\n", ["name 'a/b'", "'/' cannot stand in a name"]),
    ("results_dir: stems/out\n", ["stems/out", "results cannot lie in stems/"]),
    ("results_dir: .\n", ["the session itself lies in it"]),
    ("thresholds:\n  sum_loss_ok_db: 4\n", ["line 2", "sum_loss_ok_db is 4 and sum_loss_poor_db 3"]),
    ("thresholds:\n  residual_ok_us: 200\n", ["residual_ok_us is 200 and residual_poor_us 100"]),
    ("thresholds:\n  programme_over_stack_poor_db: 40\n", ["programme_over_stack_poor_db is 40"]),
    ("thresholds:\n  signal_over_hiss_marginal_db: 11\n", ["signal_over_hiss_marginal_db is 11"]),
    ("alignment:\n  speed_search_percent: 2\n", ["line 2", "2, but the medium dictation-2.4 may be off by 3 percent"]),
    ("media:\n  mine:\n    band_low_hz: 300\nmedium: mine\n", ["line 2", "'mine'", "no band_high_hz"]),
    ("media:\n  wire:\n    band_low_hz: 30000\n", ["line 3", "'wire'", "band_low_hz is '30000'"]),
    ("media:\n  cassette-i:\n    band_high_hz: 50\n", ["'cassette-i'", "a band from 60 to 50 Hz"]),
    ("media:\n  cassette-i:\n    his: 50\n", ["line 3", "unknown key 'his'"]),
    ("roles:\n  kick:\n    bands: []\n", ["line 3", "'kick'", "a list of at least 1"]),
    ("roles:\n  kick:\n    bands:\n    - {name: a, low_hz: 9, high_hz: 3}\n", ["'kick'", "a band from 9 to 3 Hz"]),
    ("sample_rate_hz: 16000\nmedia: {mine: {band_low_hz: 7500, band_high_hz: 9000}}\nmedium: mine\n", ["line 1", "7500 Hz"]),
    ("recorder:\n  preset: pockett\n", ["line 2", "recorder", "'pockett'", "pocket-machine"]),
    ("recorder:\n  settings:\n    hisss: 3\n", ["recorder", "hisss"]),
]


@pytest.mark.parametrize(("settings", "parts"), SETTINGS, ids=[s[0][:30] for s in SETTINGS])
def test_settings(tmp_path, settings, parts):
    lines = mistakes_of(make_session(tmp_path / "song", settings=settings))
    assert len(lines) == 1, lines
    assert all(part in lines[0] for part in parts), lines[0]
    assert "\n" not in lines[0]


TRACKS = [
    (["kick\t\t\tkik"], ["tracks.tsv, row 2, column role", "'kik'", "did you mean kick?", "snare"]),
    (["kick\t\t\tzzz"], ["'zzz' is no known role", "known: kick, snare"]),
    (["kick", "bass", "kick"], ["row 4, column track", "'kick' clashes", "both have this name"]),
    (["kick", "Kick\tbass"], ["row 3", "'Kick' clashes with 'kick'", "case does not count"]),
    (["a\\b\tkick"], ["row 2, column track", "'\\' cannot stand in a name", "allowed are letters"]),
    (["x:y\tkick"], ["':' cannot stand"]),
    (["{take}\tkick"], ["'{' cannot stand"]),
    (["50%\tkick"], ["'%' cannot stand"]),
    (["a\u200bb\tkick"], ["invisible character U+200B"]),
    (["-rf\tkick"], ["cannot begin with '-'"]),
    ([".hid\tkick"], ["cannot begin with '.'"]),
    (["Ad lib.\tkick"], ["cannot end with '.'"]),
    (["aux\tkick"], ["some systems cannot hold a file called aux"]),
    (["COM1.room\tkick"], ["cannot hold a file called COM1"]),
    (["Returned-Clicks\tkick"], ["reserved", "narrow-band"]),
    (["kick.WAV\tkick"], ["cannot end like a file (.WAV)"]),
    (["é" * 51 + "\tkick"], ["102 bytes", "at most 100"]),
    (["\tkick"], ["row 2, column track", "the cell is empty"]),
    (["kick\t\tright"], ["row 2, column channel", "'right'", "one channel"]),
    (["two\t\tmono"], ["column channel", "'mono'", "two channels", "left, right, sum or stereo"]),
    (["kick\t\tfront"], ["column channel", "'front'", "mono, left, right, sum, stereo"]),
    (["five"], ["5 channels", "at most 2"]),
    (["two", "two.L\tkick"], ["row 3", "'two.L' clashes with 'two.L'"]),
    (["snare"], ["row 2, column stem", "'snare' there is no such file"]),
    (["kick\tkikc.wav"], ["'kikc.wav'", "did you mean kick.wav?"]),
    (["void"], ["column stem", "stems/void.wav: the file is empty"]),
    (["page"], ["column stem", "stems/page.wav: not audio", "web page"]),
    (["mp3"], ["stems/mp3.wav: not audio", "MP3 inside a WAV"]),
    (["nan"], ["column stem", "'nan.wav'", "2 samples are not finite"]),
    (["double"], ["'double' fits several files (double.flac, double.wav)"]),
    (["kick\t\t\t\t+50"], ["column mix_db", "'+50'", "-120 to 40"]),
    (["kick\t\t\t\t-3 dB"], ["column mix_db", "'-3 dB'", "write -3 alone"]),
    (["kick\t\t\t\t\t1,5"], ["column pan", "'1,5'", "-1 to 1"]),
    (["kick\t\t\t\t\t\t3"], ["column send_db", "'3'", "-60 to 0"]),
    (["kick\t\t\t\t\t\t\t3"], ["column send_speed", "'3'", "1, 2, 4"]),
    (["kick\t\t\t\t\t\t\t\t\t7", "bass\t\t\t\t\t\t\t\t\t7"], ["row 3, column number", "7 is also the number of 'kick'"]),
    (["kick\t\t\t\t\t\t\t\ttake9"], ["row 2, column take", "'take9'", "one of take1, take2"]),
]


@pytest.fixture(scope="module")
def odd_stems(tmp_path_factory):
    """A folder of stems, good and bad ones."""
    folder = tmp_path_factory.mktemp("odd") / "stems"
    for name in ("kick", "bass"):
        write_stem(folder / f"{name}.wav")
    write_stem(folder / "two.wav", channels=2)
    write_stem(folder / "five.wav", channels=5)
    write_stem(folder / "double.wav")
    write_stem(folder / "double.flac")
    (folder / "void.wav").write_bytes(b"")
    (folder / "page.wav").write_bytes(b"<html><body>404</body></html>" * 20)
    header = b"RIFF\x48\0\0\0WAVEfmt \x1e\0\0\0\x55\0\x01\0\x44\xac\0\0\0\0\0\0\x01\0\0\0\x0c\0\x01\0\0\0\0\0\0\0\0\0\0\0"
    (folder / "mp3.wav").write_bytes(header + b"data\x10\0\0\0" + b"\xff\xfb\x90\0" * 4)
    samples = np.zeros(4800, np.float32)
    samples[[7, 4000]] = np.nan, np.inf
    soundfile.write(folder / "nan.wav", samples, 48000, subtype="FLOAT")
    return folder


@pytest.fixture
def odd(odd_stems, tmp_path):
    folder = make_session(tmp_path / "song", stems=())
    (folder / "stems").symlink_to(odd_stems)
    for take in ("take1", "take2"):
        write_stem(folder / "returns" / "kick" / f"{take}.wav")
    return folder


@pytest.mark.parametrize(("table", "parts"), TRACKS, ids=[t[0][-1].replace("\t", " ")[:30] for t in TRACKS])
def test_tracks(odd, table, parts):
    (odd / "tracks.tsv").write_text(rows(*table), encoding="utf-8")
    lines = mistakes_of(odd)
    assert len(lines) == 1, lines
    assert all(part in lines[0] for part in parts), lines[0]


PAIRS = [
    (["p\tkick\tbas"], ["pairs.tsv, row 2, column second", "'bas'", "did you mean bass?"]),
    (["p\tkick\tkick"], ["'kick' is paired with itself"]),
    (["p\tkick\tbass", "P\tbass\ttwo.L"], ["row 3, column pair", "'P' is the name of another pair"]),
    (["p\tkick\tbass", "q\tbass\tkick"], ["row 3", "bass and kick are already the pair 'p'"]),
    (["p\tkick\ttwo"], ["'two' is a stereo track", "two.L or two.R"]),
    (["two\tkick\tbass"], ["'two' has the name of the stereo track"]),
    (["p\tkick\tbass\tdouble"], ["column kind", "'double'", "one-source, stereo, doubled"]),
    (["p\tkick\t"], ["row 2, column second", "the cell is empty"]),
    (["p/q\tkick\tbass"], ["row 2, column pair", "'/' cannot stand in a name"]),
]


@pytest.mark.parametrize(("table", "parts"), PAIRS, ids=[p[0][-1].replace("\t", " ") for p in PAIRS])
def test_pairs(odd, table, parts):
    (odd / "tracks.tsv").write_text(rows("kick", "bass", "two"))
    (odd / "pairs.tsv").write_text(rows(*table, header="pair\tfirst\tsecond\tkind\n"))
    lines = mistakes_of(odd)
    assert len(lines) == 1, lines
    assert all(part in lines[0] for part in parts), lines[0]


TAKES = [
    (["kik/take1"], ["takes.tsv, row 2, column take", "'kik' is no track", "did you mean kick?"]),
    (["take1", "Take1.wav"], ["row 3", "stands already in row 2"]),
    (["kick/take2\t\t\tTAKE2"], ["column replay_of", "cannot be a replay of itself"]),
    (["kick/take2\t\t\ttake7"], ["column replay_of", "'take7' is no take of the same track", "take1"]),
    (["take1\t\t\t\tloud"], ["column capture_gain_db", "'loud'", "a number from -120 to 120"]),
    (["take1\t\t\t\t\t-1"], ["column battery_v", "'-1'", "0 to 400"]),
    (["\tA"], ["row 2, column take", "the cell is empty"]),
]


@pytest.mark.parametrize(("table", "parts"), TAKES, ids=[t[0][-1].replace("\t", " ") for t in TAKES])
def test_takes(odd, table, parts):
    (odd / "tracks.tsv").write_text(rows("kick", "bass", "two"))
    (odd / "takes.tsv").write_text(rows(*table, header="take\tside\tcounter\treplay_of\tcapture_gain_db\tbattery_v\tnote\n"))
    lines = mistakes_of(odd)
    assert len(lines) == 1, lines
    assert all(part in lines[0] for part in parts), lines[0]


@pytest.mark.parametrize(
    ("names", "parts"),
    [
        (["take1.wav", "take1.flac"], ["returns/kick/take1.", "both take 'take1' of kick"]),
        (["take1.wav", "Take1.wav"], ["case and ending do not count", "rename one"]),
        (["Latest.wav"], ["returns/kick/Latest.wav", "reserved", "average"]),
        (["{x}.wav"], ["returns/kick/{x}.wav", "'{' cannot stand in a name"]),
    ],
)
def test_return_files(tmp_path, names, parts):
    folder = make_session(tmp_path / "song")
    for name in names:
        write_stem(folder / "returns" / "kick" / name)
    lines = mistakes_of(folder)
    assert len(lines) == 1, lines
    assert all(part in lines[0] for part in parts), lines[0]


def test_no_folder_no_file_no_stems(tmp_path):
    assert "there is no such folder" in mistakes_of(tmp_path / "none")[0]
    (tmp_path / "empty").mkdir()
    assert "session.yaml: there is no such file" in mistakes_of(tmp_path / "empty")[0]
    lines = mistakes_of(make_session(tmp_path / "bare", stems=()))
    assert len(lines) == 1
    assert lines[0].startswith("stems/: no stem is found")


def test_stems_without_a_table_are_named_by_their_file(tmp_path):
    folder = make_session(tmp_path / "song", stems=("kick", "Kick", "returned"))
    write_stem(folder / "stems" / "five.wav", channels=5)
    lines = mistakes_of(folder)
    assert len(lines) == 2
    assert any(line.startswith("stems/kick.wav: 'kick' clashes with 'Kick'") for line in lines)
    assert any(line.startswith("stems/five.wav: ") and "5 channels" in line for line in lines)
    assert "reserved" not in "".join(lines)


def test_what_lies_beside_the_stems_and_is_none_is_passed_over_with_a_note(tmp_path):
    folder = make_session(tmp_path / "song")
    for name in ("voice.mp3", "notes.txt", "song.project", "._kick.wav"):
        (folder / "stems" / name).write_bytes(b"x")
    (folder / "stems" / "gone.wav").symlink_to("/nowhere/gone.wav")
    (folder / "stems" / "bounce.wav").mkdir()
    (folder / "returns" / "kick").mkdir(parents=True)
    (folder / "returns" / "kick" / "take1.wav").symlink_to("take1.wav")
    assert [note["text"] for note in load(folder)["notes"]] == [
        "stems/bounce.wav passed over; it is a folder that is called like a file",
        "stems/gone.wav passed over; it is a link that leads nowhere",
        "stems/voice.mp3 passed over; stems are WAV, FLAC, AIFF, W64, RF64 or CAF files",
        "returns/kick/take1.wav passed over; it is a link that leads nowhere",
    ]


def test_files_in_place_of_folders_and_folders_in_place_of_files(tmp_path):
    folder = make_session(tmp_path / "song")
    (folder / "returns").write_text("x")
    (folder / "tracks.tsv").mkdir()
    assert mistakes_of(folder) == ["tracks.tsv: it cannot be read (Is a directory); check its permissions"]
    (folder / "tracks.tsv").rmdir()
    assert [note["text"] for note in load(folder)["notes"]] == ["returns is a file; a folder is expected, so no return is seen"]


def test_a_file_without_the_right_to_read_it(tmp_path, monkeypatch):
    folder = make_session(tmp_path / "song", tracks="track\nkick\n")
    read = Path.read_bytes
    refusal = PermissionError(13, "Permission denied")

    def refusing(path):
        if path.name == "tracks.tsv":
            raise refusal
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refusing)
    assert mistakes_of(folder)[0] == "tracks.tsv: it cannot be read (Permission denied); check its permissions"


def test_a_name_that_is_no_text(tmp_path):
    folder = make_session(tmp_path / "song")
    (folder / "returns").mkdir()
    os.mkdir(os.fsencode(folder / "returns") + b"/\xff\xfe")
    (folder / "stems" / "kick.wav").rename(os.fsdecode(os.fsencode(folder / "stems") + b"/\xfekick.wav"))
    (line,) = mistakes_of(folder)
    assert line == "stems/\\udcfekick.wav: its name holds bytes that are no UTF-8 text; rename it."
    (folder / "stems" / os.fsdecode(b"\xfekick.wav")).unlink()
    (note,) = load(folder)["notes"]
    note["text"].encode("utf-8")


def test_more_stems_than_clicks_can_tell_apart(tmp_path):
    table = "track\tstem\n" + "".join(f"t{number}\tkick\n" for number in range(256))
    (line,) = mistakes_of(make_session(tmp_path / "song", tracks=table))
    assert line == "tracks.tsv: the clicks can tell 255 transfers apart, 't255' would be one more; split the session in two"


@pytest.mark.parametrize("stem", ["x" * 300, "x" * 300 + "/kick.wav"])
def test_a_path_longer_than_any_system_holds(tmp_path, stem):
    (line,) = mistakes_of(make_session(tmp_path / "song", tracks=f"track\tstem\nkick\t{stem}\n"))
    assert "there is no such file in the session's folder nor in stems/" in line


def test_a_home_that_is_not_there(tmp_path):
    (line,) = mistakes_of(make_session(tmp_path / "song", tracks="track\tstem\nkick\t~nobody-at-all/kick.wav\n"))
    assert "'~nobody-at-all/kick.wav' there is no such file" in line


def test_a_broken_role_is_one_mistake(tmp_path):
    settings = "roles: {gong: {bands: none}}\n"
    (line,) = mistakes_of(make_session(tmp_path / "song", settings=settings, tracks="track,role\nkick,gong\n"))
    assert "roles entry 'gong': bands is 'none'; a list of at least 1 is expected" in line


def test_unreadable_characters_in_settings(tmp_path):
    folder = make_session(tmp_path / "song")
    (folder / "session.yaml").write_bytes(b"name: a\nchain: a\x07b\n")
    (line,) = mistakes_of(folder)
    assert "session.yaml, line 2" in line
    assert "U+0007" in line


def test_all_at_once(odd):
    (odd / "session.yaml").write_text("nmae: x\nmedium: none\nsample_rate_hz: 1\n")
    table = ["kick\t\t\tkik", "bass\tnothing", "bass", "nan", "aux\tpage", "two\t\tmono\t\t\t9", "void\t\t\t\tx"]
    (odd / "tracks.tsv").write_text(rows(*table))
    (odd / "pairs.tsv").write_text(rows("p\tkick\tkick", "q\tkick\tnobody", header="pair\tfirst\tsecond\n"))
    (odd / "takes.tsv").write_text(rows("x/y", header="take\n"))
    write_stem(odd / "returns" / "bass" / "best.wav")
    lines = mistakes_of(odd)
    wanted = [
        "nmae",
        "medium 'none'",
        "sample_rate_hz",
        "'kik'",
        "'nothing'",
        "clashes",
        "not finite",
        "aux",
        "page.wav",
        "'mono'",
    ]
    wanted += ["column pan", "void.wav", "column mix_db", "paired with itself", "'nobody'", "'x' is no track", "best"]
    missing = [part for part in wanted if not any(part in line for line in lines)]
    assert not missing, lines
    assert len(lines) == len(wanted), lines
    assert all(re.match(r"^[^\n]{10,400}$", line) for line in lines)


def test_results_of_another_session(tmp_path):
    one = load(make_session(tmp_path / "a" / "song"), project=tmp_path / "project")
    claim_results(one)
    claim_results(load(make_session(tmp_path / "a" / "song"), project=tmp_path / "project"))
    other = make_session(tmp_path / "b" / "song")
    with pytest.raises(SessionMistakes) as caught:
        load(other, project=tmp_path / "project")
    (line,) = caught.value.lines
    assert str(tmp_path / "a" / "song") in line
    assert "give this session another `name`" in line
    claim_results(load(make_session(other, settings="name: other\n"), project=tmp_path / "project"))


def test_results_never_go_into_a_folder_that_holds_other_files(tmp_path):
    (tmp_path / "music").mkdir()
    (tmp_path / "music" / "mix").mkdir()
    folder = make_session(tmp_path / "song", settings="results_dir: ../music\n")
    (line,) = mistakes_of(folder)
    assert line.startswith("session.yaml, line 1: results folder ")
    assert line.endswith("music: it holds other files; name a new folder, or an empty one")
    (tmp_path / "music" / "mix").rmdir()
    assert mistakes_of(folder) == []


def test_claimed_results_move_with_their_project(tmp_path):
    session = load(make_session(tmp_path / "one" / "project" / "song"), project=tmp_path / "one" / "project")
    claim_results(session)
    (tmp_path / "one").rename(tmp_path / "two")
    load(tmp_path / "two" / "project" / "song", project=tmp_path / "two" / "project")


def test_stem_samples():
    good = np.array([0.0, 0.5, -0.5])
    assert check_stem_samples(good) is None
    assert check_stem_samples(np.array([0.0, np.nan, -np.inf])).startswith("2 samples are not finite")
    assert "silent" in check_stem_samples(np.zeros(10))
    assert "silent" in check_stem_samples(np.zeros(0))


def test_prepared_stems_are_not_read_again(odd):
    """The workflow's own product, newer than the stem, says that the whole stem was read and found finite."""
    (odd / "tracks.tsv").write_text(rows("nan"))
    assert "not finite" in mistakes_of(odd)[0]
    results = odd.parent / "project" / "results" / "song"
    claim_results({"folder": str(odd), "results_dir": str(results)})
    prepared = results / "stems" / "nan.json"
    prepared.parent.mkdir()
    prepared.write_text("{}")
    assert mistakes_of(odd) == []


def test_a_file_in_place_of_the_folder(tmp_path):
    folder = make_session(tmp_path / "song")
    record = load_session(folder / "session.yaml", config_dir=PROJECT / "config", project_dir=PROJECT)
    assert record["folder"] == str(folder)
