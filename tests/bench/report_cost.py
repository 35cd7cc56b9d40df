"""What report, mix-ready files and excerpts of a long song cost, made up from a finished session's results.

    envs/run snakemake && envs/run python tests/bench/report_cost.py results/demo [TRACKS] [SECONDS]

Tracks are repeated until there are TRACKS (16), songs until they last SECONDS (240). Prints CPU seconds of each step in a process
of its own, and the page's size. Invented as far as it is longer than what it is made from: only its cost means anything.
"""

import itertools
import json
import multiprocessing
import resource
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))

from bounceproof.audio import look_at, read_mono, write_float_wav
from bounceproof.files import read_json, read_table, write_json, write_table
from bounceproof.timemap import TimeMap, read_time_map, write_time_map


def repeated(value, times):
    """Values through time, repeated: of JSON, every list long enough to be one."""
    if isinstance(value, dict):
        return {key: repeated(item, times) for key, item in value.items()}
    return value * times if isinstance(value, list) and len(value) > 30 else value


def lengthened(time_map, times):
    song_s, back_s = (values[-1] - values[0] for values in (time_map.stem_s, time_map.return_s))
    pieces = [
        (time_map.stem_s[:-1] + k * song_s, time_map.return_s[:-1] + k * back_s, time_map.sigma_us[:-1]) for k in range(times)
    ]
    return TimeMap(*(np.concatenate(values) for values in zip(*pieces, strict=True)))


