"""Runs that are killed, run out of disk, or lose a return while they read it; and what the next plain command makes of them.

    envs/run python tests/faults/disturbed_runs.py                      60 kills, 20 full disks, 12 replaced returns
    envs/run python tests/faults/disturbed_runs.py --kills 5 --full-disks 2 --replaced 1 --seed 7

One kill in six falls into a run from the stems on, the others into one after a track was captured again; a full disk meets a
run from the stems on, a replaced return one that reads it. After the disturbance the same command is given again, with at
most the one `--unlock` that it asks for; it has to end well, with the bytes of a run that nobody disturbed, and with every file
of the user's as it was. Prints a line a round and a table; exit code 1 if anything differs or goes on without end. Needs Linux
(/proc); full disks need the right to mount a small one, and are left out, with a line, without it.
"""

import argparse
import os
import random
import resource
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager, suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bounceproof.files import file_sha256
from chain import call_of, copied_project, finished, hashes, make_session, processes_of, snakemake, transfer_of, write_audio
from recording import drums, plucks, record

STEMS = {"drum": drums(2.0), "bass": plucks(2.0)}
PAIRS = "pair\tfirst\tsecond\tkind\nlow\tdrum\tbass\tone-source\n"
MIB = 1 << 20
# What a run leaves behind ends by itself within this time, many times what the whole run takes.
LONGEST_S = 300.0


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for kind, count in (("kills", 60), ("full-disks", 20), ("replaced", 12)):
        asked.add_argument(f"--{kind}", type=int, default=count)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--log", type=Path, help="a file that gets each round's line as well, as it happens")
    asked = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="disturbed-") as folder:
        story = Story(Path(folder), asked.seed, asked.log)
        with small_disk(Path(folder) / "disk", 96 * MIB) as disk:
            kinds = [(asked.kills, story.killed), (asked.replaced, story.replaced)]
            kinds += [(asked.full_disks, lambda number: story.filled(disk))] if disk else []
            story.rounds(kinds)
        sys.exit(story.told())


