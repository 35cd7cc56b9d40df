"""The full table of what the measures of a return reach against the simulated recorder's truth; a few minutes on one core.

Run: envs/run python tests/bench/measures_table.py [TRIALS, by default 60]
"""

import sys
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "workflow" / "scripts")]

import numpy as np  # noqa: E402
from bench.real_stems import STEMS, make_stem, missing  # noqa: E402
from bounceproof.condition.lines import find_lines  # noqa: E402
from measuring import FOREIGN_KINDS, dropout_trial, foreign_trial, hiss_truth_dbfs, overload_trial, ride_trial  # noqa: E402
from simulated import RATE_HZ, lay, music  # noqa: E402


def row(what, figure):
    print(f"{what:<58} {figure}", flush=True)


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


def cost():
    laid = lay(music(240.0, 1), {"replay_band": {}, "hiss": {"below_signal_db": 25}}, 1)
    began = time.process_time()
    laid.measured()
    row("CPU seconds for 4 minutes at 24 kHz", f"{time.process_time() - began:.1f}")


def main(count):
    dropouts(max(1, count // 6))
    level_control(count)
    under_music(max(1, count // 3))
    overload(max(1, count // 6))
    lines(count)
    if missing():
        print(missing())
    else:
        foreign(count)
    cost()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
