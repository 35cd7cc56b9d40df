"""Hashes of files: each read once, some begun ahead, problems told where they are asked for."""

import os
import shutil
from pathlib import Path
from threading import Event

import pytest
from bounceproof.remembered import Remembered


@pytest.fixture
def contents_of(monkeypatch):
    from chain import PROJECT

    monkeypatch.syspath_prepend(str(PROJECT / "workflow"))
    import contents

    return contents.Contents


def test_each_file_is_hashed_once_and_answers_are_its_own(contents_of):
    asked = []

    def hashed(path):
        asked.append(path)
        return f"hash of {path}"

    contents = contents_of(hashed, [["a", "b", "c"], ["d"]], 2)
    assert [contents.of(path) for path in "cabxbd"] == [f"hash of {path}" for path in "cabxbd"]
    assert sorted(asked) == sorted("abcdx")


def test_no_more_is_begun_than_threads_can_be_at_work_on(contents_of):
    free, begun = Event(), []

    def hashed(path):
        begun.append(path)
        if path != 0:
            assert free.wait(10)
        return path

    contents = contents_of(hashed, [list(range(100))], 3)
    assert contents.of(0) == 0
    assert set(begun) <= {0, 1, 2, 3}
    free.set()
    assert [contents.of(path) for path in range(100)] == list(range(100))


def test_a_file_that_cannot_be_read_says_so_each_time_it_is_asked_for_and_not_before(contents_of, tmp_path):
    there = tmp_path / "there"
    there.write_bytes(b"1")
    contents = contents_of(Path.read_bytes, [[there, tmp_path / "gone"]], 2)
    assert contents.of(there) == b"1"
    for _ in range(2):
        with pytest.raises(FileNotFoundError, match="gone"):
            contents.of(tmp_path / "gone")


@pytest.fixture
def remembered(tmp_path):
    """A function that makes a Remembered of a next call, and the paths that were read."""
    read = []

    def hashed(path):
        read.append(Path(path).name)
        return Path(path).read_text(encoding="ascii")

    def at_next_call(settled_s=-1.0):
        read.clear()
        return Remembered(hashed, tmp_path / "logs" / "contents.json", settled_s)

    return at_next_call, read


@pytest.fixture
def take(tmp_path):
    path = tmp_path / "take1.wav"
    path.write_text("first", encoding="ascii")
    return path


def test_a_file_that_nobody_touched_is_not_read_at_the_next_call(remembered, take):
    at_next_call, read = remembered
    for expected in (["take1.wav"], [], []):
        call = at_next_call()
        assert call(take) == "first"
        assert read == expected
        call.keep()


@pytest.mark.parametrize("way", ["written", "date put back", "put in its place", "put in its place with its date", "moved back"])
def test_a_changed_file_is_read_whatever_its_date(remembered, take, way):
    at_next_call, read = remembered
    call = at_next_call()
    call(take)
    call.keep()
    before, other = take.stat(), take.with_name("other.wav")
    if way in ("written", "date put back"):
        take.write_text("other", encoding="ascii")
    else:
        other.write_text("other", encoding="ascii")
        if way.endswith("its date"):
            shutil.copystat(take, other)
        if way == "moved back":
            take.rename(take.with_name("kept.wav"))
        other.replace(take)
    if way == "date put back":
        os.utime(take, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert at_next_call()(take) == "other"
    assert read == ["take1.wav"]


def test_what_changed_just_before_it_was_read_is_not_kept(remembered, take):
    at_next_call, read = remembered
    for _ in range(2):
        call = at_next_call(settled_s=60.0)
        call(take)
        assert read == ["take1.wav"]
        call.keep()


@pytest.mark.parametrize("notes", ["", "{", "[]", '{"x": 1}', "null"])
def test_notes_that_cannot_be_read_are_none(remembered, take, notes):
    at_next_call, read = remembered
    path = take.parent / "logs" / "contents.json"
    path.parent.mkdir()
    path.write_text(notes, encoding="ascii")
    call = at_next_call()
    assert call(take) == "first"
    call.keep()
    assert at_next_call()(take) == "first"
    assert read == []


def test_notes_that_cannot_be_written_are_left(remembered, take):
    at_next_call, read = remembered
    (take.parent / "logs").write_text("a file where the folder should be", encoding="ascii")
    call = at_next_call()
    call(take)
    call.keep()
    assert at_next_call()(take) == "first"
    assert read == ["take1.wav"]


def test_a_file_that_is_gone_says_so(remembered, take):
    at_next_call, _ = remembered
    call = at_next_call()
    call(take)
    call.keep()
    take.unlink()
    with pytest.raises(FileNotFoundError, match="take1"):
        at_next_call()(take)
