"""What has to come out exactly: a wire in place of the recorder; one take captured at two levels."""

import shutil
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soundfile
from bounceproof.files import read_table
from bounceproof.quantities import amplitude_db
from bounceproof.quantities import rms as rms_along
from bounceproof.timemap import read_time_map
from chain import (
    SHORT,
    STEMS,
    chain_of,
    date,
    finished,
    make_session,
    read_results,
    shared_project,
    shared_story,
    snakemake,
    transfer_of,
    write_audio,
)
from recording import RATE_HZ, record

pytestmark = pytest.mark.pipeline


def rms(samples):
    """Of all samples, direct current left out: a capture's is taken off, and the drum has a little."""
    return rms_along(np.ravel(samples - np.mean(samples, axis=0)))


PAIRS = "pair\tfirst\tsecond\tkind\nboth\tdrum\thorn\tone-source\n"
TWO = {name: STEMS[name] for name in ("drum", "horn")}


# What is looked at here; the report is made of a wire once.
WANTED = ("mix/reference.json", "pairs/both.tsv")
# The same two as the legs of a stereo stem, captured together.
LEGS = {"drum": "both.L", "horn": "both.R"}


def wire(folder, project):
    results = folder / "results"
    session = make_session(folder / "wired", results, stems=TWO, medium="wire", pairs=PAIRS)
    finished(snakemake(session, "transfers", project=project))
    for track in TWO:
        target = session / "returns" / track / "take1.wav"
        target.parent.mkdir(parents=True)
        shutil.copy(results / "transfers" / f"{track}.wav", target)
        date(target, 0.01)
    finished(snakemake(session, *(results / name for name in WANTED), project=project))
    return {"results": str(results), "names": {track: track for track in TWO}}


def wire_followed(folder, project):
    """A two-channel wire: both legs in one pass, followed, each by itself and then with what the other knows."""
    results = folder / "results"
    stems, settings = {"both": np.stack(list(TWO.values()), axis=1)}, SHORT.replace("clicks", "follow")
    session = make_session(folder / "wired", results, stems=stems, medium="wire", settings=settings)
    finished(snakemake(session, "transfers", project=project))
    sent = [transfer_of(results, leg)[0] for leg in LEGS.values()]
    write_audio(session / "returns" / "both" / "take1.wav", np.stack(sent, axis=1))
    jobs = finished(snakemake(session, project=project)).jobs
    return {"results": str(results), "names": LEGS, "jobs": jobs}


def two_levels(folder, project):
    results = folder / "results"
    session = make_session(folder / "levels", results, stems=TWO, pairs=PAIRS)
    finished(snakemake(session, "transfers", project=project))
    captures = {}
    for seed, track in enumerate(TWO):
        captures[track] = record(transfer_of(results, track)[0], speed=0.97, wow=0.001, hiss_db=30, seed=seed).capture
    told = {"runs": []}
    for gain_db in (0, -17):
        for track, samples in captures.items():
            write_audio(session / "returns" / track / "take1.wav", 10 ** (gain_db / 20) * samples)
        jobs = finished(snakemake(session, *(results / name for name in WANTED), project=project)).jobs
        kept = folder / f"kept{gain_db}"
        shutil.copytree(results / "mix", kept)
        told["runs"].append({"jobs": jobs, "mix": str(kept), "stack": read_results(results / "noise/stack.json")})
        told["runs"][-1]["pair"] = read_table(results / "pairs/both.tsv")
    return told


class Wired(NamedTuple):
    """results: folder; names: what each stem's track is called."""

    results: Path
    names: dict

    def take(self, track, name="alignment.json"):
        return self.results / f"returns/{self.names[track]}/take1/{name}"


@pytest.fixture(scope="module", params=[wire, wire_followed], ids=["clicks", "follow"])
def wired(tmp_path_factory, request):
    told = shared_story(tmp_path_factory, request.param, project=shared_project(tmp_path_factory))
    return Wired(Path(told["results"]), told["names"])


@pytest.fixture(scope="module")
def together(tmp_path_factory):
    return shared_story(tmp_path_factory, wire_followed, project=shared_project(tmp_path_factory))


@pytest.fixture(scope="module")
def levels(tmp_path_factory):
    return shared_story(tmp_path_factory, two_levels, project=shared_project(tmp_path_factory))["runs"]


@pytest.mark.parametrize("track", TWO)
def test_through_a_wire_nothing_moves(wired, track):
    facts = transfer_of(wired.results, wired.names[track])[1]
    alignment = read_results(wired.take(track))
    assert alignment["state"] == "aligned"
    assert alignment["flags"] == []
    assert alignment["polarity"] == 1
    assert alignment["speed_percent"] == pytest.approx(0.0, abs=1e-6)
    assert alignment["level_db"] == pytest.approx(-facts["gain_db"], abs=0.01)
    time_map = read_time_map(wired.take(track, "time-map.tsv"))
    error_us = 1e6 * (time_map.return_s - time_map.stem_s - facts["stem_start_sample"] / RATE_HZ)
    assert np.abs(error_us).max() < 0.05, "0.0 us"


