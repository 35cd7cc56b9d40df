"""The full table of what the measures of a return reach against the simulated recorder's truth; a few minutes on one core.

Run: envs/run python tests/bench/measures_table.py [TRIALS, by default 60] [ROWS, by default all: see ROWS below]
"""

import json
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "workflow" / "scripts")]

import numpy as np  # noqa: E402
import soundfile  # noqa: E402
from bench.follow_trial import SETTINGS, TRANSFER, sent_of, stem_span_s  # noqa: E402
from bench.one_align import align  # noqa: E402
from bench.real_stems import STEMS, make_stem, missing  # noqa: E402
from bounceproof import spectra, stack  # noqa: E402
from bounceproof.aligning.lay import lay_return  # noqa: E402
from bounceproof.condition.hiss import measure_hiss  # noqa: E402
from bounceproof.condition.level import analysis_bands  # noqa: E402
from bounceproof.condition.lines import find_lines  # noqa: E402
from bounceproof.condition.measure import measure_condition  # noqa: E402
from bounceproof.muting import gate  # noqa: E402
from bounceproof.reading import read_through  # noqa: E402
from bounceproof.recorder import simulate  # noqa: E402
from bounceproof.sketches import sketch  # noqa: E402
from measuring import (  # noqa: E402
    FOREIGN_KINDS,
    dropout_trial,
    foreign_trial,
    hiss_truth_dbfs,
    other_law_trial,
    overload_trial,
    ride_trial,
    true_edges,
    true_range_db,
    true_responses,
)
from simulated import BAND_HZ, MOTION, RATE_HZ, lay, music  # noqa: E402


def row(what, figure):
    print(f"{what:<58} {figure}", flush=True)


PLAIN = {
    "record_band": {"low_hz": 250.0, "high_hz": 4600.0},
    "replay_band": {"low_hz": 330.0, "high_hz": 4400.0},
    "hiss": {"below_signal_db": 25},
    "capture_gain_db": -3.0,
}


def laid_down():
    """{track: its Laid} of 12 tracks of real recordings of 40 s, hiss 25 dB down; the last two are other cuts of the first."""
    cuts = [(name, 0) for name in STEMS] + [(name, 1) for name in list(STEMS)[:2]]
    stems = {f"{name} {cut}": make_stem(name, 40.0, rate_hz=RATE_HZ, seed=cut) for name, cut in cuts}
    return {track: lay(stem, PLAIN, seed) for seed, (track, stem) in enumerate(stems.items())}


def what_survived(laid):
    """Response, edges, hiss of the silences and signal over hiss of real recordings, and the stack of them all."""
    bands, errors, edges, over, hisses = analysis_bands(RATE_HZ), [], [], [], []
    layers, mixed = [], {}
    for name, one in laid.items():
        condition, rows = one.measured()
        truth_db = true_responses(one.stem, one.done.truth, RATE_HZ, bands)
        errors += [row["response_db"] - true for row, true in zip(rows, truth_db, strict=True) if row["known"]]
        for down_db, key in ((10.0, "band"), (3.0, "band_3_db")):
            for side, true_hz in zip(("low", "high"), true_edges(one.done.truth, RATE_HZ, BAND_HZ, down_db=down_db), strict=True):
                found = (condition[key] or {}).get(f"{side}_hz")
                if found:
                    edges.append(12 * np.log2(found / true_hz))
        whole = measure_hiss(one.done.truth.hiss, RATE_HZ, 1.0 + one.values["speed_percent"] / 100, bands, BAND_HZ, lines=[])
        keys = ("flat_dbfs", "a_weighted_dbfs", "bs468_rms_dbfs")
        hisses.append([condition["hiss"][key] - getattr(whole, key) for key in keys])
        over += over_hiss_errors(one, rows, whole.band_powers, bands)
        level_db = condition["level"]["measured_db"]
        track = {"track": name, "take": "take1", "mix_db": 0.0, "pan": 0.0}
        table = [{key: "" if value is None else value for key, value in row.items()} for row in rows]
        layers.append(stack.layer(track, {**one.values, "level_db": level_db}, condition, table)[0])
        mixed[name] = one.hiss * 10 ** (level_db / 20), condition["playing_s"]
    row("response known: largest error, dB, of so many bands", f"{np.abs(errors).max():.2f} of {len(errors)}")
    row("  share within 0.5 dB", f"{np.mean(np.abs(errors) <= 0.5):.3f}")
    row("band edges (-10 and -3 dB): largest error, twelfths of an octave", f"{np.abs(edges).max():.2f} of {len(edges)}")
    row("hiss of the silences, flat, A, 468: largest error, dB", np.round(np.abs(hisses).max(axis=0), 2))
    row("signal over hiss per band: within its allowed error", f"{np.mean(over):.3f} of {len(over)}")
    stacked_hiss(layers, mixed, bands)


