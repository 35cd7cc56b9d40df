"""A small session made of arrays, laid out as the rules' scripts expect it, and those scripts run on it without Snakemake.

Everything is drawn from seeds. A return is its stem through a band-pass, late by a wander in time that is undone in aligned.wav
as far as `left_us` says and stays in aligned-clicks.wav, with hiss added; its capture has a lead-in of 5 s and gaps of 2.5 s.
"""

import importlib
import shutil
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from bounceproof import at_once, reference
from bounceproof.audio import write_float_wav, write_pcm24_wav
from bounceproof.figures import FIGURES
from bounceproof.files import file_sha256, write_json
from bounceproof.quantities import peak_dbfs
from bounceproof.reading import Reader
from bounceproof.sketches import sketch, write_sketch
from bounceproof.timemap import TimeMap, knot_times, write_time_map
from chain import shared_story
from scipy import signal

RATE_HZ = 24000
SONG_S = 10.0
BAND_HZ = (350.0, 4200.0)
LEAD_IN_S, GAP_S, TAIL_S = 5.0, 2.5, 3.0
_BAND = signal.butter(2, BAND_HZ, "band", fs=RATE_HZ, output="sos")


def band_limited(samples):
    return signal.sosfilt(_BAND, samples)


@cache
def make_stem(seed, *, notes_per_s=3.0, noisy=0.3, rest=(4.0, 6.0)):
    """A stem of decaying notes with a rest, peak 0.5."""
    random = np.random.default_rng(seed)
    count = int(SONG_S * RATE_HZ)
    stem, tail = np.zeros(count), np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    for k in range(int(SONG_S * notes_per_s)):
        start_s = k / notes_per_s + 0.01 * random.random()
        if rest[0] <= start_s < rest[1]:
            continue
        pitch_hz = 110.0 * 2.0 ** (random.integers(0, 24) / 12)
        note = sum(np.sin(2 * np.pi * pitch_hz * h * tail) / h for h in range(1, 12)) + noisy * random.normal(size=len(tail))
        start = int(start_s * RATE_HZ)
        piece = (note * np.exp(-tail / 0.08) * np.minimum(1, tail / 0.003))[: count - start]
        stem[start : start + len(piece)] += piece
    return 0.5 * stem / np.abs(stem).max()


def wander_s(seed, size_us):
    """A slow wander in time, one value per sample, rms about size_us."""
    random = np.random.default_rng(seed)
    t = np.arange(int(SONG_S * RATE_HZ)) / RATE_HZ
    return size_us * 1e-6 * sum(np.sin(2 * np.pi * f * t + random.uniform(0, 6.3)) for f in (0.31, 0.7))


def late(samples, by_s):
    """samples read later by by_s (scalar or one value per sample)."""
    return Reader(samples).at(np.arange(len(samples)) - np.asarray(by_s) * RATE_HZ)


def make_return(stem, seed, *, gain=0.4, hiss=0.002, wander_us=600.0, left_us=0.0, hum=0.0):
    """dict of aligned, clicks (arrays) and capture (with lead-in and tail) of one pass."""
    random = np.random.default_rng(seed + 1000)
    played = gain * band_limited(stem)
    wander = wander_s(seed, wander_us)
    before = int((LEAD_IN_S + GAP_S) * RATE_HZ)
    count = before + len(stem) + int((GAP_S + TAIL_S) * RATE_HZ)
    noise = gain * hiss * band_limited(random.normal(size=count)) + hum * np.sin(2 * np.pi * 50.0 * np.arange(count) / RATE_HZ)
    capture = noise.copy()
    clicks = late(played, wander)
    capture[before : before + len(stem)] += clicks
    own = noise[before : before + len(stem)]
    left = late(played, wander_s(seed + 7, left_us)) if left_us else played
    return {"aligned": left + own, "clicks": clicks + own, "capture": capture, "wander_s": wander}


def alignment(returned, *, level_db, method="follow", simulated=True, **more):
    """The values of alignment.json for such a return."""
    return {
        "take": "take1",
        "state": "aligned",
        "reason": None,
        "flags": [],
        "hints": [],
        "remarks": [],
        "next_step": None,
        "method": method,
        "simulated": simulated,
        "speed_percent": 0.0,
        "polarity": 1,
        "level_db": level_db,
        "start_click_return_s": LEAD_IN_S,
        "end_click_return_s": LEAD_IN_S + 2 * GAP_S + SONG_S,
        "clicks_only_rms_us": 1e6 * float(np.std(returned["wander_s"])) if method == "follow" else None,
        "residual_rms_us": 3.1 if method == "follow" else None,
        "offset_sigma_us": 1.2,
        "capture": {"rate_hz": RATE_HZ, "channel": 1, "channels": 1},
        **more,
    }