@pytest.mark.parametrize("track", TWO)
def test_through_a_wire_the_return_is_the_stem(wired, track):
    facts = transfer_of(wired.results, wired.names[track])[1]
    aligned, _ = soundfile.read(wired.take(track, "aligned.wav"))
    ready, _ = soundfile.read(wired.results / f"mix/{wired.names[track]}.wav")
    stem = TWO[track].astype(np.float32)
    inner = slice(RATE_HZ // 10, -RATE_HZ // 10)
    assert amplitude_db(rms((aligned * 10 ** (-facts["gain_db"] / 20) - stem)[inner]) / rms(stem)) < -90
    assert amplitude_db(rms((ready - stem)[inner]) / rms(stem)) < -60
    # The mean is no music, and what a recorder lost of it comes back nowhere.
    ready, stem = ready[inner] - ready[inner].mean(), stem[inner] - stem[inner].mean()
    gain = np.dot(ready, stem) / np.dot(stem, stem)
    assert amplitude_db(gain) == pytest.approx(0.0, abs=0.01)
    assert amplitude_db(rms(ready / gain - stem) / rms(stem)) < -80


@pytest.mark.parametrize("track", TWO)
def test_a_wire_is_flat_within_a_hundredth_of_a_decibel(wired, track):
    rows = read_table(wired.take(track, "bands.tsv"))
    response_db = np.array([float(row["response_db"]) for row in rows if row["known"] == "yes"])
    assert response_db.size >= 15
    assert np.ptp(response_db) < 0.02
    assert np.abs(response_db - np.median(response_db)).max() < 0.01


def test_a_pair_through_a_wire_adds_up_as_the_stems_do(wired):
    rows = [row for row in read_table(wired.results / "pairs/both.tsv") if row["shared"] == "yes"]
    for row in rows:
        assert float(row["loss_aligned_db"]) == pytest.approx(0.0, abs=0.02)


def test_the_mix_through_a_wire_is_the_stems_mix(wired):
    returned, source = (soundfile.read(wired.results / f"mix/{name}.wav")[0] for name in ("returned", "source"))
    inner = slice(RATE_HZ // 10, -RATE_HZ // 10)
    assert amplitude_db(rms((returned - source)[inner]) / rms(source)) < -60


@pytest.mark.parametrize(("leg", "other"), [("both.L", "both.R"), ("both.R", "both.L")])
def test_legs_of_one_pass_are_laid_once_each_and_then_share_their_motion(together, leg, other):
    assert together["jobs"].count(f"Aligning {leg}, take1") == 1
    assert together["jobs"].count(f"Aligning {leg}, take1, by itself") == 1
    folder = Path(together["results"]) / f"returns/{leg}/take1"
    alone, shared = (read_results(folder / name) for name in ("alone/alignment.json", "alignment.json"))
    assert shared["together"]["with"] == other
    assert shared["together"]["skew_us"] == pytest.approx(0.0, abs=0.05)
    assert shared["together"]["sigma_gain"] >= 1
    # What is told of the leg itself stays as it was told by itself.
    assert {key: value for key, value in shared.items() if key != "together"} == alone


def test_legs_come_back_as_one_stereo_file_too(together):
    samples, _ = soundfile.read(Path(together["results"]) / "mix/both.wav")
    legs = [soundfile.read(Path(together["results"]) / f"mix/{leg}.wav")[0] for leg in LEGS.values()]
    assert np.array_equal(samples, np.stack(legs, axis=1))


def test_captures_17_db_apart_rerun_the_chain(levels):
    for track in TWO:
        assert chain_of(track, "take1") <= set(levels[1]["jobs"])


def test_captures_17_db_apart_give_the_same_mix(levels):
    for name in ("drum", "horn", "returned", "returned-clicks"):
        one, two = (soundfile.read(Path(run["mix"], f"{name}.wav"))[0] for run in levels)
        assert amplitude_db(rms(two) / rms(one)) == pytest.approx(0.0, abs=0.1), name
        assert amplitude_db(rms(two - one) / rms(one)) < -40, name


def test_captures_17_db_apart_give_the_same_stack(levels):
    one, two = (run["stack"] for run in levels)
    for key in ("left_flat_dbfs", "right_flat_dbfs", "programme_over_hiss_db", "programme_dbfs"):
        assert two[key] == pytest.approx(one[key], abs=0.1), key
    assert np.isfinite(one["left_flat_dbfs"])


def test_captures_17_db_apart_leave_the_pair_as_it_is(levels):
    for one, two in zip(*(run["pair"] for run in levels), strict=True):
        if one["shared"] == "yes" and one["loss_aligned_db"]:
            assert float(two["loss_aligned_db"]) == pytest.approx(float(one["loss_aligned_db"]), abs=0.1)