def over_hiss_errors(laid, rows, hiss_powers, bands):
    """Whether each band's signal over hiss is within the larger of 1 dB and 2 x 4.34 / sqrt(B T) dB."""
    powers = spectra.band_powers([laid.stem, laid.aligned - laid.hiss], RATE_HZ, bands)
    plays = spectra.playing(powers[:, 0])
    hop_s = spectra.segment_samples(RATE_HZ) / 2 / RATE_HZ
    inside = []
    for k, (band, row_of) in enumerate(zip(bands, rows, strict=True)):
        if row_of["signal_over_hiss_db"] is not None:
            true_db = 10 * np.log10(powers[plays[:, k], 1, k].mean() / hiss_powers[k])
            scatter_db = 4.34 / np.sqrt((band.high_hz - band.low_hz) * plays[:, k].sum() * hop_s)
            inside.append(abs(row_of["signal_over_hiss_db"] - true_db) <= max(1.0, 2 * scatter_db))
    return inside


def stacked_hiss(layers, mixed, bands):
    song_s = len(next(iter(mixed.values()))[0]) / RATE_HZ
    found = stack.stacked(layers, song_s=song_s)
    times_s = np.arange(round(song_s * RATE_HZ)) / RATE_HZ
    total = sum(hiss for hiss, _ in mixed.values())
    muted = sum(hiss * gate(times_s, spans) for hiss, spans in mixed.values())
    truth, quiet = (measure_hiss(part, RATE_HZ, 1.0, bands, BAND_HZ, lines=[]) for part in (total, muted))
    errors = [found["total"][f"{name}_dbfs"] - getattr(truth, f"{name}_dbfs") for name in ("flat", "a_weighted", "bs468_rms")]
    row(f"stack of {len(layers)} tracks, flat, A, 468: error, dB", np.round(errors, 2))
    keys = ("mean", "a_weighted_mean", "bs468_rms_mean")
    errors = [
        found["with_muting"][f"{key}_dbfs"] - getattr(quiet, f"{name}_dbfs")
        for key, name in zip(keys, stack.MEASURES, strict=True)
    ]
    row("  muted, flat, A, 468", np.round(errors, 2))


def followed():
    """The same measures on a return that was really followed, at 48 kHz, not laid by the truth."""
    for seed, name in enumerate(("guitar", "voice")):
        stem = make_stem(name, 30.0).astype(np.float32)
        sent = sent_of(stem)
        recorder = {"preset": "pocket-machine-good", "hiss": {"below_signal_db": 25, "rise_db": 0}, "whine": False}
        done = simulate(sent.samples, 48000, recorder, seed=seed, stem_span_s=stem_span_s(sent.facts))
        facts = {"settings": SETTINGS, "band_hz": BAND_HZ}
        laid = lay_return(
            done.capture.astype(np.float32)[:, None], 48000, stem, sent.samples.astype(np.float32), sent.facts, **facts
        )
        gaps = {key: TRANSFER[key] for key in ("gap_s", "tail_s")}
        condition, rows = measure_condition(
            stem, laid.aligned, done.capture, 48000, laid.alignment, rate_hz=48000, band_hz=BAND_HZ, transfer=gaps
        )
        bands = analysis_bands(48000)
        gain_db = sent.facts["gain_db"]
        true_db = true_responses(stem, done.truth, 48000, bands) + gain_db
        errors = [one["response_db"] - true for one, true in zip(rows, true_db, strict=True) if one["known"]]
        hiss = read_through(done.truth.hiss, 48000, laid.time_map, start_s=0.0, count=len(stem), rate_hz=48000)
        whole = measure_hiss(hiss, 48000, 1.0, bands, BAND_HZ, lines=[])
        under = condition["hiss_under_music"]["flat_dbfs"] - whole.flat_dbfs
        row(f"followed, {name}: response, largest error, dB", f"{np.abs(errors).max():.2f} of {len(errors)}")
        row("  level to add, less that of a flat machine, dB", f"{laid.alignment['level_db'] + gain_db - 3.0:.2f}")
        row(
            "  hiss of the silences and under music: error, dB",
            f"{condition['hiss']['flat_dbfs'] - whole.flat_dbfs:.2f} {under:.2f}",
        )


