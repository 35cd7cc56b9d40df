"""Hashes of files: each read once, some begun ahead, problems told where they are asked for."""

from pathlib import Path
from threading import Event

import pytest


@pytest.fixture
def contents_of(monkeypatch):
    from chain import PROJECT

    monkeypatch.syspath_prepend(str(PROJECT / "workflow"))
    from contents import Contents

    return Contents


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