class Song:
    """A made-up song in `folder`."""

    def __init__(self, source, folder, tracks, seconds):
        self.folder, self.session = folder, read_json(source / "record.json")["session"]
        rate_hz = self.session["sample_rate_hz"]
        times = int(np.ceil(seconds * rate_hz / self.session["song_samples"]))
        self.session["song_samples"] *= times
        own = self.session["tracks"]
        self.session["tracks"] = [{**own[k % len(own)], "track": f"track-{k + 1:02d}"} for k in range(tracks)]
        self.tracks = [one["track"] for one in self.session["tracks"]]
        for k, track in enumerate(self.tracks):
            self._take(source, own[k % len(own)]["track"], track, rate_hz, times)
        self._together(source, times)
        facts = read_json(source / "transfers" / f"{own[0]['track']}.json")
        clicks = ((facts[key] - facts["stem_start_sample"]) / rate_hz for key in ("start_click_sample", "end_click_sample"))
        self.clicks = list(clicks)
        self.clicks[1] += (times - 1) * facts["stem_samples"] / rate_hz

    def _take(self, source, old, track, rate_hz, times):
        folder, stems = self.folder / "chosen" / track, self.folder / "stems"
        for name in ("alignment.json", "condition.json", "chosen.json"):
            write_json(folder / name, {**repeated(read_json(source / "chosen" / old / name), times), "track": track})
        rows = read_table(source / "chosen" / old / "bands.tsv")
        write_table(folder / "bands.tsv", rows, list(rows[0]))
        write_time_map(folder / "time-map.tsv", lengthened(read_time_map(source / "chosen" / old / "time-map.tsv"), times))
        sounds = {folder / name: source / "chosen" / old / name for name in ("aligned.wav", "aligned-clicks.wav")}
        for target, sound in {**sounds, stems / f"{track}.wav": source / "stems" / f"{old}.wav"}.items():
            assert look_at(sound).rate_hz == rate_hz
            write_float_wav(target, np.tile(read_mono(sound), times), rate_hz)

    def _together(self, source, times):
        write_json(self.folder / "start.json", {"time_reference_sample": 0})
        stack, rows = read_json(source / "noise" / "stack.json"), read_table(source / "noise" / "stack.tsv")
        write_json(self.folder / "stack.json", {**repeated(stack, times), "bands": stack["bands"], "tracks": len(self.tracks)})
        rows = [{**rows[k % len(rows)], "track": track} for k, track in enumerate(self.tracks)]
        write_table(self.folder / "stack.tsv", rows, list(rows[0]))
        write_json(self.folder / "reference.json", {**read_json(source / "mix" / "reference.json"), "tracks": self.tracks})
        columns = ("first", "second", "together_s", "aligned_rms_us", "clicks_rms_us")
        between = [dict(zip(columns, (*two, 30, 5.5, 1500), strict=True)) for two in itertools.combinations(self.tracks, 2)]
        write_table(self.folder / "timing.tsv", between, columns)
        self.pairs = sorted((source / "pairs").glob("*.json"))

    def of(self, name):
        return [str(self.folder / "chosen" / track / name) for track in self.tracks]

    def files(self, kind):
        return [str(self.folder / "excerpts" / f"{track}.{kind}") for track in self.tracks]

    def ready(self):
        import ready_track

        names = {"aligned": "aligned.wav", "clicks": "aligned-clicks.wav", "alignment": "alignment.json", "bands": "bands.tsv"}
        plain = {"session": "song", "mute": False, "restore": None, "undo_riding": False, "boost_limit_db": 12.0, "lost_db": 3.0}
        plain |= {key: self.session[key] for key in ("sample_rate_hz", "song_samples")}
        for track in self.tracks:
            inputs = {key: str(self.folder / "chosen" / track / name) for key, name in names.items()}
            inputs |= {"stem": str(self.folder / "stems" / f"{track}.wav"), "stem_about": str(self.folder / "start.json")}
            heard, mix = self.folder / "excerpts", self.folder / "mix"
            outputs = {"ready": mix / f"{track}.wav", "about": mix / f"{track}.ready.json", "wav": heard / f"{track}.wav"}
            outputs |= {"mp3": heard / f"{track}.mp3", "parts": heard / f"{track}.json"}
            _run(ready_track, inputs, {key: str(path) for key, path in outputs.items()}, {"track": track, "take": "one", **plain})

    def report(self):
        import write_report

        lists = {"alignments": "alignment.json", "conditions": "condition.json", "bands": "bands.tsv", "chosen": "chosen.json"}
        inputs = {key: self.of(name) for key, name in {**lists, "time_maps": "time-map.tsv"}.items()}
        inputs |= {f"averaged_{key}": [] for key in ("alignments", "conditions", "bands")}
        inputs |= {"pair_summaries": self.pairs, "pair_tables": [path.with_suffix(".tsv") for path in self.pairs]}
        names = {"stack": "stack.json", "stack_table": "stack.tsv", "reference": "reference.json", "timing_table": "timing.tsv"}
        inputs |= {key: str(self.folder / name) for key, name in names.items()}
        inputs |= {"mp3s": self.files("mp3"), "abouts": self.files("json"), "wire": [], "forecast": []}
        ends = {"page": "report.html", "tracks": "tracks.tsv", "pairs": "pairs.tsv", "evening": "evening.tsv"}
        takes = [
            {"track": track, "take": read_json(path)["take"]}
            for track, path in zip(self.tracks, self.of("chosen.json"), strict=True)
        ]
        plain = {"side": "", "counter": "", "battery_v": None, "capture_gain_db": None}
        settings = {
            "session": self.session,
            "takes": takes,
            "facts": [{**take, **plain, "number": number} for number, take in enumerate(takes, 1)],
            "clicks": dict.fromkeys(self.tracks, self.clicks),
        }
        _run(write_report, inputs, {key: str(self.folder / name) for key, name in ends.items()}, settings)


def _run(script, inputs, outputs, settings):
    params = SimpleNamespace(settings=settings)
    script.main(SimpleNamespace(input=SimpleNamespace(**inputs), output=SimpleNamespace(**outputs), params=params))


def _timed(song, step, told):
    getattr(song, step)()
    used = resource.getrusage(resource.RUSAGE_SELF)
    told.put(used.ru_utime + used.ru_stime)


def main(source, tracks=16, seconds=240):
    with tempfile.TemporaryDirectory() as folder:
        song = Song(Path(source), Path(folder), int(tracks), float(seconds))
        apart = multiprocessing.get_context("spawn")
        for step in ("ready", "report"):
            told = apart.Queue()
            process = apart.Process(target=_timed, args=(song, step, told))
            process.start()
            print(f"{step}: {told.get():.1f} CPU s")
            process.join()
        print(json.dumps({"report.html, MB": round((Path(folder) / "report.html").stat().st_size / 1e6, 2)}))


if __name__ == "__main__":
    main(*sys.argv[1:])