def dropouts(count):
    for hiss_db in (35.0, 25.0, 15.0):
        trials = [dropout_trial(seed, hiss_db=hiss_db) for seed in range(count)]
        under, found, false = (sum(getattr(one, name) for one in trials) for name in ("under_music", "found", "false"))
        minutes = sum(one.seconds for one in trials) / 60
        errors = np.concatenate([one.depth_errors_db for one in trials])
        row(f"dropouts >= 10 dB, 20 ms; hiss {hiss_db:g} dB down", f"{found} of {under}; {false} false in {minutes:g} min")
        row("  error of depth, dB (5, 50, 95 %)", np.round(np.percentile(errors, (5, 50, 95)), 1))


def level_control(count):
    rides = [ride_trial(seed, on=True) for seed in range(count)]
    errors = np.array([ride["range_db"] - true_db for ride, true_db in rides if ride["found"]])
    row("level control of 10 dB or more found", f"{sum(ride['found'] for ride, _ in rides)} of {count}")
    row(
        "  range within 2 dB; error (5, 50, 95 %)",
        f"{np.mean(np.abs(errors) <= 2):.2f} {np.round(np.percentile(errors, (5, 50, 95)), 1)}",
    )
    row("level control claimed without one", f"{sum(ride_trial(seed, on=False)[0]['found'] for seed in range(count))} of {count}")


def other_law(count):
    ranges, under = [], []
    for seed in range(count):
        condition, laid = other_law_trial(seed)
        if condition["level_ride"]["found"]:
            ranges.append(condition["level_ride"]["range_db"] - true_range_db(laid))
            under.append(condition["hiss_under_music"]["flat_dbfs"] - hiss_truth_dbfs(laid)[0])
    row("level control of another law (mean squares, 0.7:1) found", f"{len(ranges)} of {count}")
    row("  range, hiss under music: largest error, dB", np.round([np.abs(ranges).max(), np.abs(under).max()], 2))


def under_music(count):
    for name, control_db in (("modulation noise 6 dB", None), ("control opens by 10 dB in silence", 10.0)):
        errors, silences = [], []
        for seed in range(count):
            recorder = {"replay_band": {}, "hiss": {"below_signal_db": 25, "rise_db": 6}}
            if control_db:
                control = {"target_dbfs": -36.0, "max_gain_db": 0.0, "range_db": control_db, "release_ms": 2000.0}
                noises = {"hiss": {"below_signal_db": 45}, "input_noise": {"level_dbfs": -50}}
                recorder = {"replay_band": {}, **noises, "automatic_level": control}
            laid = lay(music(16.0, seed, spread_db=3.0 if control_db else 12.0), recorder, seed)
            condition, _ = laid.measured()
            truth_db, _ = hiss_truth_dbfs(laid)
            errors.append(condition["hiss_under_music"]["flat_dbfs"] - truth_db)
            silences.append(condition["hiss"]["flat_dbfs"] - truth_db)
        row(f"hiss under music, {name}: largest error, dB", f"{np.abs(errors).max():.2f} (by silence {np.mean(silences):+.1f})")


def overload(count):
    for banded in (False, True):
        for over_db in (6.0, 1.0, -4.0):
            errors = [overload_trial(seed, over_db=over_db, banded=banded)[0]["over_db"] for seed in range(count)]
            seen = np.array([one - over_db for one in errors if one is not None])
            name = f"overload {over_db:+g} dB{', band before the tape' if banded else ''}: seen, error (5, 50, 95 %)"
            row(name, f"{len(seen)} of {count} {np.round(np.percentile(seen, (5, 50, 95)), 1)}")
    claimed = [overload_trial(seed, over_db=None, banded=False)[0]["over_db"] for seed in range(count)]
    row("overload claimed on a tape without limit", f"{sum(one is not None and one > -6 for one in claimed)} of {count}")


def lines(count):
    rate_hz, seconds, found, errors, false = 48000, 4.5, 0, [], 0
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    amplitude = np.sqrt(2 * 10**0.6 * 3.0 * 2 / rate_hz)
    for seed in range(count):
        random = np.random.default_rng(seed)
        noise, mains_hz, speed = random.normal(size=t.size), random.choice([50.0, 60.0]), random.choice([1.0, 0.96])
        wanted = [*(mains_hz * speed * order for order in (1, 2, 3, 5)), random.uniform(700, 3000)]
        false += len(find_lines([random.normal(size=t.size)], rate_hz, 0.96))
        tones = sum(amplitude * np.sin(2 * np.pi * f * t + random.uniform(0, 6.3)) for f in wanted)
        got = np.array([line["frequency_hz"] for line in find_lines([noise + tones], rate_hz, 0.96)])
        near = [np.abs(got - f).min() / f if len(got) else 1.0 for f in wanted]
        found += sum(one < 2e-3 for one in near)
        errors += [100 * one for one in near if one < 0.01]
    row("lines 6 dB over the hiss in a half-second bin, within 0.2 %", f"{found} of {5 * count}; false in noise {false}")
    row("  error of frequency, % (50, 95 %)", np.round(np.percentile(errors, (50, 95)), 3))


