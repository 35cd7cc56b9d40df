"""Captures of any name with several transfers are cut; a changed one reruns exactly the tracks that changed, in one call."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from bounceproof.files import file_sha256, read_table, write_json
from chain import (
    OF_ALL,
    STEMS,
    chain_of,
    finished,
    make_session,
    planned,
    read_results,
    shared_project,
    shared_story,
    snakemake,
    transfer_of,
    write_audio,
)
from recording import record

pytestmark = pytest.mark.pipeline


def unsorted(folder, project):
    results = folder / "results"
    session = make_session(folder / "side", results)
    finished(snakemake(session, "transfers", project=project))
    take = {
        (track, seed): record(transfer_of(results, track)[0], speed=0.98, hiss_db=35, after_s=2.5, seed=seed).capture
        for track, seed in (("horn", 1), ("drum", 2), ("horn", 3), ("horn", 4))
    }
    side = session / "returns/unsorted/side A.wav"
    write_audio(side, np.concatenate([take["horn", 1], take["drum", 2], take["horn", 3]]))
    write_audio(session / "returns/unsorted/nothing.wav", 0.01 * np.random.default_rng(1).normal(size=200_000))
    told = {"results": str(results), "before": file_sha256(side)}
    told["first"] = finished(snakemake(session, project=project)).jobs
    told["cuts"] = read_table(results / "captures/cuts.tsv")
    told["states"] = {
        "/".join(path.parts[-3:-1]): read_results(path)["state"] for path in sorted(results.glob("returns/*/*/alignment.json"))
    }
    told["after"] = file_sha256(side)
    for path in (session / "returns/unsorted").iterdir():
        os.utime(path)
    told["touched"] = planned(session, project=project)
    # Another pass of the last transfer alone: only its cut differs.
    other = take["horn", 4]
    write_audio(side, np.concatenate([take["horn", 1], take["drum", 2], other]), days_old=900)
    told["changed"] = finished(snakemake(session, project=project)).jobs
    told["settled"] = planned(session, project=project)
    told["noteless"] = noteless(session, folder, results, project, take)
    return told


def noteless(session, folder, results, project, take):
    """What is planned once Snakemake's own notes are gone: with one alignment of another file; then with another stem; then with
    another capture; both older than the results.
    """
    shutil.rmtree(folder / "housekeeping/.snakemake/metadata")
    (alignment,) = results.glob("returns/drum/*/alignment.json")
    write_json(alignment, {**read_results(alignment), "capture_sha256": "of another"})
    before = dates(results)
    told = {"alignment": planned(session, project=project)}
    write_audio(session / "stems/bass.wav", STEMS["bass"][::-1], days_old=900)
    told["stem"] = planned(session, project=project)
    write_audio(session / "stems/bass.wav", STEMS["bass"], days_old=900)
    write_audio(session / "returns/unsorted/side A.wav", take["drum", 2], days_old=900)
    told["capture"] = planned(session, project=project)
    told["left"] = dates(results) == before
    return told


def dates(folder):
    return {path: path.stat().st_mtime_ns for path in folder.rglob("*") if "logs" not in path.parts}


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    return shared_story(tmp_path_factory, unsorted, project=shared_project(tmp_path_factory))


def test_transfers_are_found_in_any_order_repeated_or_missing(told):
    found = [(row["capture"], row["track"]) for row in told["cuts"] if row["file"]]
    assert found == [("side A.wav", "horn"), ("side A.wav", "drum"), ("side A.wav", "horn")]
    takes = [row["take"] for row in told["cuts"] if row["track"] == "horn"]
    assert len(set(takes)) == 2
    empty = [row for row in told["cuts"] if row["capture"] and not row["file"]]
    assert [row["capture"] for row in empty] == ["nothing.wav"]
    missing = [(row["track"], row["note"]) for row in told["cuts"] if not row["capture"]]
    assert missing == [("bass", "missing: it was found in no capture")]
    assert "no click" in empty[0]["note"]


def test_each_cut_is_a_take_of_its_track(told):
    assert set(told["states"].values()) == {"aligned"}
    assert sorted(name.partition("/")[0] for name in told["states"]) == ["drum", "horn", "horn"]


def test_the_capture_itself_is_left_as_it_was(told):
    assert told["before"] == told["after"]
    assert (Path(told["folder"]) / "side/returns/unsorted/side A.wav").is_file()


def test_nothing_reruns_by_itself_or_by_a_touch(told):
    assert told["touched"] == []


def test_a_changed_capture_reruns_exactly_the_changed_track_in_one_call(told):
    horn_takes = [row["take"] for row in told["cuts"] if row["track"] == "horn"]
    expected = chain_of("horn", horn_takes[1]) | OF_ALL | {"Sorting the captures in returns/unsorted"}
    assert set(told["changed"]) == expected
    assert told["settled"] == []


def test_results_made_of_another_file_are_made_anew_though_snakemakes_notes_are_gone(told):
    drum = next(row["take"] for row in told["cuts"] if row["track"] == "drum")
    assert set(told["noteless"]["alignment"]) == chain_of("drum", drum) | OF_ALL
    assert {"Preparing the stem of bass", "Making the transfer of bass"} <= set(told["noteless"]["stem"])
    assert "Sorting the captures in returns/unsorted" in told["noteless"]["capture"]


def test_a_plan_changes_nothing(told):
    assert told["noteless"]["left"]