class Story:
    """A project, a session in it, and what its results are when nobody disturbs the run."""

    def __init__(self, folder, seed, log):
        self.random, self.log, self.lines = random.Random(seed), log, []
        self.project = copied_project(folder / "project")
        self.folder = folder / "plain"
        self.session = make_session(self.folder / "song", "results", stems=STEMS, pairs=PAIRS)
        results = self.session / "results"
        finished(snakemake(self.session, "transfers", project=self.project))
        takes = {track: record(transfer_of(results, track)[0], speed=0.98, hiss_db=35, seed=1).capture for track in STEMS}
        write_audio(self.session / "returns/drum/take1.wav", takes["drum"])
        write_audio(self.session / "returns/unsorted/side A.wav", takes["bass"])
        other = record(transfer_of(results, "drum")[0], speed=1.01, hiss_db=30, seed=5).capture
        own = self.session / "returns/drum/take1.wav"
        self.takes = {"own": own.read_bytes(), "other": write_audio(folder / "other.wav", other).read_bytes()}
        self.there = "own"
        users = users_files(self.session)
        self.clear()
        self.cpu_s = self.undisturbed()
        self.due = {"own": hashes(results)}
        self.bytes = held(self.folder.rglob("*")) - held(map(self.session.joinpath, users))
        self.put("other")
        self.again_cpu_s = self.undisturbed()
        self.due["other"] = hashes(results)
        told = f"{self.cpu_s:.1f} CPU s, {len(self.due['own'])} files, {self.bytes / MIB:.1f} MiB"
        self.say(f"undisturbed: {told}; after another take {self.again_cpu_s:.1f} CPU s")

    def undisturbed(self):
        """Let a run go to its end; its CPU seconds."""
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        finished(snakemake(self.session, project=self.project))
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    def say(self, line):
        print(line, flush=True)
        if self.log:
            with self.log.open("a", encoding="utf-8") as out:
                out.write(line + "\n")

    def clear(self):
        for path in (self.session / "results", self.folder / "housekeeping"):
            shutil.rmtree(path, ignore_errors=True)

    def put(self, which):
        """Save "own" or "other" as the drum's return: the same file, written anew."""
        path = self.session / "returns/drum/take1.wav"
        path.write_bytes(self.takes[which])
        os.utime(path, (time.time() - 900,) * 2)
        self.there = which

    def rounds(self, kinds):
        """Rounds of several kinds, (how many, what disturbs) each, evenly mixed: a call broken off has had some of each."""
        order = [((number + 0.5) / count, number, disturb) for count, disturb in kinds for number in range(count)]
        for _, number, disturb in sorted(order, key=lambda one: one[0]):
            self.lines.append(disturb(number))
            self.say(f"{len(self.lines)} {self.lines[-1]}")

    def killed(self, number):
        """A process of the run, or (every fifth time) all of them, ended by SIGKILL at a random moment."""
        whole = number % 6 == 0
        if whole:
            self.clear()
        else:
            self.put("other" if self.there == "own" else "own")
        users = users_files(self.session)
        run = Run(self.session, self.project)
        # A moment is a share of the run's work: by the clock it would be another one whenever the machine has more to do.
        at_s = run.wait_for_work(self.random.uniform(0.0, 0.98) * (self.cpu_s if whole else self.again_cpu_s))
        there = run.processes()
        if not there:
            what = "nothing: the run had ended"
        elif number % 5 == 4:
            what = f"all {len(there)} processes"
            for pid in there:
                end(pid)
        else:
            pid = self.random.choice(there)
            what = f"one of {len(there)} processes, {'the first' if pid == run.pid else 'a job'}"
            end(pid)
        run.wait()
        # Half of the time the next command comes at once, while orphans may still be at work.
        if number % 2:
            run.wait_for_all()
        what = f"{what} at {at_s:.1f} CPU s of {'a whole run' if whole else 'another take'}"
        return self.settled("kill", what, self.session, users, self.there, run)

    def filled(self, disk):
        """Less free space than the results need, session, results and Snakemake's own notes on the same disk."""
        folder = disk / "story"
        shutil.rmtree(folder, ignore_errors=True)
        session = folder / "song"
        shutil.copytree(self.session, session, ignore=shutil.ignore_patterns("results"))
        users, due = users_files(session), self.there
        free = int(self.random.uniform(0.0, 0.98) * self.bytes)
        ballast = disk / "ballast"
        with ballast.open("wb") as out:
            left = shutil.disk_usage(disk).free - free
            while left > 0:
                left -= out.write(bytes(min(left, MIB)))
        run = Run(session, self.project)
        run.wait()
        run.wait_for_all()
        told = "which was enough" if run.code == 0 else "and says so" if "No space left" in run.text() else "DIFFERING: silently"
        if "Traceback" in run.text():
            told += ", DIFFERING: with a traceback"
            self.say(run.text()[-3000:])
        ballast.unlink()
        line = self.settled("full disk", f"{free / MIB:.1f} MiB free, code {run.code} {told}", session, users, due, run)
        shutil.rmtree(folder)
        return line

    def replaced(self, number):
        """A new take put back for the one before while it is being read; every third time it is there again before the next
        command."""
        before, new = self.there, "own" if self.there == "other" else "other"
        self.put(new)
        run = Run(self.session, self.project)
        if not run.wait_for_text("Aligning drum"):
            raise SystemExit(f"DIFFERING: a new take was not aligned, code {run.code}:\n{run.text()[-3000:]}")
        at_s = run.wait_for_work(run.cpu_s() + self.random.uniform(0.0, 0.25) * self.again_cpu_s)
        self.put(before)
        run.wait()
        again = number % 3 == 2
        if again:
            self.put(new)
        what = f"another take at {at_s:.1f} CPU s, code {run.code}{', and back' if again else ''}"
        return self.settled("replaced return", what, self.session, users_files(self.session), self.there, run)

    def settled(self, kind, what, session, users, due, run):
        """Give the plain command again, with the one unlock it asks for, and look at what there is then."""
        again = snakemake(session, project=self.project)
        unlocked = again.code != 0 and "--unlock" in again.text
        if unlocked:
            finished(snakemake(session, "--unlock", project=self.project))
            again = snakemake(session, project=self.project)
        run.wait_for_all()
        there = hashes(session / "results") if (session / "results").is_dir() else {}
        differing = sorted(name for name in {*there, *self.due[due]} if there.get(name) != self.due[due].get(name))
        changed = sorted(name for name, value in users_files(session).items() if users.get(name) != value)
        bad = again.code != 0 or differing or changed or len(users_files(session)) != len(users)
        if again.code:
            self.say(again.text[-3000:])
        unlock = ", unlocked" if unlocked else ""
        wrong = f"; DIFFERING {differing[:6]} CHANGED {changed}" if bad else ""
        return f"{kind}: {what}{unlock}: code {again.code}, {len(differing)} differ, {len(changed)} of the user's changed{wrong}"

    def told(self):
        """The table; how many rounds went wrong."""
        kinds = ("kill", "replaced return", "full disk")
        bad = [line for line in self.lines if "DIFFERING" in line]
        for kind in kinds:
            of_kind = [line for line in self.lines if line.startswith(kind)]
            wrong = [line for line in of_kind if line in bad]
            unlocked = [line for line in of_kind if ", unlocked" in line]
            self.say(f"{kind}: {len(of_kind)} rounds, {len(unlocked)} needed the unlock, {len(wrong)} wrong")
        return min(1, len(bad))


