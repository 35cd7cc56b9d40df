"""The table of what following reaches, with its bounds. On request only:

    envs/run python tests/bench/follow_table.py                     every stem at 35, 20 and 10 dB, one seed
    envs/run python tests/bench/follow_table.py --stems kick,bass --levels 35 --seeds 1,2,3
    envs/run python tests/bench/follow_table.py --returns 200       coverage and slips over returns of varied settings
    envs/run python tests/bench/follow_table.py --pocket 100        a machine that wanders .9 %
    envs/run python tests/bench/follow_table.py --pocket-preset 100 the preset pocket-machine, which overloads besides
    envs/run python tests/bench/follow_table.py --wire --slips --flutter --speed --memory 60
    REAL_TAPE=FOLDER envs/run python tests/bench/follow_table.py --tape

Any part named runs alone; with none, the first. Stems: real_stems.py (real recordings and sampled instruments), seeds 1 on.
Recorder: the project's simulated one, preset `prototype`, or as `wandering` and `varied` change it. Figures, weights, hiss and
truth: follow_trial.py; bound: follow_bound.py. What is followed goes through make_transfer and lay_return, as a user's return
does. Exit code 1 where a figure is missed.
"""

import argparse
import itertools
import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bench import real_stems
from bench.follow_trial import RATE_HZ, sent_of, stem_span_s, trial
from bounceproof.recorder import resolve, simulate
from scipy import signal

LEVELS_DB = (35, 20, 10)
NAMES = ("kick", "snare", "bass", "guitar", "electric", "choir", "voice", "overhead", "pad", "piano")
SHARED_LIMITS = {"constant": {35: 3.0, 20: 6.0}, "bass": {35: 10.0, 20: 15.0}}
missed = []


def check(right, what):
    """Note what a figure missed; returns the word for the table."""
    if not right:
        missed.append(what)
    return "ok" if right else "MISSED"


def flags(found):
    return ", ".join(found.laid.alignment["flags"])


def prototype(level_db, **more):
    return {"preset": "prototype", "hiss": {"below_signal_db": float(level_db)}, **more}


# --- the stems ---------------------------------------------------------------------------------------------------------------


def most_us(name, level_db, bound_us):
    return 20.0 if name == "bass" and level_db == 10 else max(0.5, 2 * bound_us)


def table(names, levels_db, seeds, seconds):
    print(f"prototype recorder, {seconds} s, seeds {seeds}; us throughout; cover with the constant, own without it")
    print("stem       dB seed    rms  bound ratio  1/clicks  constant  +-sigma  cover   own slips  CPU s")
    for level_db in levels_db:
        means, covers = {}, {}
        for seed in seeds:
            for name in names:
                found = row(name, level_db, seed, seconds)
                means.setdefault(seed, {})[name] = (found.mean_us, found.offset_sigma_us)
                covers.setdefault((name, level_db), []).append(found.cover)
        constants(means, level_db)
        held(covers)


def row(name, level_db, seed, seconds):
    stem = real_stems.make_stem(name, seconds, seed=seed)
    began = time.process_time()
    found = trial(stem, prototype(level_db), seed, bound=True)
    cpu_s = time.process_time() - began
    share = found.rms_us / found.clicks_only_us
    words = [
        check(
            found.rms_us <= most_us(name, level_db, found.bound_us),
            f"{name} {level_db} dB: {found.rms_us:.2f} us, bound {found.bound_us:.2f}",
        )
    ]
    if level_db == 35:
        words.append(check(share < 1e-3, f"{name}: 1/{1 / share:.0f} of clicks only"))
    words.append(check(found.slips == 0, f"{name} {level_db} dB: slips"))
    print(
        f"{name:9s} {level_db:3d} {seed:4d} {found.rms_us:6.2f} {found.bound_us:6.2f} {found.rms_us / found.bound_us:5.2f}"
        f" {1 / share:9.0f} {found.mean_us:9.2f} {found.offset_sigma_us:8.2f} {found.cover:6.3f} {found.own_cover:5.3f}"
        f" {found.slips:5d} {cpu_s:6.1f}  {' '.join(dict.fromkeys(words))} {flags(found)}",
        flush=True,
    )
    return found


