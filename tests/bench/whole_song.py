"""A whole song from stems to report, its costs beside a plain floor measured in the same call.

    envs/run python tests/bench/whole_song.py                              16 tracks of 4 minutes, and one captured again
    envs/run python tests/bench/whole_song.py --tracks 4 --minutes 1
    envs/run python tests/bench/whole_song.py --growth                     1 to 64 tracks and 1 to 60 minutes as well
    envs/run python tests/bench/whole_song.py --growth --most-tracks 16 --most-minutes 15

Prints one table: time by the clock, CPU seconds and peak memory (the largest job's) of each run, a line a rule, and the
exponents of growth (CPU seconds over tracks and over minutes, a straight line through the logarithms; what a run costs with
nothing to do is taken off). The floor is one core reading every return, resampling it once by a quintic spline, and writing it.
Captures come from a plain recorder of this file's own; nothing of it is timed. Needs Linux (/proc).
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import soundfile
from chain import call_of, copied_project, make_session, processes_of, transfer_of, write_audio
from recording import RATE_HZ, drums, plucks
from scipy import fft, ndimage

_HERTZ = 100
REST, RUN = "snakemake, and ends", "returns to report"
GROWTH_TRACKS, GROWTH_MINUTES = (1, 4, 16, 64), (1, 4, 15, 60)


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--tracks", type=int, default=16)
    asked.add_argument("--minutes", type=float, default=4.0)
    asked.add_argument("--growth", action="store_true", help="1 to 64 tracks of 1 minute, 1 track of 1 to 60 minutes")
    asked.add_argument("--most-tracks", type=int, default=GROWTH_TRACKS[-1])
    asked.add_argument("--most-minutes", type=int, default=GROWTH_MINUTES[-1])
    asked = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="whole-song-") as folder:
        bench = Bench(Path(folder))
        heading = f"{'':26} {'clock s':>8} {'CPU s':>8} {'floors':>7} {'peak MB':>8}"
        print(heading)
        idle = bench.song(asked.tracks, asked.minutes)
        if asked.growth:
            tracks = [size for size in GROWTH_TRACKS if size <= asked.most_tracks]
            wider = [bench.grown(size, 1.0) for size in tracks]
            minutes = [size for size in GROWTH_MINUTES if size <= asked.most_minutes]
            longer = [bench.grown(1, size) for size in minutes]
            print(f"growth with tracks: exponent {exponent(tracks, wider, idle.cpu_s):.2f}")
            print(f"growth with minutes: exponent {exponent(minutes, longer, idle.cpu_s):.2f}")


class Cost:
    """What a run cost: clock and CPU seconds, the largest job's memory, and {rule: [CPU s, largest memory, jobs]}."""

    def __init__(self, seconds, cpu_s, peak_bytes, rules):
        self.seconds, self.cpu_s, self.peak_bytes, self.rules = seconds, cpu_s, peak_bytes, rules

    def line(self, name, floor_s):
        values = f"{self.seconds:8.1f} {self.cpu_s:8.1f} {self.cpu_s / floor_s:7.1f} {self.peak_bytes / 1e6:8.0f}"
        print(f"{name:26} {values}", flush=True)


class Bench:
    def __init__(self, folder):
        self.folder, self.project = folder, copied_project(folder / "project")
        # What an environment compiles once for all its runs.
        first = self.made(2, 0.05)
        self.run(first)
        shutil.rmtree(first[0])

    def song(self, tracks, minutes):
        """Make a song, run it, run it again with one new take and with nothing to do; print it all; what the last run cost."""
        made = self.made(tracks, minutes)
        session, outbound, _ = made
        whole = self.run(made)
        floor_s = self.whole_floor(made)
        write_audio(session / "returns/track 1/take2.wav", recorded(session, 0, seed=900))
        again = watched(session, self.project)
        idle = watched(session, self.project)
        told(tracks, minutes, floor_s, {"transfers": outbound, RUN: whole, "one captured again": again, "nothing to do": idle})
        for rule, (cpu_s, peak, jobs) in sorted(whole.rules.items(), key=lambda one: -one[1][0]):
            Cost(float("nan"), cpu_s, peak, {}).line(f"    {rule} ({jobs})", floor_s)
        shutil.rmtree(session)
        return idle

    def grown(self, tracks, minutes):
        """Make a song and run it; print and return the Cost."""
        made = self.made(tracks, minutes)
        whole = self.run(made)
        told(tracks, minutes, self.whole_floor(made), {"transfers": made[1], RUN: whole})
        shutil.rmtree(made[0])
        return whole

    def made(self, tracks, minutes):
        """A session with all its captures, what its transfers cost, and half of the floor, in CPU s."""
        stems = {f"track {n + 1}": stem(60 * minutes, n) for n in range(tracks)}
        settings = "transfer: {lead_in_s: 5, gap_s: 2, tail_s: 2, side_minutes: 120}\n"
        session = make_session(self.folder / f"song {tracks} {minutes:g}", "results", stems=stems, settings=settings)
        del stems
        outbound = watched(session, self.project, "transfers")
        for n in range(tracks):
            write_audio(session / f"returns/track {n + 1}/take1.wav", recorded(session, n, seed=n))
        return session, outbound, self.half_floor(session, 0)

    def half_floor(self, session, half):
        """The floor of every second return: half is taken before a run, half after it, because others use the machine too."""
        return floor(sorted(session.glob("returns/*/take1.wav"))[half::2], self.folder / "floor.wav")

    def whole_floor(self, made):
        return made[2] + self.half_floor(made[0], 1)

    def run(self, made):
        return watched(made[0], self.project)


