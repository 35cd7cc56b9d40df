"""Files written whole or not at all, the same bytes each time."""

import hashlib
import json
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from bounceproof import files
from hypothesis import given
from hypothesis import strategies as st

plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


def test_what_fails_leaves_the_old_file_and_no_litter(tmp_path):
    path = tmp_path / "out.txt"
    files.write_text(path, "old")

    def stopped_half_way():
        with files.write_atomically(path) as temporary:
            temporary.write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped_half_way()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_the_new_file_is_not_seen_before_it_is_whole(tmp_path):
    path = tmp_path / "deep" / "er" / "out.wav"
    with files.write_atomically(path) as temporary:
        temporary.write_bytes(b"half")
        assert not path.exists()
        assert temporary.parent == path.parent, "another folder may be another disk, where a rename is a copy"
        assert temporary.suffix == ".wav"
    assert path.read_bytes() == b"half"


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such modes")
def test_a_result_is_as_readable_as_any_new_file(tmp_path):
    old = os.umask(0o022)
    try:
        files.write_text(tmp_path / "a", "x")
        assert (tmp_path / "a").stat().st_mode & 0o777 == 0o644
    finally:
        os.umask(old)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such modes")
def test_threads_that_write_at_once_leave_the_mask_of_modes_alone(tmp_path):
    old = os.umask(0o022)
    try:
        with ThreadPoolExecutor(4) as workers:
            list(workers.map(lambda k: files.write_text(tmp_path / str(k), "x"), range(400)))
        assert {path.stat().st_mode & 0o777 for path in tmp_path.iterdir()} == {0o644}
        assert os.umask(0o022) == 0o022
    finally:
        os.umask(old)


def test_what_is_not_finite_is_null(tmp_path):
    path = tmp_path / "a.json"
    value = {"a": float("nan"), "b": [np.inf, -np.inf, 1.5], "c": np.float32(2.0), "d": np.array([[1.0, np.nan]]), 5: np.int64(3)}
    files.write_json(path, value)
    assert files.read_json(path) == {"a": None, "b": [None, None, 1.5], "c": 2.0, "d": [[1.0, None]], "5": 3}
    assert b"NaN" not in path.read_bytes()


@given(plain)
def test_json_comes_back_as_it_went(tmp_path_factory, value):
    path = tmp_path_factory.getbasetemp() / f"there-and-back-{os.getpid()}.json"
    files.write_json(path, value)
    assert json.loads(path.read_bytes()) == value
    assert path.read_bytes().endswith(b"\n")
    assert b"\r" not in path.read_bytes()


def test_json_keeps_its_order_its_accents_and_takes_paths(tmp_path):
    path = tmp_path / "a.json"
    files.write_json(path, {"z": Path("x"), "a": "Jörg", "t": (1, True)})
    text = path.read_text(encoding="utf-8")
    assert text.index('"z"') < text.index('"a"') < text.index('"t"')
    assert "Jörg" in text
    assert files.read_json(path) == {"z": "x", "a": "Jörg", "t": [1, True]}


def test_the_same_value_gives_the_same_bytes(tmp_path):
    rows = [{"track": "kick", "level_db": -3.25, "ok": True}, {"track": "bass", "level_db": float("nan")}]
    for name in "ab":
        files.write_json(tmp_path / f"{name}.json", rows)
        files.write_table(tmp_path / f"{name}.tsv", rows, ("track", "level_db", "ok"))
    assert files.file_sha256(tmp_path / "a.json") == files.file_sha256(tmp_path / "b.json")
    assert (tmp_path / "a.tsv").read_bytes() == (tmp_path / "b.tsv").read_bytes()


def test_a_table_comes_back_as_text(tmp_path):
    path = tmp_path / "a.tsv"
    rows = [
        {"track": "kick", "level_db": 0.1 + 0.2, "ok": True, "note": 'tab\there, "quoted"\nnew line', "left": "out"},
        {"track": "NA", "level_db": None, "ok": False, "note": ""},
        {"track": "001", "level_db": np.inf, "ok": np.bool_(True)},
    ]
    files.write_table(path, rows, ("track", "level_db", "ok", "note"))
    back = files.read_table(path)
    assert [row["track"] for row in back] == ["kick", "NA", "001"]
    assert [row["level_db"] for row in back] == ["0.3", "", ""]
    assert [row["ok"] for row in back] == ["yes", "no", "yes"]
    assert back[0]["note"] == 'tab\there, "quoted" new line'
    assert len(path.read_bytes().splitlines()) == 4, "one line a row"


@given(st.floats(-1e6, 1e6))
def test_a_tables_numbers_keep_ten_digits(tmp_path_factory, number):
    path = tmp_path_factory.getbasetemp() / f"digits-{os.getpid()}.tsv"
    files.write_table(path, [{"x": number}], ("x",))
    assert float(files.read_table(path)[0]["x"]) == pytest.approx(number, rel=1e-9)


def test_the_hash_is_that_of_the_content(tmp_path):
    # NIST FIPS 180-2, appendix B.1: SHA-256 of "abc".
    (tmp_path / "a").write_bytes(b"abc")
    assert files.file_sha256(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "b").write_bytes(b"x" * 3_000_001)
    assert files.file_sha256(tmp_path / "b") == hashlib.sha256(b"x" * 3_000_001).hexdigest()


def test_what_a_killed_writer_left_is_removed(tmp_path):
    (tmp_path / "figures").mkdir()
    for name in ("figures/.writing-x1.png", ".writing-x2.json", "figures/speed.png"):
        (tmp_path / name).write_text("")
    files.remove_unfinished(tmp_path)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["figures", "speed.png"]