def foreign(count):
    songs = [{name: make_stem(name, 30.0, rate_hz=RATE_HZ, seed=song) for name in STEMS} for song in range(3)]
    for kind in FOREIGN_KINDS:
        named, wrong, levels_db, late_ms = 0, 0, [], []
        for seed in range(count):
            heard, track, delay_s = foreign_trial(seed, songs[seed % len(songs)], kind)
            right = [one for one in heard if one["kind"] == kind and one["track"] == track]
            named, wrong = named + bool(right), wrong + len(heard) - len(right)
            levels_db += [one["level_db"] + 30.0 for one in right[:1]]
            if right and kind != "other side":
                late_ms.append(1e3 * min(abs(abs(one["delay_s"]) - abs(delay_s)) for one in right))
        row(f"foreign sound at -30 dB, {kind or 'none there'}: named", f"{named} of {count}; wrongly {wrong}")
        if levels_db:
            row("  error of level, dB (5, 50, 95 %)", np.round(np.percentile(levels_db, (5, 50, 95)), 1))
        if late_ms:
            row("  error of delay, ms (50, 95 %)", np.round(np.percentile(late_ms, (50, 95)), 1))


def cost(minutes=4):
    """CPU seconds of the measures, files read and nine other stems looked for, beside those of the rule that aligns."""
    stems = {name: np.tile(make_stem(name, 60.0), minutes).astype(np.float32) for name in STEMS}
    own, stem = "guitar", stems.pop("guitar")
    sent = sent_of(stem)
    others = {name: (sketch(samples, 48000), lambda samples=samples: samples) for name, samples in stems.items()}
    control = {"target_dbfs": -30.0, "max_gain_db": 0.0, "range_db": 18.0, "attack_ms": 5.0, "release_ms": 300.0}
    for what, more in (("", {}), (", level control", {"automatic_level": control})):
        recorder = {**MOTION, "replay_band": {}, "hiss": {"below_signal_db": 25}, **more}
        done = simulate(sent.samples, 48000, recorder, seed=3, stem_span_s=stem_span_s(sent.facts))
        with tempfile.TemporaryDirectory() as folder:
            files = {"stem": stem, "transfer": sent.samples, "capture": done.capture}
            for name, samples in files.items():
                soundfile.write(f"{folder}/{name}.wav", samples.astype(np.float32), 48000, subtype="FLOAT")
            Path(folder, "facts.json").write_text(json.dumps(sent.facts), encoding="ascii")
            spent_s = []
            # The first time compiles.
            for _ in range(2):
                began = time.process_time()
                align(folder, band_hz=BAND_HZ, alignment=SETTINGS)
                spent_s.append(time.process_time() - began)
            began = time.process_time()
            read = [soundfile.read(f"{folder}/{name}.wav")[0] for name in ("stem", "aligned", "capture")]
            alignment = json.loads(Path(folder, "alignment.json").read_text())
            gaps = {key: TRANSFER[key] for key in ("gap_s", "tail_s")}
            known = {"rate_hz": 48000, "band_hz": BAND_HZ, "transfer": gaps, "track": own, "others": others}
            measure_condition(*read, 48000, alignment, **known)
            measured_s = time.process_time() - began
        row(f"CPU s, {minutes} min at 48 kHz{what}: measured, aligned", f"{measured_s:.1f} of {spent_s[-1]:.1f}")


# What a call may ask for by name; each takes the number of trials.
ROWS = {
    "survived": lambda count: what_survived(laid_down()),
    "followed": lambda count: followed(),
    "foreign": foreign,
    "dropouts": lambda count: dropouts(max(1, count // 6)),
    "control": level_control,
    "other-law": lambda count: other_law(max(1, count // 3)),
    "under-music": lambda count: under_music(max(1, count // 3)),
    "overload": lambda count: overload(max(1, count // 6)),
    "lines": lines,
    "cost": lambda count: cost(),
}
_OF_RECORDINGS = ("survived", "followed", "foreign", "cost")


def main(count, wanted):
    for name in wanted:
        if name in _OF_RECORDINGS and missing():
            row(name, missing())
        else:
            ROWS[name](count)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60, sys.argv[2:] or ROWS)