def held(covers):
    """How much of the energy the interval holds for each (stem, hiss level), mean over its returns."""
    words = []
    for (name, level_db), some in sorted(covers.items()):
        percent = 100 * np.mean(some)
        word = check(90 <= percent <= 98, f"{name} {level_db} dB: interval holds {percent:.1f} % in {len(some)} returns")
        words.append(f"{name} {level_db} dB {percent:.1f}{'' if word == 'ok' else ' MISSED'}")
    print(f"  interval holds, %, by stem and hiss level: {', '.join(words)}", flush=True)


def nearest_level(hiss_db):
    return min(LEVELS_DB, key=lambda level_db: abs(level_db - hiss_db))


def constants(means, level_db):
    """The constant between any two tracks of a session (same seed), and whether its own interval holds it."""
    for seed, tracks in means.items():
        if len(tracks) < 2:
            continue
        others = {name: pair for name, pair in tracks.items() if name != "bass"}
        middle = np.median([mean for mean, _ in tracks.values()])
        spread = np.ptp([mean for mean, _ in others.values()])
        inside = [abs(mean - middle) <= 1.96 * sigma for mean, sigma in tracks.values()]
        limit = SHARED_LIMITS["constant"].get(level_db, np.inf)
        word = check(spread <= limit, f"constants at {level_db} dB lie {spread:.1f} us apart")
        line = f"session    {level_db:3d} {seed:4d} constants of all but the bass lie within {spread:.2f} us {word}"
        if "bass" in tracks:
            off = max(abs(tracks["bass"][0] - mean) for mean, _ in others.values())
            word = check(off <= SHARED_LIMITS["bass"].get(level_db, np.inf), f"bass constant at {level_db} dB")
            line += f"; bass {off:.2f} us off {word}"
        print(f"{line}; {sum(inside)} of {len(inside)} inside their own interval", flush=True)


# --- many returns ------------------------------------------------------------------------------------------------------------


def unsteady(scale, speed_percent, turns=(1.0,) * 4):
    """The prototype's motion with all its speed errors times `scale`, each line's rate times its one of `turns`."""
    replay = resolve("prototype")["replay"]
    return {
        "speed_percent": speed_percent,
        "drift_percent": scale * replay["drift_percent"],
        "random_percent": scale * replay["random_percent"],
        "lines": [
            {"rate_hz": line["rate_hz"] * turn, "percent": scale * line["percent"]}
            for line, turn in zip(replay["lines"], turns, strict=True)
        ],
    }


def varied(seed):
    """(stem's name, settings) of one return: speed, motion, band, hiss, hum, dropouts, overload, polarity drawn."""
    random = np.random.default_rng([seed, 77])
    scale = float(np.exp(random.normal(-0.2, 0.5)))
    turns = [float(np.exp(random.normal(0, 0.2))) for _ in range(4)]
    settings = {
        "preset": "prototype",
        "replay": unsteady(scale, float(random.uniform(-3, 3)), turns),
        "replay_band": {"low_hz": float(random.uniform(250, 450)), "high_hz": float(random.uniform(3500, 5000))},
        "hiss": {"below_signal_db": float(random.uniform(12, 38)), "rise_db": float(random.uniform(0, 3))},
        "polarity": int(random.choice([1, -1])),
    }
    if random.random() < 0.3:
        settings["hum"] = {"level_dbfs": -50.0}
    if random.random() < 0.3:
        settings["dropouts"] = {"per_minute": 6.0}
    if random.random() < 0.3:
        settings["saturation"] = {"level_dbfs": -6.0}
    return NAMES[seed % len(NAMES)], settings


