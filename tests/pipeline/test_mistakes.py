"""Mistakes in a session end the call: one line each, exit code 1, no traceback.

The kinds are tested one by one in test_session_mistakes.py.
"""

import os

import pytest
from chain import PROJECT, STEMS, make_session, snakemake

pytestmark = pytest.mark.pipeline

DRUM = {"drum": STEMS["drum"][:4800]}


def refused(session):
    """What a call is told, line by line, Snakemake's own greeting left out."""
    run = snakemake(session, project=PROJECT)
    assert run.code == 1, run.text
    assert "Traceback" not in run.text
    assert run.jobs == []
    ours = [line for line in run.text.splitlines() if line.strip() and not line.startswith(("Using profile", "Assuming"))]
    assert all(len(line) < 500 for line in ours)
    return ours


def test_all_mistakes_are_told_at_once_a_line_each(tmp_path):
    tracks = "track\trole\tmix_db\tcolor\nkick\tdrumm\tloud\tred\nkick\t\t0\t\nreturned\t\t0\t\n"
    pairs = "pair\tfirst\tsecond\nlow\tkick\tbaas\n"
    session = make_session(tmp_path / "s", tmp_path / "r", stems=DRUM, settings="mediun: wire\n", tracks=tracks, pairs=pairs)
    lines = refused(session)
    for words in ("mediun", "drumm", "loud", "color", "returned", "baas"):
        assert [line for line in lines if words in line], words
    assert len([line for line in lines if "tracks.tsv" in line]) >= 5
    assert len(lines) < 15, lines


def test_a_stem_that_is_no_audio(tmp_path):
    session = make_session(tmp_path / "s", tmp_path / "r", stems=DRUM)
    (session / "stems/page.wav").write_bytes(b"<html>gone</html>")
    (session / "stems/empty.wav").write_bytes(b"")
    for path in (session / "stems").iterdir():
        os.utime(path, (1e9, 1e9))
    lines = refused(session)
    assert len(lines) == 2, lines
    assert [line for line in lines if "page.wav" in line]
    assert [line for line in lines if "empty.wav" in line]


def test_a_session_file_that_cannot_be_read_and_a_folder_that_is_not_there(tmp_path):
    session = make_session(tmp_path / "s", tmp_path / "r", stems=DRUM)
    (session / "session.yaml").write_text("name: [unclosed\n", encoding="utf-8")
    assert any("session.yaml" in line for line in refused(session))
    lines = refused(tmp_path / "nowhere")
    assert len(lines) == 1, lines
    assert "nowhere" in lines[0]


def test_a_path_that_snakemake_would_take_for_a_pattern(tmp_path):
    session = make_session(tmp_path / "a {b} c" / "s", tmp_path / "r", stems=DRUM)
    lines = refused(session)
    assert len(lines) == 1, lines
    assert "a {b} c" in lines[0]
    assert "curly bracket" in lines[0]


def test_results_of_another_session(tmp_path):
    first = make_session(tmp_path / "one", tmp_path / "r", stems=DRUM)
    assert snakemake(first, "--dry-run", project=PROJECT).code == 0
    second = make_session(tmp_path / "two", tmp_path / "r", stems=DRUM)
    lines = refused(second)
    assert len(lines) == 1, lines
    assert "one" in lines[0]
