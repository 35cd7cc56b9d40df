"""Whole sides of tape found and cut: forty of four to eight tracks in random order, and a long one at 96 kHz.

    envs/run python tests/bench/whole_sides.py [40] [0]   sides through the simulated recorder, from this one on, some tracks
                                                          missing or repeated, every fifth with the calibration among them
    envs/run python tests/bench/whole_sides.py long       an hour at 96 kHz: seconds and memory of the rule's own script

Prints its own table.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent / "workflow" / "scripts")]

BAND_HZ = (400.0, 4000.0)
SETTINGS = {"lead_in_s": 5.0, "gap_s": 2.5, "tail_s": 3.0, "click_below_peak_db": 14.0}
RATE_HZ = 24000


def transfers(count, seconds, rate_hz):
    """{track: (samples, facts)} of stems of different lengths."""
    from bounceproof.audio import resample
    from bounceproof.transfers import make_transfer
    from recording import RATE_HZ as SOURCE_HZ
    from recording import drums, plucks

    made = {}
    for k in range(count):
        stem = drums(seconds + k) if k % 3 == 0 else plucks(seconds + k, seed=k, low_hz=110.0 * (1 + k % 4))
        stem = resample(stem, SOURCE_HZ, rate_hz)
        transfer = make_transfer(stem, rate_hz, number=k + 1, band_hz=BAND_HZ, settings=SETTINGS, send_db=-6.0)
        made[f"track{k + 1}"] = (transfer.samples, {"track": f"track{k + 1}", **transfer.facts})
    return made


def forty(count, first=0):
    from bounceproof.captures import find_spans
    from bounceproof.planning.calibration import make_calibration
    from bounceproof.recorder import simulate
    from bounceproof.session.returned import CALIBRATION

    made = transfers(8, 8.0, RATE_HZ)
    facts, names = [about for _, about in made.values()], sorted(made)
    calibration = make_calibration(RATE_HZ, band_hz=BAND_HZ, number=255)
    beside = {"track": CALIBRATION, **calibration.facts}
    made[CALIBRATION] = (calibration.samples, beside)
    tracks = played = found = wrong = whole = 0
    for seed in range(first, count):
        random = np.random.default_rng(seed)
        order = list(random.permutation(names)[: random.integers(4, 9)])
        if seed % 3 == 0:
            order.insert(int(random.integers(len(order))), order[int(random.integers(len(order)))])
        if seed % 5 == 4:
            order.insert(int(random.integers(len(order))), CALIBRATION)
        leader = np.zeros(int(random.uniform(2, 12) * RATE_HZ))
        side = np.concatenate([leader, *(made[track][0] for track in order)])
        speed_percent = float(random.choice([-2.0, 2.0]) * random.uniform(0.8, 1.0))
        machine = {"preset": "pocket-machine" if seed % 2 else "pocket-machine-good", "replay": {"speed_percent": speed_percent}}
        done = simulate(side, RATE_HZ, machine, seed=seed)
        starts_s = np.cumsum([leader.size, *(made[track][0].size for track in order)])[:-1] / RATE_HZ
        due_s = {
            end: done.truth.capture_at(
                np.array([at_s + made[t][1][f"{end}_click_sample"] / RATE_HZ for t, at_s in zip(order, starts_s, strict=True)])
            )
            for end in ("start", "end")
        }
        samples = done.capture.astype(np.float32)
        spans = find_spans(samples, done.rate_hz, facts, speed_search_percent=12.0, beside=[beside])
        named, both = np.zeros(len(order), bool), np.zeros(len(order), bool)
        for span in spans:
            for k, track in enumerate(order):
                instants = (("start", span.start_s), ("end", span.end_s))
                near = [at_s is not None and abs(at_s - due_s[end][k]) < 0.01 for end, at_s in instants]
                if span.track == track and any(near):
                    named[k], both[k] = True, all(near)
        bad = len(spans) - int(named.sum())
        tracks, played, wrong = tracks + 1, played + len(order), wrong + bad
        found, whole = found + int(named.sum()), whole + int(both.sum())
        print(f"side {seed}: {int(named.sum())} of {len(order)} found, {int(both.sum())} by both clicks, {bad} wrong", flush=True)
    print(f"{tracks} sides, {played} transfers: {found} found and named, {whole} of them by both clicks, {wrong} wrong")


def make_long(folder, minutes, rate_hz=96000):
    """An hour of side at 96 kHz, 2 % slow, written piece by piece; the facts of its transfers beside it."""
    import soundfile
    from bounceproof.files import write_json

    made, random = transfers(3, 270.0, rate_hz), np.random.default_rng(1)
    paths = []
    for track, (_, about) in made.items():
        write_json(folder / f"{track}.json", about)
        paths.append(str(folder / f"{track}.json"))
    side, written, k, slow = folder / "side.wav", 0, 0, []
    for samples, _ in made.values():
        places = np.arange(int(samples.size / 0.98) - 2) * 0.98
        whole = places.astype(int)
        slow.append(0.5 * (samples[whole] + (places - whole) * (samples[whole + 1] - samples[whole])))
        slow[-1] += 0.001 * random.standard_normal(slow[-1].size)
    with soundfile.SoundFile(side, "w", rate_hz, 1, "PCM_24") as out:
        while written < minutes * 60 * rate_hz:
            out.write(slow[k % 3])
            written, k = written + slow[k % 3].size, k + 1
    return side, paths, k


def long(minutes=60):
    with tempfile.TemporaryDirectory() as name:
        side, paths, count = make_long(Path(name), minutes)
        command = [sys.executable, __file__, "sort", name, str(side), *paths]
        began = time.monotonic()
        said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        print(f"{minutes} minutes at 96 kHz, {count} transfers: {time.monotonic() - began:.1f} s, {said.strip()}")


def sort(folder, side, *paths):
    import sort_captures
    from bounceproof.files import read_table

    table = Path(folder) / "captures" / "cuts.tsv"
    params = SimpleNamespace(settings={"speed_search_percent": 12.0, "taken": {}, "legs": {}}, content=["made here"])
    files = SimpleNamespace(captures=[side], facts=list(paths), calibration=[])
    sort_captures.main(SimpleNamespace(input=files, output=SimpleNamespace(table=str(table)), params=params))
    rows = read_table(table)
    # This process' own peak: `getrusage` counts its parent's too.
    status = Path("/proc/self/status").read_text()
    memory = int(status.split("VmHWM:")[1].split()[0]) / 1e6
    print(
        f"CPU {time.process_time():.1f} s, {memory:.2f} GB, {sum(bool(row['file'] and row['end_s']) for row in rows)} cut whole"
    )


if __name__ == "__main__":
    what = sys.argv[1:] or ["40"]
    if what[0] == "sort":
        sort(*what[1:])
    elif what[0] == "long":
        long()
    else:
        forty(*map(int, what))