def many(count, seconds, *, machine=varied, title="varied settings", first=0):
    print(f"{count} returns of {title}, {seconds} s each, seeds {first} on")
    covers, slips, over = {}, [], []
    for seed in range(first, first + count):
        name, settings = machine(seed)
        found = trial(real_stems.make_stem(name, seconds, seed=seed), settings, seed, bound=True)
        covers.setdefault((name, nearest_level(found.truth.hiss_below_signal_db)), []).append(found.cover)
        slips += [(name, seed)] * bool(found.slips)
        over.append((found.rms_us, found.rms_us / max(found.bound_us, 1e-9), name, seed))
        print(
            f"  {seed:4d} {name:9s} hiss {found.truth.hiss_below_signal_db:4.1f} rms {found.rms_us:6.2f} bound"
            f" {found.bound_us:5.2f} constant {found.mean_us:6.2f} +-{found.offset_sigma_us:5.2f} cover {found.cover:.3f}"
            f" slips {found.slips} {flags(found)}",
            flush=True,
        )
    every = np.concatenate(list(covers.values()))
    error = every.std(ddof=1) / np.sqrt(every.size) if every.size > 1 else np.nan
    word = check(0.93 <= every.mean() <= 0.97, f"{title}: interval holds {100 * every.mean():.1f} %")
    print(f"  95 % interval holds {100 * every.mean():.2f} +- {100 * error:.2f} % of the energy {word}")
    held(covers)
    print(f"  returns with slips: {len(slips)} {check(not slips, f'{title}: slips in {slips}')} {slips}")
    return over


def wandering():
    """A pocket machine: the prototype's speed errors two and a half times, 4 % slow, a level control, hiss 25 dB down.
    Captured so low that the level control's overshoot does not clip."""
    return prototype(25, replay=unsteady(2.5, -4.0), automatic_level={}, capture_gain_db=-30.0)


def pocket(count, seconds, *, preset=False):
    def machine(seed):
        return NAMES[seed % len(NAMES)], {"preset": "pocket-machine"} if preset else wandering()

    over = many(count, seconds, machine=machine, title="a pocket machine")
    bad = [f"{name} seed {seed}: {rms:.1f} us, {ratio:.1f} bounds" for rms, ratio, name, seed in over if ratio > 4 or rms > 14]
    print(f"  above 4 bounds or 14 us: {len(bad)} of {count} {check(not bad, 'pocket machine: ' + '; '.join(bad))}")


# --- wire, slips, flutter ----------------------------------------------------------------------------------------------------


def wire(names, seconds):
    print("wire: rms, us (constant included)")
    for name in names:
        for hiss_db, limit in ((None, 0.010), (60.0, 0.1)):
            settings = {"preset": "wire", "hiss": {"below_signal_db": hiss_db, "wide": True} if hiss_db else None}
            found = trial(real_stems.make_stem(name, seconds), settings, 1)
            total = float(np.hypot(found.rms_us, found.mean_us))
            word = check(total <= limit, f"wire {name}, hiss {hiss_db}: {total:.3f} us")
            print(
                f"  {name:9s} hiss {hiss_db}: {total:.4f} (rms {found.rms_us:.4f}) cover {found.cover:.3f} {word} {flags(found)}",
                flush=True,
            )


def slips(names, seconds):
    print("capstan slips within 50 ms, and a tape stopped and pressed to play again, running up within 1 s, inside the music")
    for k, name in enumerate(names):
        stem = real_stems.make_stem(name, seconds)
        for slip_ms in (-10.0, -2.0, 5.0, 10.0):
            at_s = 0.5 * seconds + 1.37 * (k + 1) % 7
            settings = prototype(30, replay={"slips": [{"time_s": at_s, "slip_ms": slip_ms, "within_ms": 50.0}]})
            show_event(name, f"slip {slip_ms:+.0f} ms", trial(stem, settings, 11 + k), ("slip", "jump", "capture gap"), 0.05)
        at_s = 0.4 * seconds
        settings = prototype(30, replay={"stops": [{"time_s": at_s, "restart_s": at_s + 1.2, "within_ms": 1000.0}]})
        show_event(name, "stop and run-up", trial(stem, settings, 11 + k), None, 2.2)


