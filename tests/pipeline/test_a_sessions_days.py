"""A session from its stems to the report, then the everyday: another take, an older one, one less. Who reruns, and who does
not.

Three tracks: `drum` comes back well; `bass` brings back its clicks and hiss alone at first; `horn` waits. The recorder is the
tests' own.
"""

import os
from pathlib import Path

import numpy as np
import pytest
from bounceproof.timemap import read_time_map
from chain import (
    OF_ALL,
    SHORT,
    chain_of,
    finished,
    hashes,
    make_session,
    planned,
    read_results,
    shared_project,
    shared_story,
    snakemake,
    transfer_of,
    write_audio,
)
from recording import RATE_HZ, record

pytestmark = pytest.mark.pipeline

PAIRS = "pair\tfirst\tsecond\tkind\nlow\tdrum\tbass\tone-source\n"


def clicks_alone(samples, facts):
    samples = samples.copy()
    samples[facts["stem_start_sample"] : facts["stem_start_sample"] + facts["stem_samples"]] = 0
    return samples


def a_sessions_days(folder, project):
    results = folder / "results"
    session = make_session(folder / "quay", results, settings=SHORT, pairs=PAIRS)
    told = {"session": str(session), "results": str(results)}

    told["transfers"] = finished(snakemake(session, "transfers", project=project)).jobs
    drum, bass = transfer_of(results, "drum"), transfer_of(results, "bass")
    first = record(drum[0], speed=0.98, wow=0.001, hiss_db=30, seed=1)
    write_audio(session / "returns/drum/take1.wav", first.capture)
    write_audio(session / "returns/bass/take1.wav", record(clicks_alone(*bass), speed=0.98, hiss_db=10, seed=2).capture)
    run = finished(snakemake(session, project=project))
    told["first"] = {"jobs": run.jobs, "text": run.text, "files": list(hashes(results))}
    told["bass_rejected"] = read_results(results / "returns/bass/take1/alignment.json")
    told["leak"] = leak(results)
    told["report"] = [(results / "report.html").read_text(encoding="utf-8")]
    told["silent"] = {name: bool(np.any(read(results / f"mix/{name}.wav"))) for name in ("drum", "bass", "horn")}

    run = finished(snakemake(session, project=project))
    told["again"] = {"jobs": run.jobs, "text": run.text}
    for path in session.rglob("*.wav"):
        os.utime(path)
    told["touched"] = planned(session, project=project)

    write_audio(session / "returns/drum/take2.wav", record(drum[0], speed=0.98, hiss_db=45, seed=3).capture, days_old=2000)
    run = finished(snakemake(session, project=project))
    told["second_take"] = {"jobs": run.jobs, "text": run.text}
    told["chosen"] = [read_results(results / "chosen/drum/chosen.json")]
    told["states"] = [read_results(results / f"returns/drum/take{n}/alignment.json")["state"] for n in (1, 2)]

    before = (session / "returns/bass/take1.wav").stat().st_mtime
    write_audio(session / "returns/bass/take1.wav", record(bass[0], speed=1.01, hiss_db=35, seed=4).capture, days_old=3000)
    told["older"] = (session / "returns/bass/take1.wav").stat().st_mtime < before
    told["replaced_planned"] = planned(session, project=project)
    told["replaced"] = finished(snakemake(session, project=project)).jobs
    told["bass_aligned"] = read_results(results / "returns/bass/take1/alignment.json")

    (session / "returns/drum/take2.wav").unlink()
    told["removed"] = finished(snakemake(session, project=project)).jobs
    told["chosen"].append(read_results(results / "chosen/drum/chosen.json"))
    told["report"].append((results / "report.html").read_text(encoding="utf-8"))
    told["after"] = planned(session, project=project)

    (session / "returns/drum/take1.wav").unlink()
    told["all_removed"] = finished(snakemake(session, project=project)).jobs
    told["report"].append((results / "report.html").read_text(encoding="utf-8"))
    told["silent_after"] = {name: bool(np.any(read(results / f"mix/{name}.wav"))) for name in ("drum", "bass", "horn")}
    return told


