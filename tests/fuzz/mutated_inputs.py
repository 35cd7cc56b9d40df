"""Session files and audio files, mutated, read as a session or a capture would be: each is read, or refused in our own words.

    envs/run python tests/fuzz/mutated_inputs.py                    100,000 inputs, three in ten session files
    envs/run python tests/fuzz/mutated_inputs.py --count 4000 --seed 7 --kinds audio --keep FOLDER

Looked for: any error but our own, an answer later than HANG_S, more than MEMORY_BYTES above what the process began with, the
process's death, a sentence of several lines or without end, a session record that no workflow can hold. What is found is kept in
FOLDER (default: a new one under the system's temporary folder), one file an input, and named; tests/fuzz/found/ holds what was
found before and is read again by the suite. Starts from tests/fuzz/corpus/ and what gave a sentence not seen before. Exit code 1
if anything was found.
"""

import argparse
import contextlib
import json
import math
import multiprocessing
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from functools import cache
from pathlib import Path

import yaml

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

HERE = Path(__file__).resolve().parent
HANG_S = 10.0
MEMORY_BYTES = 1 << 30
BATCH = 2000
LONGEST_SENTENCE = 1500
SHARES = {"audio": 0.7, "session": 0.12, "tracks": 0.12, "pairs": 0.03, "takes": 0.03}
TABLES = ("tracks", "pairs", "takes")
ENDINGS = {"session": "session.yaml", **{table: f"{table}.tsv" for table in TABLES}}
WORDS = json.loads((HERE / "words.json").read_text(encoding="utf-8"))
NUMBERS = (0, 1, 2, 3, 8, 16, 255, 256, 0x7FFF, 0x8000, 0xFFFF, 44100, 48000, 0x7FFFFFFF, 0x80000000, 0xFFFFFF00, 0xFFFFFFFF)
CHUNKS = (
    b"RIFF",
    b"RF64",
    b"WAVE",
    b"fmt ",
    b"data",
    b"ds64",
    b"bext",
    b"LIST",
    b"JUNK",
    b"FORM",
    b"AIFF",
    b"COMM",
    b"SSND",
    b"fLaC",
)


class Found(Exception):
    """What an input must not do; its text says what it did."""


def corpus(kind):
    """The seeds of a kind ("session", "tracks", "pairs", "takes", "audio") as (name, bytes)."""
    return [(path.name, path.read_bytes()) for path in sorted((HERE / "corpus" / kind).iterdir())]


def mutated(content, others, draw, *, text):
    """A content changed in one to eight places. others: contents to take pieces from; draw: a random.Random."""
    content = bytearray(content)
    for _ in range(draw.choice((1, 1, 1, 2, 3, 5, 8))):
        draw.choice(_TEXT_CHANGES if text else _BYTE_CHANGES)(content, others, draw)
    return bytes(content[:20000])


def _place(content, draw):
    return draw.randrange(len(content) + 1)


def _word(content, others, draw):
    at = _place(content, draw)
    encoding = "utf-16-le" if content[:2] == b"\xff\xfe" else "utf-8"
    word = draw.choice(WORDS).encode(encoding)
    content[at : at + draw.choice((0, 0, 1, len(word)))] = word


def _byte(content, others, draw):
    at = _place(content, draw)
    content[at : at + 1] = bytes([draw.randrange(256)])


def _bit(content, others, draw):
    if content:
        content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)


def _cut_out(content, others, draw):
    at = _place(content, draw)
    del content[at : at + draw.choice((1, 2, 4, 16, 100))]


def _cut_off(content, others, draw):
    del content[_place(content, draw) :]


def _again(content, others, draw):
    at = _place(content, draw)
    content[at:at] = content[at : at + draw.choice((1, 4, 20, 200))] * draw.choice((1, 1, 2, 9, 100))


def _from_another(content, others, draw):
    other = draw.choice(others)
    at, start = _place(content, draw), _place(other, draw)
    content[at:at] = other[start : start + draw.choice((4, 20, 100, 1000))]