def show_event(name, what, found, kinds, lasts_s):
    start_s = stem_span_s(sent_of(np.ones(RATE_HZ)).facts)[0]
    event = next(one for one in found.truth.events if one["kind"] in ("slip", "stop"))
    true_s = event["sent_s"] - start_s
    told = [jump for jump in found.laid.alignment.get("jumps") or [] if kinds is None or jump["kind"] in kinds]
    loud = _loud(found)
    music_s = np.cumsum(loud) * 0.0005
    # Where a jump lies within a rest nobody can tell: only the music between counts.
    off_s = min(
        (float(np.abs(np.diff(np.interp([jump["at_s"], true_s], found.times_s, music_s))[0])) for jump in told), default=np.inf
    )
    away = np.abs(found.error_us - np.median(found.error_us)) > 120.0
    after = loud & (found.times_s > true_s) & away
    lasting = (
        float(np.sum(loud & (found.times_s > true_s) & (found.times_s <= found.times_s[after].max()))) * 0.0005
        if after.any()
        else 0.0
    )
    right = off_s <= 0.5 + lasts_s and lasting <= 0.5 + lasts_s
    kinds = ", ".join(jump["kind"] for jump in told)
    print(
        f"  {name:9s} {what:16s} dated {off_s:6.3f} s of music off, caught after {lasting:6.3f} s of music"
        f" {check(right, f'{name} {what}')} {kinds}",
        flush=True,
    )


def _loud(found):
    from bench.follow_trial import weights

    w = np.convolve(weights(found.laid.aligned)[1], np.ones(40), mode="same")[: found.times_s.size]
    return w > 1e-3 * w.max()


def flutter(names, seconds, levels_db=(35, 20)):
    from bounceproof.follow.flutter import of_tone

    print("weighted two-sigma flutter, %: 3150 Hz tone demodulated, and from music, through the same recorder and seed")
    tone = 0.3 * np.sin(2 * np.pi * 3150 * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)
    for preset in ("prototype", "pocket-machine", "pocket-machine-good", "good-machine"):
        for name in names:
            for level_db in levels_db:
                hiss = {"hiss": {"below_signal_db": float(level_db)}}
                stem = real_stems.make_stem(name, seconds)
                sent = sent_of(stem)
                padded = np.zeros(sent.samples.size)
                first = sent.facts["stem_start_sample"]
                padded[first : first + tone.size] = tone
                done = simulate(padded, RATE_HZ, {"preset": preset, **hiss, "hum": None}, seed=5)
                first_s, last_s = done.truth.capture_at(np.array([0.3, seconds - 0.3]) + first / RATE_HZ)
                by_tone = of_tone(done.capture[int(first_s * RATE_HZ) : int(last_s * RATE_HZ)], RATE_HZ)
                values = trial(stem, {"preset": preset, **hiss}, 5, sent=sent).laid.alignment
                sigma, share = (values.get(key) or np.nan for key in ("weighted_flutter_sigma_percent", "flutter_resolved_share"))
                told, music = by_tone.figures["weighted_flutter_percent"], values.get("weighted_flutter_percent") or np.nan
                off = 100 * (music / told - 1)
                word = check(told <= 0.1 or abs(off) <= 10, f"flutter {preset} {name} {level_db} dB: {off:+.1f} %")
                print(
                    f"  {preset:20s} {name:9s} {level_db:3d} dB tone {told:.4f}, music {music:.4f} +- {sigma:.4f} ({off:+.1f} %),"
                    f" resolved {share:.2f} {word if told > 0.1 else '(below 0.1 %)'}",
                    flush=True,
                )


# --- real tape ---------------------------------------------------------------------------------------------------------------


def tape(folder):
    from test_real_tape import passages, read_passage

    for name in passages(Path(folder)):
        tape_passage(name, read_passage(Path(folder), name))


def tape_passage(name, passage):
    import test_real_tape
    from bounceproof.follow import follow

    began = time.process_time()
    found = follow(passage.stem, passage.returned, passage.rate_hz)
    cpu_s = time.process_time() - began
    if found.time_map is None:
        print(f"  real tape {name}: {found.reason} {check(False, f'real tape {name}')}")
        return
    total_us = 1e6 * (found.time_map.at(passage.sent_s) - passage.landed_s)
    loud = test_real_tape.levels_db(passage) > -40
    error_us = total_us - np.mean(total_us)
    rms_us = np.sqrt(np.mean(error_us**2))
    median_us, ninety_us = np.quantile(np.abs(total_us - np.median(total_us[loud]))[loud], (0.5, 0.9))
    sigma_us = found.time_map.sigma_at(passage.sent_s)
    own_us = np.sqrt(np.maximum(sigma_us**2 - found.offset_sigma_us**2, 0))
    cover, own = (np.mean(np.abs(one) <= 1.96 * sd) for one, sd in ((total_us, sigma_us), (error_us, own_us)))
    right = rms_us <= 3 if name == "a" else median_us <= 4 and ninety_us <= 12
    print(
        f"  real tape {name}: rms {rms_us:.2f} us, within 40 dB of the loudest median {median_us:.2f}, 90 % {ninety_us:.2f}"
        f" {check(right, f'real tape {name}')}; constant {np.mean(total_us):.1f} +- {found.offset_sigma_us:.1f}, interval with it"
        f" holds {100 * cover:.1f} % {check(cover >= 0.85, f'real tape {name}: interval {100 * cover:.0f} %')};"
        f" about the mean, without it {100 * own:.1f} %; CPU {cpu_s:.1f} s"
    )
    print(f"    {_between_tracks(passage, found.time_map)}", flush=True)


