"""Files kept for the next run: given back as they were, or not at all."""

import os

import pytest
from bounceproof.files import read_json
from bounceproof.keeping import Shelf

KEY = {"tracks": [["a", 0.5]]}


@pytest.fixture
def made(tmp_path):
    """(the folder, two files that a job made and kept there)."""
    paths = [tmp_path / "one.wav", tmp_path / "two.wav"]
    for path in paths:
        path.write_bytes(path.name.encode() * 1000)
    Shelf(tmp_path / ".kept", KEY).keep(paths, {"level": 1.25})
    return tmp_path / ".kept", paths


def removed(paths):
    for path in paths:
        path.unlink()
    return paths


def test_what_was_kept_is_given_back_with_its_facts_and_stays_kept(made):
    folder, paths = made
    before = [path.read_bytes() for path in paths]
    for _ in range(2):
        assert Shelf(folder, {**KEY}).taken(removed(paths)) == {"level": 1.25}
        assert [path.read_bytes() for path in paths] == before
    assert Shelf(folder, KEY).taken(paths) == {"level": 1.25}, "in place of files that are there"
    assert sorted(path.name for path in folder.iterdir()) == ["kept.json", "one.wav", "two.wav"]
    assert sorted(path.name for path in folder.parent.iterdir()) == [".kept", "one.wav", "two.wav"]


def test_nothing_is_given_back_under_another_key(made):
    folder, paths = made
    assert Shelf(folder, {"tracks": [["a", 0.6]]}).taken(removed(paths)) is None
    assert not any(path.exists() for path in paths)


@pytest.mark.parametrize("harm", ["changed", "cut short", "gone", "note gone", "note half written", "another note"])
def test_what_is_no_longer_whole_is_not_given_back(made, harm):
    folder, paths = made
    removed(paths)
    one, note = folder / "two.wav", folder / "kept.json"
    if harm == "changed":
        one.write_bytes(one.read_bytes()[:-1] + b"x")
    elif harm == "cut short":
        one.write_bytes(one.read_bytes()[:100])
    elif harm == "gone":
        one.unlink()
    elif harm == "note gone":
        note.unlink()
    elif harm == "note half written":
        note.write_bytes(note.read_bytes()[:40])
    else:
        note.write_text("[]", encoding="utf-8")
    assert Shelf(folder, KEY).taken(paths) is None
    assert not any(path.exists() for path in paths)


def test_the_last_that_was_kept_counts(made):
    folder, paths = made
    removed(paths)
    for path in paths:
        path.write_bytes(b"other " + path.name.encode())
    Shelf(folder, ["other"]).keep(paths, None)
    assert Shelf(folder, KEY).taken(paths) is None
    assert read_json(folder / "kept.json")["facts"] is None
    Shelf(folder, ["other"]).taken(removed(paths))
    assert paths[0].read_bytes() == b"other one.wav"


def test_where_there_are_no_links_nothing_is_kept_and_nothing_said(made, monkeypatch):
    folder, paths = made

    def refused(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    assert Shelf(folder, KEY).taken(paths) is None
    Shelf(folder, KEY).keep(paths, 1)
    assert Shelf(folder, KEY).taken(paths) is None
    assert all(path.is_file() for path in paths)