def told(tracks, minutes, floor_s, parts):
    print(f"{tracks} tracks of {minutes:g} min, floor {floor_s:.2f} CPU s")
    for part, cost in parts.items():
        cost.line(f"  {part}", floor_s)


def exponent(sizes, costs, idle_s):
    spent = [max(cost.cpu_s - idle_s, 0.1) for cost in costs]
    return np.polyfit(np.log(sizes), np.log(spent), 1)[0]


def stem(seconds, number):
    """A stem of its own for each number, in minutes that differ from one another."""
    kinds = (drums, plucks)
    pieces = [kinds[number % 2](min(20.0, seconds), 1000 * number + k) for k in range(int(np.ceil(seconds / 20.0)))]
    return np.concatenate(pieces)[: int(seconds * RATE_HZ)]


def recorded(session, number, *, seed):
    """The capture of a transfer: band-limited, at a speed that wanders, with hiss."""
    samples, _ = transfer_of(session / "results", f"track {number + 1}")
    random, count = np.random.default_rng(seed), samples.size
    spectrum = fft.rfft(samples.astype(np.float32), fft.next_fast_len(count, real=True))
    at_hz = np.arange(spectrum.size) * RATE_HZ / fft.next_fast_len(count, real=True)
    spectrum *= (1 / np.sqrt(1 + (350 / np.maximum(at_hz, 1)) ** 4) / np.sqrt(1 + (at_hz / 4200) ** 4)).astype(np.float32)
    limited = fft.irfft(spectrum, fft.next_fast_len(count, real=True))[:count]
    t = np.arange(count) / RATE_HZ
    late = 0.004 * t + 0.0008 * np.sin(4.4 * t + seed) + 0.00005 * np.sin(50 * t)
    read = np.interp(t + late, t, limited).astype(np.float32)
    hiss = 10 ** (-35 / 20) * np.sqrt(np.mean(read**2)) * random.standard_normal(count, dtype=np.float32)
    return np.concatenate((hiss[: 2 * RATE_HZ], 0.5 * (read + hiss)))


def floor(paths, out):
    """CPU seconds of one core that reads each return, resamples it once by a quintic spline, and writes it."""
    began = time.process_time()
    for path in paths:
        samples, _ = soundfile.read(path)
        spline = ndimage.spline_filter1d(samples, order=5)
        read = ndimage.map_coordinates(spline, [np.arange(samples.size) * 1.0001 + 0.3], order=5, prefilter=False)
        soundfile.write(out, read.astype(np.float32), RATE_HZ, subtype="FLOAT")
    return time.process_time() - began


def watched(session, project, *targets):
    """The Cost of a run of Snakemake: its sums as the system keeps them, its rules' as its jobs were seen from outside."""
    with tempfile.TemporaryFile("w+") as said:
        began = time.monotonic()
        call = call_of(session, *targets, project=project)
        process = subprocess.Popen(**call, stdout=said, stderr=subprocess.STDOUT, start_new_session=True)
        seen, done = {}, threading.Event()
        looker = threading.Thread(target=look, args=(process.pid, seen, done))
        looker.start()
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.monotonic() - began
        done.set()
        looker.join()
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            said.seek(0)
            raise SystemExit(said.read()[-3000:])
    rules = defaultdict(lambda: [0.0, 0, 0])
    for name, cpu_s, peak in seen.values():
        rules[name][0] += cpu_s
        rules[name][1] = max(rules[name][1], peak)
        rules[name][2] += 1
    cpu_s = usage.ru_utime + usage.ru_stime
    rules[REST][0] = cpu_s - sum(spent for name, (spent, _, _) in rules.items() if name != REST)
    # Not the usage's own peak: that of a new process includes the one that started it, here this one with its songs.
    return Cost(seconds, cpu_s, max(peak for _, peak, _ in rules.values()), dict(rules))


def look(group, seen, done):
    """Note {(process, its start): (rule, CPU s, largest memory)} of a process session, as long as they live.

    Seldom enough to take next to nothing from the run on a machine of two cores.
    """
    while not done.wait(0.1):
        for folder, fields in processes_of(group):
            try:
                command, status = ((folder / name).read_text() for name in ("cmdline", "status"))
            except (OSError, ValueError):
                continue
            peak = re.search(r"VmHWM:\s*(\d+)", status)
            # A process that is ending has given back its memory, and its name with it.
            if peak:
                script = re.search(r"tmp\w+\.(\w+)\.py", command)
                cpu_s = (int(fields[11]) + int(fields[12])) / _HERTZ
                seen[folder.name, fields[19]] = (script.group(1) if script else REST, cpu_s, int(peak.group(1)) * 1024)


if __name__ == "__main__":
    main()