def _between_tracks(passage, guess, edges_hz=(150, 1200, 6500)):
    """How far the pulses' track itself lies from the music's: what the halves of the band, followed apart, agree on."""
    from bounceproof.follow import follow

    errors_us, sigmas_us = [], []
    for low_hz, high_hz in itertools.pairwise(edges_hz):
        band = signal.butter(6, (low_hz, high_hz), "bandpass", fs=passage.rate_hz, output="sos")
        one = follow(*(signal.sosfiltfilt(band, part) for part in (passage.stem, passage.returned)), passage.rate_hz, guess)
        if one.time_map is None:
            return "one half of the band alone cannot be followed"
        errors_us.append(1e6 * (one.time_map.at(passage.sent_s) - passage.landed_s))
        sigmas_us.append(np.sqrt(np.maximum(one.time_map.sigma_at(passage.sent_s) ** 2 - one.offset_sigma_us**2, 0)))
    # Where both know the map well, each about its own mean.
    good = np.max(sigmas_us, axis=0) < 8.0
    if np.count_nonzero(good) < 50:
        return "one half of the band alone is not enough to follow"
    low, high = (one[good] - one[good].mean() for one in errors_us)
    common_us = np.sqrt(max(np.mean(low * high), 0.0))
    return (
        f"below and above {edges_hz[1]} Hz alone rms {low.std():.2f} and {high.std():.2f} us, {np.std(low - high):.2f} from each"
        f" other; common to both, so between the two tracks or the pulses' own: {common_us:.2f} us"
    )


# --- speed and memory --------------------------------------------------------------------------------------------------------


def _long_return(minutes, folder, name="guitar"):
    """What the rules before leave of a stem of so many minutes and its return, in `folder`."""
    import json

    import soundfile

    piece = real_stems.make_stem(name, 60)
    stem = np.tile(piece, int(np.ceil(minutes)))[: int(minutes * 60 * RATE_HZ)].astype(np.float32)
    sent = sent_of(stem)
    done = simulate(sent.samples, RATE_HZ, prototype(35), seed=3, stem_span_s=stem_span_s(sent.facts))
    for key, samples in (("stem", stem), ("transfer", sent.samples), ("capture", done.capture)):
        soundfile.write(str(Path(folder) / f"{key}.wav"), samples.astype(np.float32), RATE_HZ, subtype="FLOAT")
    (Path(folder) / "facts.json").write_text(json.dumps(sent.facts), encoding="ascii")
    return sent.facts


def _floor_s(folder):
    """CPU seconds of reading, quintic spline, evaluation and writing of that return."""
    import soundfile
    from scipy import ndimage

    began = time.process_time()
    samples, _ = soundfile.read(str(Path(folder) / "capture.wav"))
    spline = ndimage.spline_filter1d(samples, order=5)
    read = ndimage.map_coordinates(spline, [np.arange(samples.size) * 1.0001 + 0.3], order=5, prefilter=False)
    soundfile.write(str(Path(folder) / "floor.wav"), read.astype(np.float32), RATE_HZ, subtype="FLOAT")
    return time.process_time() - began


def _align_s(folder):
    """CPU seconds of the whole rule: files read, clicks found, stem followed, return laid, everything written."""
    from bench.follow_trial import BAND_HZ, SETTINGS
    from bench.one_align import align

    began = time.process_time()
    align(folder, band_hz=BAND_HZ, alignment=SETTINGS)
    return time.process_time() - began


