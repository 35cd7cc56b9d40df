"""A session on a Slurm of two nodes: the bytes of a local run, and a node lost in mid-run that loses nothing.

    SLURM_TESTS=yes envs/run pytest tests/slurm -n 0

Skipped without that word, or where there is no Slurm to start (`cluster.missing`). Takes some minutes.
"""

import os
import shutil
import subprocess
import sys
import time

import cluster
import pytest
from chain import PROJECT, finished, hashes, make_session, snakemake, transfer_of, write_audio
from recording import drums, plucks, record

pytestmark = pytest.mark.skipif(
    not os.environ.get("SLURM_TESTS") or bool(cluster.missing()),
    reason=cluster.missing() or "SLURM_TESTS is not set",
)
STEMS = {"drum": drums(2.0), "bass": plucks(2.0)}
# The node that is lost is one at work on a track's return: the profile's name for those jobs.
LOST_AT = "rule_track"


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    """(hashes of two local runs, of the same two on the nodes, what the run said that lost a node, whether it lost one)."""
    folder = tmp_path_factory.mktemp("nodes")
    session = make_session(folder / "song", "results", stems=STEMS)
    results, compiled = session / "results", {"NUMBA_CACHE_DIR": str(folder / "compiled")}
    finished(snakemake(session, "transfers", project=PROJECT, environment=compiled))
    for track in STEMS:
        first = record(transfer_of(results, track)[0], speed=0.98, hiss_db=35, seed=1).capture
        write_audio(session / f"returns/{track}/take1.wav", first)
    again = record(transfer_of(results, "drum")[0], speed=1.01, hiss_db=30, seed=5).capture
    local = [hashes_after(session, compiled)]
    later = write_audio(folder / "take2.wav", again)
    shutil.copy2(later, session / "returns/drum")
    local.append(hashes_after(session, compiled))
    shutil.rmtree(results)
    (session / "returns/drum/take2.wav").unlink()
    (folder / "cluster").mkdir()
    with cluster.two_nodes(folder / "cluster") as nodes:
        calm = run(session, nodes, folder)
        on_nodes = [hashes(results)]
        shutil.copy2(later, session / "returns/drum")
        robbed = run(session, nodes, folder, lose=True)
        on_nodes.append(hashes(results))
        after = run(session, nodes, folder)
    return {"local": local, "on nodes": on_nodes, "calm": calm, "robbed": robbed, "after": after}


def hashes_after(session, compiled):
    finished(snakemake(session, project=PROJECT, environment=compiled))
    return hashes(session / "results")


def run(session, nodes, folder, *, lose=False):
    """(exit code, what was said, the node that was lost) of the README's command, given on the controller."""
    command = [sys.executable, str(PROJECT / "envs" / "run"), "snakemake", "--profile", "config/slurm"]
    command += ["--directory", str(folder), "--config", f"session={session}"]
    said = folder / "said.txt"
    with said.open("w") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, env={**os.environ, **nodes.environment})
        lost = None
        while process.poll() is None:
            at_work = [node for node in cluster.NODES if any(LOST_AT in job for job in nodes.running_on(node))]
            if lose and at_work and not lost:
                lost = at_work[0]
                nodes.lose(lost)
            time.sleep(0.3)
    return process.returncode, said.read_text(errors="replace"), lost


def test_the_nodes_make_the_bytes_of_a_local_run(story):
    code, said, _ = story["calm"]
    assert code == 0, said[-3000:]
    assert "submitted with SLURM jobid" in said
    assert story["on nodes"][0] == story["local"][0]


def test_a_lost_node_loses_nothing(story):
    code, said, lost = story["robbed"]
    assert lost in cluster.NODES, said[-3000:]
    assert code == 0, said[-3000:]
    assert story["on nodes"][1] == story["local"][1] != story["local"][0]
    code, said, _ = story["after"]
    assert code == 0 and "Nothing to be done" in said, said[-3000:]