def rejected(reason="its clicks are there but the music is not", *, simulated=False):
    """The values of alignment.json of a take that could not be placed."""
    numbers = ("speed_percent", "polarity", "level_db", "start_click_return_s", "end_click_return_s", "clicks_only_rms_us")
    empty = dict.fromkeys((*numbers, "residual_rms_us", "offset_sigma_us"))
    step = "Record it again."
    common = {
        "take": "take1",
        "state": "rejected",
        "reason": reason,
        "flags": [],
        "hints": [],
        "remarks": [],
        "next_step": step,
        "method": "clicks",
    }
    return {**common, "simulated": simulated, **empty, "capture": {"rate_hz": RATE_HZ, "channel": 1, "channels": 1}}


def write_take(folder, returned, values):
    """alignment.json, time-map.tsv, aligned.wav, aligned-clicks.wav and capture.wav of one take."""
    write_json(folder / "alignment.json", values)
    knots = knot_times(SONG_S)
    wander = np.interp(knots, np.arange(len(returned["wander_s"])) / RATE_HZ, returned["wander_s"])
    time_map = TimeMap(knots, knots + wander + LEAD_IN_S + GAP_S, 3.0) if values["state"] == "aligned" else None
    write_time_map(folder / "time-map.tsv", time_map)
    silent = values["state"] != "aligned"
    for name in ("aligned", "clicks"):
        samples = np.zeros(int(SONG_S * RATE_HZ)) if silent else returned[name]
        write_float_wav(folder / {"aligned": "aligned.wav", "clicks": "aligned-clicks.wav"}[name], samples, RATE_HZ)
    write_float_wav(folder / "capture.wav", returned["capture"], RATE_HZ)


def run(script, *, inputs, outputs, settings, content="made here", threads=2):
    """Run a rule's script as Snakemake would, its paths as text; content: of what the user handed in, as the run was planned."""
    module = importlib.import_module(script)

    def plain(paths):
        return {key: [str(one) for one in path] if isinstance(path, list) else str(path) for key, path in paths.items()}

    params = SimpleNamespace(settings=settings, content=content, code="as it is")
    files = {"input": SimpleNamespace(**plain(inputs)), "output": SimpleNamespace(**plain(outputs))}
    at_once.use(threads)
    try:
        module.main(SimpleNamespace(**files, params=params))
    finally:
        at_once.use(1)


@cache
def material():
    """(stems, returns) of the session, made once."""
    drum, keys = make_stem(1), make_stem(2, notes_per_s=2.0, noisy=0.05)
    far = 0.8 * late(drum, 0.0012) + 0.002 * np.random.default_rng(9).normal(size=len(drum))
    right = 0.9 * late(keys, 0.0003) + 0.3 * make_stem(5, notes_per_s=2.0)
    stems = {"drum": drum, "drum_far": far, "keys.L": keys, "keys.R": right, "voice": make_stem(3), "horn": make_stem(4)}
    returns = {
        track: make_return(stem, seed, gain=0.3 + 0.05 * seed, hiss=0.001 * (1 + seed))
        for seed, (track, stem) in enumerate(stems.items())
    }
    return stems, returns


