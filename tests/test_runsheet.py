"""The run sheet: order, lengths, sides, times, what to do, cautions."""

import re

import pytest
from bounceproof import runsheet
from bounceproof.files import read_table
from fake_session import run, write_transfer


def transfers(lengths_s):
    return [
        {
            "number": number,
            "track": f"t{number}",
            "file": f"t{number}.wav",
            "sample_rate_hz": 48000,
            "samples": round(48000 * seconds),
            "gain_db": -3.0,
            "peak_dbfs": -6.0,
            "send_speed": 1,
        }
        for number, seconds in enumerate(lengths_s, start=1)
    ]


def test_order_is_by_number_and_times_follow():
    sheet = runsheet.rows(list(reversed(transfers([100, 200, 50]))), side_minutes=30, leader_s=10)
    assert [row["number"] for row in sheet] == [1, 2, 3]
    assert [row["starts_at_s"] for row in sheet] == [10, 110, 310]
    assert runsheet.times(sheet)["out_s"] == 350
    assert runsheet.times(sheet)["back_s"] == 350
    assert runsheet.times(sheet)["total_s"] > 700


@pytest.mark.parametrize(("lengths_s", "sides"), [([100, 100], [1, 1]), ([100, 190, 100], [1, 1, 2]), ([400, 400], [1, 2])])
def test_a_transfer_that_does_not_fit_opens_a_side(lengths_s, sides):
    sheet = runsheet.rows(transfers(lengths_s), side_minutes=5, leader_s=10)
    assert [row["side"] for row in sheet] == sides
    for row in sheet:
        first = row["starts_at_s"] == 10
        assert first == ("leader" in row["what_to_do"])


def test_sides_hold_what_is_on_them():
    sheet = runsheet.rows(transfers([70, 80, 90, 100, 110, 60, 50]), side_minutes=5, leader_s=10)
    for side in {row["side"] for row in sheet}:
        last = [row for row in sheet if row["side"] == side][-1]
        assert last["starts_at_s"] + last["duration_s"] <= 300


def test_wire_comes_first_and_needs_no_tape():
    sheet = runsheet.rows(transfers([60]), side_minutes=30, leader_s=10)
    assert runsheet.steps(sheet, medium="x", leader_s=10)[0].startswith("The wire first")
    wire = runsheet.rows(transfers([60]), side_minutes=30, leader_s=0, has_tape=False)
    assert "leader" not in wire[0]["what_to_do"]
    assert not any("Wind" in step for step in runsheet.steps(wire, medium="wire", leader_s=0, has_tape=False))


def test_script_writes_page_and_table(tmp_path):
    folder = tmp_path / "transfers"
    for number, track in enumerate(("kick", "<bass>"), start=1):
        write_transfer(folder, track, number)
    tracks = [{"track": name, "number": number, "group": "", "note": ""} for number, name in ((1, "kick"), (2, "<bass>"))]
    for _ in range(2):
        run(
            "write_run_sheet",
            inputs={
                "transfers": [folder / f"{t['track']}.json" for t in tracks],
                "audio": [folder / f"{t['track']}.wav" for t in tracks],
            },
            outputs={"page": folder / "run-sheet.html", "table": folder / "run-sheet.tsv"},
            settings={
                "name": "song & dance",
                "medium_label": "Small tape",
                "tape_speed_cm_s": 2.4,
                "side_minutes": 15,
                "leader_s": 10,
                "fastest_percent": 3,
                "pairs": [],
                "tracks": tracks,
            },
        )
    rows = read_table(folder / "run-sheet.tsv")
    assert [row["track"] for row in rows] == ["kick", "<bass>"]
    assert float(rows[0]["duration_s"]) == 20.0
    # A sine of 0.5 peaks at -6.02 dBFS.
    assert float(rows[0]["peak_dbfs"]) == pytest.approx(-6.02, abs=0.02)
    page = (folder / "run-sheet.html").read_text(encoding="utf-8")
    assert "&lt;bass&gt;" in page
    assert "<bass>" not in page
    assert "85 dBA" in page
    assert "The wire first" in page
    assert not re.search(r"https?://|url\(|<script", page)