def _line(content, others, draw):
    lines = bytes(content).split(b"\n")
    line = draw.choice(lines)
    lines.insert(draw.randrange(len(lines) + 1), draw.choice((line, b" " + line, b"\t" + line, line * 2, b"- " + line)))
    content[:] = b"\n".join(lines)


def _number(content, others, draw):
    """A number of 16 or 32 bits, of either order, at an even place: near the start, where headers are, more often than not."""
    reach = len(content) if draw.random() < 0.3 else min(64, len(content))
    at = 2 * draw.randrange(reach // 2 + 1)
    width = draw.choice((2, 4, 4, 8))
    number = draw.choice((*NUMBERS, draw.getrandbits(32))) % (1 << 8 * width)
    content[at : at + width] = number.to_bytes(width, draw.choice(("little", "little", "big")))


def _chunk(content, others, draw):
    at = 2 * draw.randrange(len(content) // 2 + 1)
    name = draw.choice(CHUNKS)
    body = bytes(draw.randrange(40))
    size = draw.choice((len(body), 0, 0xFFFFFFFF, draw.getrandbits(32)))
    if draw.random() < 0.5:
        content[at : at + 4] = name
    else:
        content[at:at] = name + size.to_bytes(4, "little") + body


_TEXT_CHANGES = (_word, _word, _word, _byte, _bit, _cut_out, _cut_off, _again, _from_another, _line, _line)
_BYTE_CHANGES = (_number, _number, _number, _number, _byte, _bit, _cut_out, _cut_off, _again, _from_another, _chunk)


class Reader:
    """Reads contents as the project would: `read(kind, name, content)` gives its answer (what was read, or the sentence)."""

    def __init__(self, folder):
        from bounceproof.session import loading
        from session_maker import PROJECT, make_session, write_stem

        self.folder, self.config = Path(folder), Path(folder) / "config"
        _few_entries(
            PROJECT / "config", self.config, {"media": ("dictation-2.4", "cassette-i"), "roles": ("kick", "bass", "other")}
        )
        self.session = make_session(self.folder / "song", tracks="track\nkick\nbass\n")
        write_stem(self.session / "stems" / "two.wav", channels=2)
        write_stem(self.session / "returns" / "kick" / "take1.wav")
        self.project = self.folder / "project"
        (self.project / "workflow").mkdir(parents=True)
        (self.project / "workflow" / "schemas").symlink_to(PROJECT / "workflow" / "schemas")
        # The schemas are the project's own: read once.
        self._loading, self._read_schema = loading, loading.read_schema
        loading.read_schema = cache(loading.read_schema)

    def close(self):
        self._loading.read_schema = self._read_schema

    def read(self, kind, name, content):
        if kind == "audio":
            return self._audio(self.folder / f"input{Path(name).suffix}", content)
        return self._session(self.session / ENDINGS[kind], content)

    def _session(self, path, content):
        from bounceproof.session import SessionMistakes, load_session

        before = path.read_bytes() if path.exists() else None
        path.write_bytes(content)
        try:
            record = load_session(self.session, config_dir=self.config, project_dir=self.project)
        except SessionMistakes as mistakes:
            for line in mistakes.lines:
                _one_sentence(line)
            return " | ".join(mistakes.lines)
        finally:
            path.unlink() if before is None else path.write_bytes(before)
        _plain_record(record, self.session)
        return "read, with " + " | ".join(note["text"] for note in record["notes"])

    def _audio(self, path, content):
        import numpy as np
        from bounceproof import audio
        from bounceproof.broadcast import time_reference
        from bounceproof.session.stems import look_at_stem, stem_not_finite

        path.write_bytes(content)
        try:
            facts = audio.look_at(path)
            got = audio.read_audio(path)
            blocks = audio.AudioBlocks(path)
            middle = blocks.frames(facts.frames // 2, facts.frames // 2 + 10)
            if look_at_stem(path).floating:
                stem_not_finite(path)
        except audio.AudioProblem as problem:
            _one_sentence(str(problem))
            return str(problem)
        time_reference(path)
        if got.samples.dtype != np.float32 or got.samples.ndim != 2 or got.samples.shape[1] != facts.channels:
            raise Found(f"samples of shape {got.samples.shape}, {got.samples.dtype} under a header of {facts}")
        if len(got.samples) > facts.frames or (len(got.samples) < facts.frames and not got.notes):
            raise Found(f"{len(got.samples)} frames read of {facts.frames}, and no note")
        if not 0 < facts.rate_hz < 10_000_000 or middle.shape[1:] != got.samples.shape[1:]:
            raise Found(f"{facts}")
        return f"read, {facts.container} {facts.subtype}, " + " | ".join(got.notes)


def _few_entries(config, folder, kept):
    """A copy of the project's catalogues with a few entries each: checking them all anew is most of what a session costs."""
    folder.mkdir()
    for name, entries in kept.items():
        every = yaml.safe_load((config / f"{name}.yaml").read_text(encoding="utf-8"))
        (folder / f"{name}.yaml").write_text(yaml.safe_dump({entry: every[entry] for entry in entries}), encoding="utf-8")


def _one_sentence(line):
    if "\n" in line or len(line) > LONGEST_SENTENCE or not line.strip():
        raise Found(f"a sentence of {len(line)} characters: {line[:300]!r}")


def _plain_record(record, session):
    """What a workflow needs of a session's record: plain finite values, names that are names, results beside the user's files."""
    from bounceproof.session.naming import folded, name_problem

    json.dumps(record, allow_nan=False)
    for kind, names in (("track", [t["track"] for t in record["tracks"]]), ("pair", [p["pair"] for p in record["pairs"]])):
        bad = [name for name in names if name_problem(name, kind)]
        if bad or len({folded(name) for name in names}) < len(names):
            raise Found(f"{kind} names {names}")
    results = Path(record["results_dir"])
    if any(results == session / kept or session / kept in results.parents for kept in ("stems", "returns")):
        raise Found(f"results in {results}")
    for track in record["tracks"]:
        if not Path(track["stem"]).is_file():
            raise Found(f"a stem that is no file: {track['stem']}")


_TIMERS = ((signal.ITIMER_PROF, HANG_S, signal.SIGPROF), (signal.ITIMER_REAL, 12 * HANG_S, signal.SIGALRM))


def answer_of(reader, kind, name, content):
    """(the reader's answer, None), or (None, what the input did that it must not)."""
    # Of the processor's time, because others may share the machine; and by the clock, for what waits for ever.
    for timer, seconds, alarm in _TIMERS:
        signal.signal(alarm, _too_late)
        signal.setitimer(timer, seconds)
    try:
        return reader.read(kind, name, content), None
    except Found as found:
        return None, str(found)
    except BaseException as problem:
        if isinstance(problem, (KeyboardInterrupt, SystemExit)):
            raise
        return None, "".join(traceback.format_exception(problem)[-4:])
    finally:
        for timer, *_ in _TIMERS:
            signal.setitimer(timer, 0)


def _too_late(*_):
    raise Found(f"no answer within {HANG_S:g} s")


def shape_of(answer):
    """An answer without its numbers and values: two of one shape went the same way."""
    return re.sub(r"'[^']*'|[0-9.]+|/\S+", "_", answer)[:300]


def inputs(kind, count, draw, answers):
    """`count` mutated inputs (name, content); answers(name, content, answer) may hand an input back as a seed of its own."""
    seeds = corpus(kind)
    for _ in range(count):
        name, content = draw.choice(seeds)
        changed = mutated(content, [other for _, other in seeds], draw, text=kind != "audio")
        if answers(name, changed):
            seeds.append((name, changed))


def batch(kind, count, seed, kept, results):
    """Read mutated inputs in this process; what is wrong goes to `kept`, what came of them to `results`."""
    with tempfile.TemporaryDirectory(prefix="mutated-", dir=_in_memory()) as folder:
        _say_nothing()
        reader, draw, shapes, told = Reader(folder), random.Random(seed), set(), Counter()
        for name, content in corpus(kind):
            answer_of(reader, kind, name, content)
        _limit_memory()
        longest_s, at = 0.0, kept / f"at-work-{os.getpid()}"

        def tried(name, content):
            nonlocal longest_s
            at.write_bytes(content)
            began = time.monotonic()
            answer, wrong = answer_of(reader, kind, name, content)
            longest_s = max(longest_s, time.monotonic() - began)
            if wrong:
                told["wrong"] += 1
                keep(kept, kind, name, content, wrong)
                return False
            told["read" if answer.startswith("read") else "refused"] += 1
            fresh = shape_of(answer) not in shapes
            shapes.add(shape_of(answer))
            return fresh

        inputs(kind, count, draw, tried)
        at.unlink(missing_ok=True)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        results.put({"told": dict(told), "shapes": shapes, "longest_s": longest_s, "peak_bytes": peak})


def keep(kept, kind, name, content, wrong):
    digest = f"{hash((kind, wrong[-200:])) & 0xFFFFFFFF:08x}"
    path = kept / f"{kind}-{digest}{Path(name).suffix}"
    if not path.exists():
        path.write_bytes(content)
        path.with_suffix(path.suffix + ".txt").write_text(wrong, encoding="utf-8")


def _say_nothing():
    """Libraries that decode audio complain on the terminal about each broken file."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 2)
    os.close(nothing)


def _in_memory():
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _limit_memory():
    """At most MEMORY_BYTES more than the process holds now: beyond, memory is refused, which is an error that is seen."""
    with contextlib.suppress(OSError, ValueError):
        held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY_BYTES, resource.RLIM_INFINITY))


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--count", type=int, default=100_000)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--keep", type=Path)
    asked.add_argument("--kinds", nargs="+", choices=SHARES, default=list(SHARES))
    asked = asked.parse_args()
    kept = asked.keep or Path(tempfile.mkdtemp(prefix="found-"))
    kept.mkdir(parents=True, exist_ok=True)
    wrong = 0
    print("kind      inputs    read  refused  wrong  ways  longest s  peak MB")
    for kind in asked.kinds:
        wrong += of_kind(kind, math.ceil(SHARES[kind] * asked.count), asked.seed, kept)
    if not wrong:
        shutil.rmtree(kept, ignore_errors=asked.keep is None)
    print(f"wrong: {wrong}" + (f", kept in {kept}" if wrong else ""))
    sys.exit(1 if wrong else 0)


def of_kind(kind, count, seed, kept):
    """Read `count` inputs of a kind, batch by batch in processes of their own, and print a line; how many were wrong."""
    total, ways, longest_s, peak, died = Counter(), set(), 0.0, 0, 0
    for number, first in enumerate(range(0, count, BATCH)):
        results = multiprocessing.Queue()
        work = (kind, min(BATCH, count - first), seed * 1_000_003 + number, kept, results)
        process = multiprocessing.Process(target=batch, args=work)
        process.start()
        got = _result(process, results)
        process.join()
        if got is None:
            died += 1
            print(f"{kind}: a process ended with {process.exitcode}; its input is kept in {kept}")
            continue
        total.update(got["told"])
        ways |= got["shapes"]
        longest_s, peak = max(longest_s, got["longest_s"]), max(peak, got["peak_bytes"])
    counts = f"{sum(total.values()):7} {total['read']:7} {total['refused']:8} {total['wrong'] + died:6}"
    print(f"{kind:8} {counts} {len(ways):5} {longest_s:10.2f} {peak / 1e6:8.0f}", flush=True)
    return total["wrong"] + died


def _result(process, results):
    while True:
        with contextlib.suppress(Exception):
            return results.get(timeout=1)
        if not process.is_alive() and results.empty():
            return None


if __name__ == "__main__":
    main()
