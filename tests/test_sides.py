"""Tracks on the sides of tapes, and one long transfer a side."""

import numpy as np
import pytest
import soundfile
from bounceproof.audio import write_pcm24_wav
from bounceproof.files import read_table, write_table
from bounceproof.planning.sides import MARGIN_S, lay_out, related, side_name, usable_s
from bounceproof.runsheet import COLUMNS, rows
from fake_session import run
from hypothesis import given
from hypothesis import strategies as st


def transfers(lengths_s):
    return [{"track": f"t{k}", "number": k, "duration_s": float(seconds)} for k, seconds in enumerate(lengths_s, start=1)]


def names(sides):
    return [[one["track"] for one in side] for side in sides]


def test_few_sides_and_order_by_number():
    """First come, first served would take three: 200 + 250 + 100 | 300 ..."""
    sides = lay_out(transfers([200, 250, 100, 50]), side_s=310, leader_s=10)
    assert names(sides) == [["t1", "t3"], ["t2", "t4"]]


def test_related_tracks_share_a_side():
    tracks = [
        {"track": "t1", "group": "drums"},
        {"track": "t2", "group": ""},
        {"track": "t3", "group": "drums"},
        {"track": "t4", "group": ""},
    ]
    sets = related(tracks, [{"first": "t3", "second": "t4"}])
    assert {frozenset(one) for one in sets} == {frozenset({"t1", "t3", "t4"}), frozenset({"t2"})}
    sides = lay_out(transfers([100, 150, 100, 100]), side_s=310, leader_s=10, together=sets)
    assert names(sides) == [["t1", "t3", "t4"], ["t2"]]


def test_a_family_longer_than_a_side_is_taken_apart():
    together = [{"t1", "t2", "t3"}]
    assert names(lay_out(transfers([200, 200, 90]), side_s=310, leader_s=10, together=together)) == [["t1"], ["t2", "t3"]]


GROUPS = st.lists(st.sampled_from(["a", "b", "", ""]), min_size=25, max_size=25)


@given(st.lists(st.floats(5, 400), min_size=1, max_size=25), st.floats(100, 900), GROUPS)
def test_every_track_lies_on_one_side_and_no_side_runs_over(lengths_s, side_s, groups):
    every = transfers(lengths_s)
    tracks = [{"track": one["track"], "group": group} for one, group in zip(every, groups, strict=False)]
    sides = lay_out(every, side_s=side_s, leader_s=10, together=related(tracks, []))
    assert sorted(name for side in names(sides) for name in side) == sorted(one["track"] for one in every)
    for side in sides:
        assert len(side) == 1 or sum(one["duration_s"] for one in side) <= side_s - 10


def test_a_fast_machine_holds_less():
    assert usable_s(30, 0) == 1800 - MARGIN_S
    assert usable_s(30, 4) == pytest.approx(1800 / 1.04 - MARGIN_S)


def test_sides_have_the_names_that_tapes_have():
    assert [side_name(k) for k in (1, 2, 3, 4)] == ["1A", "1B", "2A", "2B"]


def test_one_long_transfer_a_side_holds_its_tracks_where_the_sheet_says(tmp_path):
    rate_hz, made = 8000, {}
    for number, seconds in enumerate((3, 4, 5), start=1):
        made[f"t{number}"] = np.round(2**20 * np.random.default_rng(number).uniform(-1, 1, seconds * rate_hz)) / 2**23
        write_pcm24_wav(tmp_path / f"t{number}.wav", made[f"t{number}"], rate_hz)
    facts = [
        {
            "number": number,
            "track": f"t{number}",
            "file": f"t{number}.wav",
            "sample_rate_hz": rate_hz,
            "samples": made[f"t{number}"].size,
            "gain_db": 0.0,
            "peak_dbfs": -18.0,
            "send_speed": 1,
        }
        for number in (1, 2, 3)
    ]
    write_table(tmp_path / "run-sheet.tsv", rows(facts, side_minutes=0.16, leader_s=1), COLUMNS)
    inputs = {"sheet": tmp_path / "run-sheet.tsv", "audio": [tmp_path / f"t{k}.wav" for k in (1, 2, 3)]}
    run("make_sides", inputs=inputs, outputs={"table": tmp_path / "sides/sides.tsv"}, settings={"leader_s": 1})
    table = read_table(tmp_path / "sides/sides.tsv")
    assert {row["file"] for row in table} == {"side-1A.wav", "side-1B.wav"}
    for row in table:
        side, _ = soundfile.read(tmp_path / "sides" / row["file"])
        first = round(float(row["from_s"]) * rate_hz)
        assert np.array_equal(side[first:][: made[row["track"]].size], made[row["track"]])
    side, _ = soundfile.read(tmp_path / "sides/side-1A.wav")
    assert not side[:rate_hz].any()


def test_the_paper_has_a_page_a_side_and_the_same_bytes_each_time(tmp_path):
    facts = [
        {
            "number": number,
            "track": f"track {number}",
            "file": f"t{number}.wav",
            "sample_rate_hz": 48000,
            "samples": 48000 * 400,
            "gain_db": 3.0,
            "peak_dbfs": -6.0,
            "send_speed": 1,
        }
        for number in (1, 2, 3)
    ]
    write_table(tmp_path / "run-sheet.tsv", rows(facts, side_minutes=15, leader_s=10), COLUMNS)
    settings = {"name": "song $1", "medium_label": "small tape", "tape_speed_cm_s": 2.4, "side_minutes": 15, "leader_s": 10}
    papers = [tmp_path / "one.pdf", tmp_path / "two.pdf"]
    for paper in papers:
        run("print_run_sheet", inputs={"sheet": tmp_path / "run-sheet.tsv"}, outputs={"paper": paper}, settings=settings)
    first, second = (paper.read_bytes() for paper in papers)
    assert first == second
    assert first.startswith(b"%PDF")
    # A page of words, one a side.
    assert first.count(b"/Type /Page\n") + first.count(b"/Type /Page ") == 3