def users_files(session):
    """{file: hash} of all in a session's folder that is the user's."""
    files = [path for path in session.rglob("*") if path.is_file() and "results" not in path.relative_to(session).parts]
    return {path.relative_to(session).as_posix(): file_sha256(path) for path in files}


def held(paths):
    """The bytes that files hold, a file of several names once."""
    return sum({facts.st_ino: facts.st_size for facts in map(Path.lstat, paths) if stat.S_ISREG(facts.st_mode)}.values())


class Run:
    """Snakemake at work in a process session of its own, so that all that it starts can be found, orphans too."""

    def __init__(self, session, project):
        self._out = tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace")  # noqa: SIM115
        self._process = subprocess.Popen(
            **call_of(session, project=project), stdout=self._out, stderr=subprocess.STDOUT, start_new_session=True
        )
        self.pid, self.code = self._process.pid, None

    def cpu_s(self):
        """What the run's processes and those they waited for have worked so far."""
        return sum(sum(map(int, fields[11:15])) for _, fields in processes_of(self.pid)) / os.sysconf("SC_CLK_TCK")

    def wait_for_work(self, cpu_s):
        """Wait until so much is done, or the run has ended; how much is done then."""
        done_s = 0.0
        while self._process.poll() is None and done_s < cpu_s:
            time.sleep(0.03)
            done_s = max(done_s, self.cpu_s())
        return done_s

    def processes(self):
        """The ids of all processes of the run that are alive."""
        return sorted(int(folder.name) for folder, _ in processes_of(self.pid))

    def text(self):
        self._out.seek(0)
        return self._out.read()

    def wait(self):
        self.code = self._process.wait()

    def wait_for_all(self):
        end_s = time.monotonic() + LONGEST_S
        while there := self.processes():
            if time.monotonic() > end_s:
                raise SystemExit(f"DIFFERING: {len(there)} processes of a run go on without end: {there}")
            time.sleep(0.1)

    def wait_for_text(self, words):
        """Wait until it says these words; False if it ended without."""
        while self._process.poll() is None:
            if words in self.text():
                return True
            time.sleep(0.05)
        return False


def end(pid):
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


@contextmanager
def small_disk(folder, size_bytes):
    """A small file system in memory, as its Path; None where none may be mounted."""
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        print(f"no small disk, so none is filled: {done.stderr.strip()}")
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=False)


if __name__ == "__main__":
    main()
