"""Small sessions run through Snakemake as a person would, each as a process of its own.

A story (one session over several runs) is run once and written down; tests look at what was written. Workers share it.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import soundfile
from bounceproof.files import file_sha256
from recording import RATE_HZ, drums, plucks

PROJECT = Path(__file__).resolve().parents[1]
# The foundation's own alignment; following the stem has tests of its own.
SHORT = "transfer: {lead_in_s: 2.2, leader_s: 3, gap_s: 1.0, tail_s: 1.0}\nalignment: {method: clicks}\n"


class Finished:
    """A run's exit code, everything it printed, and the jobs it did."""

    def __init__(self, done):
        self.code, self.text = done.returncode, done.stdout + done.stderr
        self.jobs = jobs(self.text)


def snakemake(session, *arguments, project, cores=2, folder=None, environment=None):
    """Run Snakemake on a session as envs/run would, see `call_of`, and wait for its end."""
    call = call_of(session, *arguments, project=project, cores=cores, folder=folder, environment=environment)
    return Finished(subprocess.run(**call, capture_output=True, text=True, encoding="utf-8", check=False))


def call_of(session, *arguments, project, cores=2, folder=None, environment=None):
    """How Snakemake is called on a session, for subprocess: its housekeeping lies in `folder` (by default beside the session).

    project: a copy of it (`copied_project`), because an edit of the library while a story is told would rerun what has to rest.
    """
    folder = Path(folder or session.parent / "housekeeping")
    folder.mkdir(parents=True, exist_ok=True)
    values = {
        **os.environ,
        "SNAKEMAKE_PROFILE": str(project / "config" / "profile"),
        "BOUNCEPROOF_CALLED_FROM": str(folder),
        "NUMBA_CACHE_DIR": str(project / "compiled"),
        **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"),
        **(environment or {}),
    }
    values.pop("PYTHONPATH", None)
    command = [sys.executable, "-m", "snakemake", "--snakefile", project / "Snakefile", "--directory", folder, "--cores", cores]
    command = [*map(str, command), *map(str, arguments), "--config", f"session={session}"]
    return {"args": command, "env": values, "cwd": folder}


def processes_of(process_session):
    """(folder in /proc, fields of its stat from the state on) of each process of a process session that is alive, orphans too."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == process_session and fields[0] != "Z":
            yield stat.parent, fields


def finished(run):
    """The run, which has to have ended well."""
    assert run.code == 0, run.text[-6000:]
    return run


def by_itself(text, folder, **environment):
    """A Python program run in a process that knows of the workflow's scripts alone, with all that it leaves behind waited for."""
    script = folder / "program.py"
    script.write_text(text, encoding="utf-8")
    environment = {"PYTHONPATH": str(PROJECT / "workflow" / "scripts"), "PATH": "", **environment}
    # What is left behind holds open what is read here.
    return subprocess.run([sys.executable, script], env=environment, capture_output=True, text=True, check=False, timeout=60)


def printed_by(text, folder, **environment):
    """The words that such a program prints."""
    done = by_itself(text, folder, **environment)
    done.check_returncode()
    return done.stdout.split()


def planned(session, **options):
    """What Snakemake would do now, see `jobs`."""
    return finished(snakemake(session, "--dry-run", **options)).jobs


def jobs(text):
    """The jobs that Snakemake announced, each by its message ("Aligning drum, take1"), sorted."""
    return sorted(re.findall(r"^Job \d+: (.+)$", text, re.M))


def chain_of(track, *takes):
    """The jobs that a track's own returns cause, for those of its takes that are new."""
    per_take = [f"{verb} {track}, {take}" for take in takes for verb in ("Aligning", "Measuring")]
    return {*per_take, f"Choosing the take of {track}", f"Making the mix-ready file of {track}"}


OF_ALL = {
    "Stacking the hiss of all tracks",
    "Building the rough mixes",
    "Measuring the rough mixes",
    "Drawing the figures",
    "Drawing the figures of the mixes",
    "Writing the report",
    "Writing the record",
}

STEMS = {"drum": drums(4.0), "bass": plucks(4.0), "horn": plucks(4.0, seed=8, low_hz=330.0)}


def make_session(folder, results, *, stems=STEMS, settings=SHORT, medium="dictation-2.4", **tables):
    """A session folder with these stems (arrays at 48 kHz); tables: their text."""
    (folder / "stems").mkdir(parents=True)
    for name, samples in stems.items():
        write_audio(folder / "stems" / f"{name}.wav", samples)
    where = json.dumps(str(results), ensure_ascii=False)
    head = f"name: {folder.name}\nresults_dir: {where}\nmedium: {medium}\nsample_rate_hz: 48000\n"
    (folder / "session.yaml").write_text(head + settings, encoding="utf-8")
    for name, text in tables.items():
        (folder / f"{name}.tsv").write_text(text, encoding="utf-8")
    return folder


def write_audio(path, samples, *, days_old=0.01, rate_hz=RATE_HZ):
    """Write a float WAV and date it (a file of this moment might still be growing)."""
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(path, np.asarray(samples, dtype=np.float32), rate_hz, subtype="FLOAT")
    date(path, days_old)
    return path


def date(path, days_old):
    os.utime(path, (time.time() - 86400 * days_old,) * 2)


def transfer_of(results, track):
    """(samples, facts) of a transfer that was made."""
    samples, _ = soundfile.read(results / "transfers" / f"{track}.wav")
    return samples, json.loads((results / "transfers" / f"{track}.json").read_text(encoding="utf-8"))


def read_results(path):
    return json.loads(path.read_text(encoding="utf-8"))


def hashes(results):
    """{file: hash} of everything in the results but the logs, which tell the time."""
    files = [path for path in results.rglob("*") if path.is_file() and "logs" not in path.relative_to(results).parts]
    return {path.relative_to(results).as_posix(): file_sha256(path) for path in sorted(files)}


def copied_project(folder):
    """A copy of what the rules need of the project."""
    for name in ("workflow", "config"):
        shutil.copytree(PROJECT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", "*.nbi", "*.nbc"))
    shutil.copy(PROJECT / "Snakefile", folder)
    (folder / "envs").mkdir()
    shutil.copy(PROJECT / "envs" / "environment.yaml", folder / "envs")
    return folder


def copy_of_project(folder):
    return {"project": str(copied_project(folder))}


def shared_project(tmp_path_factory):
    """One copy of the project for all tests of this call."""
    return Path(shared_story(tmp_path_factory, copy_of_project)["project"])


def shared_story(tmp_path_factory, tell, **given):
    """What `tell(folder, **given)` returns (plain values), told once however many of pytest's workers ask for it."""
    root = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        root = root.parent
    folder = root / tell.__module__.rpartition(".")[2] / tell.__name__
    told = folder.with_name(f"{tell.__name__}.json")
    folder.parent.mkdir(parents=True, exist_ok=True)
    try:
        folder.mkdir()
    except FileExistsError:
        return _heard(told)
    story = {"folder": str(folder), "broke": "the story ended in an error; see the worker that told it"}
    try:
        story |= {"broke": None, **tell(folder, **given)}
    finally:
        fresh = told.with_suffix(".part")
        fresh.write_text(json.dumps(story), encoding="utf-8")
        fresh.replace(told)
    return _heard(told)


def _heard(told):
    for _ in range(6000):
        if told.is_file():
            story = json.loads(told.read_text(encoding="utf-8"))
            assert not story["broke"], story["broke"]
            return story
        time.sleep(0.1)
    raise TimeoutError(f"{told} was not written within ten minutes")