def read(path):
    import soundfile

    return soundfile.read(path, always_2d=True)[0]


def leak(results):
    """{file: its coherence with the bass's stem, in its loudest channel}; for comparison, a mix into which that stem was let."""
    stem = read(results / "stems/bass.wav")[:, 0]
    names = ("mix/bass", "mix/returned", "mix/returned-clicks", "returns/bass/take1/aligned", "returns/bass/take1/aligned-clicks")
    found = {name: read(results / f"{name}.wav") for name in names}
    level = np.sqrt(np.mean(np.square(found["mix/returned"])) / np.mean(np.square(stem)))
    found["let in at -15 dB"] = found["mix/returned"] + 10 ** (-15 / 20) * level * stem[:, None]
    return {name: coherence(stem, samples[:, np.argmax(np.std(samples, axis=0))]).tolist() for name, samples in found.items()}


SEGMENT = 4096


def coherence(one, two):
    """Magnitude-squared coherence from 400 to 4000 Hz over segments that do not overlap, each weighted alike however loud it
    is."""
    spectra = []
    inside = slice(round(400 / RATE_HZ * SEGMENT), round(4000 / RATE_HZ * SEGMENT))
    for samples in (one, two):
        segments = samples[: samples.size // SEGMENT * SEGMENT].reshape(-1, SEGMENT)
        lines = np.fft.rfft(segments, axis=1)[:, inside]
        spectra.append(lines / np.maximum(np.linalg.norm(lines, axis=1, keepdims=True), 1e-30))
    first, second = spectra
    powers = np.sum(np.abs(first) ** 2, axis=0) * np.sum(np.abs(second) ** 2, axis=0)
    return np.abs(np.sum(first * np.conj(second), axis=0)) ** 2 / np.maximum(powers, 1e-30)


def unrelated(values, count):
    """Whether a coherence (one value a line) is one of two unrelated signals.

    Carter, Knapp and Nuttall, IEEE Trans. AU-21 (1973) 337: over n independent segments it averages 1 / n, with a standard
    deviation of about 1 / n a line, and exceeds 1 - p^(1 / (n - 1)) with probability p (here 1 % shared among the lines).
    """
    n = count // SEGMENT
    highest = 1 - (0.01 / len(values)) ** (1 / (n - 1))
    return max(values) < highest and np.mean(values) < (1 + 4 / np.sqrt(len(values))) / n


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    return shared_story(tmp_path_factory, a_sessions_days, project=shared_project(tmp_path_factory))


# --- the whole chain


def test_the_outbound_half_alone_makes_transfers_and_run_sheet(told):
    assert told["transfers"] == sorted(
        [f"{verb} of {track}" for verb in ("Preparing the stem", "Making the transfer") for track in ("drum", "bass", "horn")]
        + ["Writing the run sheet"]
    )


def test_the_contracts_files_are_there(told):
    there = set(told["first"]["files"])
    tracks = ("drum", "bass", "horn")
    for track in tracks:
        assert {f"transfers/{track}.wav", f"transfers/{track}.json", f"mix/{track}.wav"} <= there
    for track in ("drum", "bass"):
        take = f"returns/{track}/take1"
        names = ("alignment.json", "time-map.tsv", "aligned.wav", "aligned-clicks.wav", "condition.json", "bands.tsv")
        assert {f"{take}/{name}" for name in names} <= there
    assert not [name for name in there if name.startswith("returns/horn")], "a waiting track has no take folder"
    assert {"pairs/low.json", "pairs/low.tsv", "noise/stack.json", "noise/stack.tsv"} <= there
    mixes = ("returned.wav", "returned-clicks.wav", "source.wav", "narrow-band.wav", "reference.json")
    assert {f"mix/{name}" for name in mixes} <= there
    assert {
        "report.html",
        "tracks.tsv",
        "pairs.tsv",
        "record.json",
        "transfers/run-sheet.html",
        "transfers/run-sheet.tsv",
    } <= there
    for kind in ("png", "svg"):
        assert [name for name in there if name.startswith("figures/") and name.endswith(kind)]


def test_all_mixes_are_equally_long(told):
    lengths = {read(path).shape[0] for path in Path(told["results"], "mix").glob("*.wav")}
    assert lengths == {4 * RATE_HZ}


def test_the_report_loads_nothing_from_outside(told):
    page = told["report"][0]
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page
    for track in ("drum", "bass", "horn"):
        assert track in page


def test_every_new_take_has_its_line_in_the_terminal(told):
    lines = told["first"]["text"].splitlines()
    assert [line for line in lines if "drum" in line and "take1" in line and "aligned" in line and "Job" not in line]
    assert [line for line in lines if "bass" in line and "take1" in line and "rejected" in line and "Job" not in line]
    assert [line for line in lines if line.startswith("report: ")]


# --- hiss alone is no return


def test_hiss_between_good_clicks_is_rejected_and_stops_nobody_else(told):
    alignment = told["bass_rejected"]
    assert alignment["state"] == "rejected"
    assert "music is not" in alignment["reason"]
    assert alignment["next_step"]
    assert told["silent"] == {"drum": True, "bass": False, "horn": False}
    assert "music is not" in told["report"][0]


def test_nothing_of_the_rejected_tracks_stem_is_in_any_output(told):
    for name, values in told["leak"].items():
        assert unrelated(values, 4 * RATE_HZ) == (name != "let in at -15 dB"), name


# --- who reruns


def test_a_second_run_has_nothing_to_do(told):
    assert told["again"]["jobs"] == []
    assert "Nothing to be done" in told["again"]["text"]


def test_touched_files_rerun_nothing(told):
    assert told["touched"] == []


def test_another_take_reruns_its_tracks_chain_though_dated_years_ago(told):
    assert set(told["second_take"]["jobs"]) == chain_of("drum", "take2") | OF_ALL | {"Checking the pair low"}
    lines = told["second_take"]["text"].splitlines()
    assert [line for line in lines if "take2" in line and "aligned" in line and "Job" not in line]
    assert not [line for line in lines if "take1" in line and "aligned" in line], "takes aligned before are not told again"


def test_two_takes_are_both_aligned_and_the_better_goes_on(told):
    assert told["states"] == ["aligned", "aligned"]
    assert told["chosen"][0]["take"] == "take2", "15 dB less hiss"


def test_an_older_file_under_the_same_name_reruns_exactly_its_tracks_chain(told):
    assert told["older"]
    expected = chain_of("bass", "take1") | OF_ALL | {"Checking the pair low"}
    assert set(told["replaced_planned"]) == expected
    assert set(told["replaced"]) == expected
    assert told["bass_aligned"]["state"] == "aligned"
    assert told["bass_aligned"]["speed_percent"] == pytest.approx(1.0, abs=0.02)


def test_a_removed_take_disappears(told):
    assert told["chosen"][1]["take"] == "take1"
    assert set(told["removed"]) <= chain_of("drum") | OF_ALL | {"Checking the pair low"}
    assert "Choosing the take of drum" in told["removed"]
    assert "take2" in told["report"][0] + Path(told["results"], "returns/drum/take2/alignment.json").read_text(encoding="utf-8")
    assert "take2" not in told["report"][1]
    assert told["after"] == []


def test_a_track_whose_returns_are_all_removed_waits_again(told):
    assert "Making the mix-ready file of drum" in told["all_removed"]
    assert not [job for job in told["all_removed"] if "bass" in job]
    assert told["silent_after"] == {"drum": False, "bass": True, "horn": False}
    assert "take1" in told["report"][2], "the bass's"


def test_maps_written_are_maps_that_can_be_read(told):
    time_map = read_time_map(Path(told["results"], "returns/bass/take1/time-map.tsv"))
    assert time_map.stem_s[-1] == pytest.approx(4.0)
    assert time_map.speed_percent == pytest.approx(1.0, abs=0.02)