class FakeSession:
    """A session of six tracks: a one-source pair, a stereo pair, one rejected, one waiting."""

    def __init__(self, folder, *, simulated=True, method="follow"):
        self.folder, self.results = folder, folder / "results"
        band = {"band_low_hz": BAND_HZ[0], "band_high_hz": BAND_HZ[1]}
        self.band = band
        tracks = [
            ("drum", 0.0, 0.0),
            ("drum_far", -3.0, 0.0),
            ("keys.L", 0.0, -1.0),
            ("keys.R", 0.0, 1.0),
            ("voice", 0.0, 0.2),
            ("horn", 0.0, 0),
        ]
        takes = dict.fromkeys(("drum", "drum_far", "keys.L", "keys.R", "voice"), "take1") | {"horn": None}
        self.tracks = [{"track": t, "mix_db": m, "pan": p, "take": takes[t], "send_speed": 1} for t, m, p in tracks]
        self.chosen = takes
        self.pairs = [
            {"pair": "drum", "first": "drum", "second": "drum_far", "kind": "one-source"},
            {"pair": "keys", "first": "keys.L", "second": "keys.R", "kind": "stereo"},
            {"pair": "voices", "first": "voice", "second": "horn", "kind": "doubled"},
        ]
        self.session = {
            "name": "harbour <test>",
            "folder": str(folder),
            "results_dir": str(self.results),
            "sample_rate_hz": RATE_HZ,
            "song_samples": int(SONG_S * RATE_HZ),
            "chain": {"recorder": "none & all simulated"},
            "seed": 1,
            "fill_missing": "simulate",
            "medium": {"name": "dictation-2.4", "label": "Small dictation tape", **band, "tape_speed_cm_s": 2.4},
            "alignment": {"method": method},
            "transfer": {"lead_in_s": LEAD_IN_S, "gap_s": GAP_S, "tail_s": TAIL_S},
            "thresholds": {},
            "tracks": [{**one, "role": "drum", "stem": str(folder / "stems" / "x.wav")} for one in self.tracks],
            "notes": [{"track": "horn", "text": "padded by 0.2 s to the song's length"}],
        }
        self.stems, returns = material()
        self.returns, self.alignments = {}, {}
        for seed, (track, stem) in enumerate(self.stems.items()):
            write_float_wav(self.results / "stems" / f"{track}.wav", stem, RATE_HZ)
            about = {"time_reference_sample": 1000, "peak_dbfs": peak_dbfs(stem)}
            about["samples_sha256"] = file_sha256(self.results / "stems" / f"{track}.wav")
            write_json(self.results / "stems" / f"{track}.json", about)
            write_sketch(self.results / "stems" / f"{track}.sketch.npy", sketch(stem, RATE_HZ))
            if takes[track]:
                self.returns[track] = {key: value.copy() for key, value in returns[track].items()}
                gain_db = -20 * np.log10(0.3 + 0.05 * seed)
                values = alignment(self.returns[track], level_db=gain_db, simulated=simulated, method=method)
                self.alignments[track] = rejected(simulated=simulated) if track == "voice" else values
                write_take(self.take(track), self.returns[track], self.alignments[track])
                write_json(self.choice(track), {"track": track, "take": takes[track], "why": "the only take"})

    def take(self, track):
        return self.results / "returns" / track / "take1"

    def choice(self, track):
        return self.results / "chosen" / track / "chosen.json"

    def there(self):
        return [one["track"] for one in self.tracks if one["take"]]

    def of(self, name):
        return [self.take(track) / name for track in self.there()]

    def measure(self, *, threads=1):
        for track in self.there():
            self.measure_take(track, self.take(track), threads=threads)

    def measure_take(self, track, folder, *, threads=1):
        roles = [
            {"name": "fundamental", "low_hz": 60, "high_hz": 100, "importance": 3},
            {"name": "attack", "low_hz": 2000, "high_hz": 4000, "importance": 2},
        ]
        others = [one for one in self.there() if one != track]
        run(
            "measure_return",
            inputs={
                "aligned": folder / "aligned.wav",
                "stem": self.results / "stems" / f"{track}.wav",
                "alignment": folder / "alignment.json",
                "capture": folder / "capture.wav",
                "sketches": [self.results / "stems" / f"{one}.sketch.npy" for one in others],
                "others": [self.results / "stems" / f"{one}.wav" for one in others],
            },
            outputs={"condition": folder / "condition.json", "bands": folder / "bands.tsv"},
            settings={
                "track": track,
                "take": folder.name,
                **self.band,
                "gap_s": GAP_S,
                "tail_s": TAIL_S,
                "clipped_run_samples": 3,
                "role_bands": roles,
                "others": others,
                "search": True,
            },
            threads=threads,
        )

    def check_pairs(self):
        for pair in self.pairs:
            inputs = {}
            for place in ("first", "second"):
                track = pair[place]
                inputs[f"{place}_stem"] = self.results / "stems" / f"{track}.wav"
                if self.chosen[track]:
                    names = {
                        "aligned": "aligned.wav",
                        "clicks": "aligned-clicks.wav",
                        "alignment": "alignment.json",
                        "bands": "bands.tsv",
                        "map": "time-map.tsv",
                    }
                    inputs |= {f"{place}_{key}": self.take(track) / name for key, name in names.items()}
            sides = {place: {"track": pair[place], "take": self.chosen[pair[place]]} for place in ("first", "second")}
            run(
                "check_pair",
                inputs=inputs,
                outputs={
                    "summary": self.results / "pairs" / f"{pair['pair']}.json",
                    "bands": self.results / "pairs" / f"{pair['pair']}.tsv",
                },
                settings={
                    "pair": pair["pair"],
                    "kind": pair["kind"],
                    "declared": True,
                    **sides,
                    "first_click_stem_s": [-GAP_S, SONG_S + GAP_S],
                    "second_click_stem_s": [-GAP_S, SONG_S + GAP_S],
                    **self.band,
                    "sum_loss_ok_db": 1.0,
                    "sum_loss_poor_db": 3.0,
                },
            )

    def stack_and_mix(self, *, reference_hiss_below_full_db=None, threads=2):
        lists = {"alignments": self.of("alignment.json"), "conditions": self.of("condition.json"), "bands": self.of("bands.tsv")}
        run(
            "stack_noise",
            inputs={**lists, "ready": []},
            outputs={"summary": self.results / "noise" / "stack.json", "table": self.results / "noise" / "stack.tsv"},
            settings={"song_s": SONG_S, **self.band, "tracks": self.tracks},
        )
        common = {"sample_rate_hz": RATE_HZ, "song_samples": int(SONG_S * RATE_HZ)}
        hiss = {"reference_hiss_below_full_db": reference_hiss_below_full_db}
        mix = self.results / "mix"
        mixes = {name.replace("-", "_"): mix / f"{name}.wav" for name in reference.MIXES}
        for one in self.tracks:
            track = one["track"]
            self.make_ready(track)
        run(
            "build_mix",
            inputs={
                "stems": [self.results / "stems" / f"{one['track']}.wav" for one in self.tracks],
                "stem_abouts": [self.results / "stems" / f"{one['track']}.json" for one in self.tracks],
                "ready": [mix / f"{one['track']}.wav" for one in self.tracks],
                "alignments": self.of("alignment.json"),
                "clicks": self.of("aligned-clicks.wav"),
            },
            outputs={**mixes, "stereo": [mix / "keys.wav"]},
            settings={
                **common,
                **self.band,
                **hiss,
                "session": "harbour",
                "seed": 1,
                "tracks": self.tracks,
                "stereo": [{"track": "keys", "left": "keys.L", "right": "keys.R"}],
            },
            threads=threads,
        )
        run(
            "measure_mixes",
            inputs={
                **mixes,
                "stem_abouts": [self.results / "stems" / f"{one['track']}.json" for one in self.tracks],
                "alignments": self.of("alignment.json"),
                "time_maps": self.of("time-map.tsv"),
                "conditions": self.of("condition.json"),
                "stack": self.results / "noise" / "stack.json",
            },
            outputs={"reference": mix / "reference.json", "timing": mix / "timing.tsv"},
            settings={
                "sample_rate_hz": RATE_HZ,
                "song_s": SONG_S,
                **self.band,
                **hiss,
                "thresholds": {},
                "tracks": [{**one, "click_stem_s": [-GAP_S, SONG_S + GAP_S]} for one in self.tracks],
            },
            threads=threads,
        )

    def make_ready(self, track, **settings):
        """The mix-ready file of a track and its excerpt; settings: what is done to it beyond the defaults."""
        mix, heard, take = self.results / "mix", self.results / "excerpts", self.chosen[track]
        inputs = {"stem": self.results / "stems" / f"{track}.wav", "stem_about": self.results / "stems" / f"{track}.json"}
        if take:
            names = {"aligned": "aligned.wav", "clicks": "aligned-clicks.wav", "alignment": "alignment.json"}
            names |= {"condition": "condition.json", "bands": "bands.tsv"}
            inputs |= {key: self.take(track) / name for key, name in names.items()}
        outputs = {"ready": mix / f"{track}.wav", "about": mix / f"{track}.ready.json"}
        outputs |= {key: heard / f"{track}.{end}" for key, end in {"wav": "wav", "mp3": "mp3", "parts": "json"}.items()}
        defaults = {"session": "harbour", "mute": False, "restore": None, "boost_limit_db": 12.0, "lost_db": 3.0}
        defaults |= {"undo_riding": False, "riding_limit_db": 12.0, "band_high_hz": BAND_HZ[1]}
        common = {"sample_rate_hz": RATE_HZ, "song_samples": int(SONG_S * RATE_HZ), "track": track, "take": take}
        run("ready_track", inputs=inputs, outputs=outputs, settings={**common, **defaults, **settings})

    def pair_files(self):
        names = [pair["pair"] for pair in self.pairs]
        return {
            "pair_summaries": [self.results / "pairs" / f"{name}.json" for name in names],
            "pair_tables": [self.results / "pairs" / f"{name}.tsv" for name in names],
            "stack": self.results / "noise" / "stack.json",
            "stack_table": self.results / "noise" / "stack.tsv",
        }

    def draw(self, figures=None):
        folder = self.results / "figures"
        run(
            "draw_figures",
            inputs=self.drawn_from(),
            outputs={name: [folder / f"{file}.png", folder / f"{file}.svg"] for name, file in FIGURES.items()},
            settings=self.drawing_settings(figures),
        )

    def drawn_from(self):
        names = {
            "alignments": "alignment.json",
            "conditions": "condition.json",
            "bands": "bands.tsv",
            "time_maps": "time-map.tsv",
        }
        files = {key: self.of(name) for key, name in names.items()}
        return {**files, **self.pair_files(), "reference": self.results / "mix" / "reference.json"}

    def drawing_settings(self, figures=None):
        tracks = [{**one, "click_stem_s": [-GAP_S, SONG_S + GAP_S]} for one in self.tracks]
        session = {"name": "harbour", "song_s": SONG_S, "thresholds": {}, "figures": figures or {}}
        return {**session, **self.band, "tracks": tracks}

    def excerpts(self):
        kinds = {"mp3s": "mp3", "abouts": "json"}
        folder = self.results / "excerpts"
        return {kind: [folder / f"{one['track']}.{end}" for one in self.tracks] for kind, end in kinds.items()}

    def report(self, wire=(), forecast=()):
        plain = {"side": "", "counter": "", "battery_v": None, "capture_gain_db": None}
        run(
            "write_report",
            inputs={
                "alignments": self.of("alignment.json"),
                "conditions": self.of("condition.json"),
                "bands": self.of("bands.tsv"),
                "chosen": [self.choice(track) for track in self.there()],
                **{f"averaged_{name}": [] for name in ("alignments", "conditions", "bands")},
                **self.pair_files(),
                "reference": self.results / "mix" / "reference.json",
                "timing_table": self.results / "mix" / "timing.tsv",
                "time_maps": self.of("time-map.tsv"),
                **self.excerpts(),
                "wire": list(wire),
                "forecast": list(forecast),
            },
            outputs={
                "page": self.results / "report.html",
                "tracks": self.results / "tracks.tsv",
                "pairs": self.results / "pairs.tsv",
                "evening": self.results / "evening.tsv",
            },
            settings={
                "session": self.session,
                "takes": [{"track": track, "take": "take1"} for track in self.there()],
                "facts": [{"track": track, "take": "take1", "number": k, **plain} for k, track in enumerate(self.there())],
                "clicks": {one["track"]: [-GAP_S, SONG_S + GAP_S] for one in self.tracks},
            },
        )

    def all(self, *, figures=None):
        self.measure()
        self.check_pairs()
        self.stack_and_mix()
        self.draw(figures)
        self.report()


def whole_session(folder):
    FakeSession(folder).all()
    return {}


def finished_session(tmp_path_factory):
    """The folder of a FakeSession with everything made, once for all that ask: to be read only."""
    return Path(shared_story(tmp_path_factory, whole_session)["folder"])


def copied_session(tmp_path_factory):
    """Such a FakeSession in a folder of its own, to do with what one likes."""
    made = finished_session(tmp_path_factory)
    folder = tmp_path_factory.mktemp("session") / "session"
    shutil.copytree(made, folder)
    return FakeSession(folder)


def write_transfer(folder, track, number, *, seconds=20.0):
    """transfers/TRACK.wav and .json with the fields the run sheet reads."""
    frames = int(seconds * RATE_HZ)
    write_pcm24_wav(folder / f"{track}.wav", 0.5 * np.sin(np.arange(frames) * 0.1), RATE_HZ)
    about = {"sample_rate_hz": RATE_HZ, "gain_db": -3.0, "send_speed": 1, "number": number, "stem_samples": frames}
    write_json(folder / f"{track}.json", about)