def _only_follow_s(folder, facts):
    """CPU seconds of following alone: stem and return in memory, map out."""
    from bounceproof.aligning.following import click_spans
    from bounceproof.aligning.maps import straight_through_clicks
    from bounceproof.aligning.placing import place_clicks
    from bounceproof.audio import read_audio
    from bounceproof.follow import follow

    sent, capture = (read_audio(Path(folder) / f"{key}.wav").samples[:, 0] for key in ("transfer", "capture"))
    guess = straight_through_clicks(place_clicks(capture, RATE_HZ, facts, speed_search_percent=12.0), facts)
    began = time.process_time()
    follow(sent, capture, RATE_HZ, guess, click_spans=click_spans(facts))
    return time.process_time() - began


def speed(minutes=4):
    with tempfile.TemporaryDirectory() as folder:
        facts = _long_return(minutes, folder)
        _floor_s(folder), _align_s(folder)
        # Turn and turn about, because a machine that others share does not run evenly.
        turns = [(_floor_s(folder), _align_s(folder), _only_follow_s(folder, facts)) for _ in range(3)]
        floor, whole, alone = np.median(turns, axis=0)
        floors, following = whole / floor, alone / floor
        print(
            f"speed, {minutes} minutes at 48 kHz: floor {floor:.2f} CPU s; following alone {alone:.2f} s = {following:.1f} floors"
        )
        print(f"  the whole rule {whole:.2f} s = {floors:.1f} floors {check(floors <= 12, f'{floors:.1f} floors')}", flush=True)


def memory(minutes):
    """Peak memory of the rule align_return, in a process of its own that does nothing else."""
    import subprocess

    limit_gb = 0.6 if minutes <= 4 else 2.5
    with tempfile.TemporaryDirectory() as folder:
        _long_return(minutes, folder)
        one_align = str(Path(__file__).with_name("one_align.py"))
        done = subprocess.run([sys.executable, one_align, folder], capture_output=True, text=True, check=True)
        peak_gb = float(done.stdout) / 1e9
    print(
        f"memory, {minutes} minutes: {peak_gb:.2f} GB {check(peak_gb <= limit_gb, f'{minutes} minutes: {peak_gb:.2f} GB')}",
        flush=True,
    )


# --- the whole ---------------------------------------------------------------------------------------------------------------


def parsed():
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("--stems", default=",".join(NAMES))
    options.add_argument("--levels", default=",".join(map(str, LEVELS_DB)))
    options.add_argument("--seeds", default="1")
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--returns", type=int, default=0)
    options.add_argument("--pocket", type=int, default=0)
    options.add_argument("--pocket-preset", type=int, default=0)
    options.add_argument("--memory", type=float, default=0, metavar="MINUTES")
    for part in ("table", "wire", "slips", "flutter", "tape", "speed"):
        options.add_argument(f"--{part}", action="store_true")
    return options.parse_args()


def main():
    wanted = parsed()
    names = wanted.stems.split(",")
    some = (
        wanted.returns
        or wanted.pocket
        or wanted.pocket_preset
        or wanted.memory
        or wanted.wire
        or wanted.slips
        or wanted.flutter
        or wanted.tape
        or wanted.speed
    )
    if real_stems.missing() and not (wanted.tape and not wanted.table):
        sys.exit(real_stems.missing())
    if wanted.table or not some:
        table(
            names, [int(one) for one in wanted.levels.split(",")], [int(one) for one in wanted.seeds.split(",")], wanted.seconds
        )
    if wanted.returns:
        many(wanted.returns, wanted.seconds)
    if wanted.pocket:
        pocket(wanted.pocket, wanted.seconds)
    if wanted.pocket_preset:
        pocket(wanted.pocket_preset, wanted.seconds, preset=True)
    if wanted.wire:
        wire(names, wanted.seconds)
    if wanted.slips:
        slips(names, wanted.seconds)
    if wanted.flutter:
        flutter(names, wanted.seconds)
    if wanted.tape:
        folder = os.environ.get("REAL_TAPE")
        print("REAL_TAPE is not set: no real tape looked at.") if not folder else tape(folder)
    if wanted.speed:
        speed()
    if wanted.memory:
        memory(wanted.memory)
    if missed:
        print("missed:\n  " + "\n  ".join(missed))
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
