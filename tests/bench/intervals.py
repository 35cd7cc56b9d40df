"""Whether the 95 % intervals of the measures hold, over many short simulated returns; some three seconds each on a core.

Run: envs/run python tests/bench/intervals.py [SIMULATIONS, by default 1000] [FIRST, by default 0: seed of the first] [KINDS, by
default all: see KINDS below]
A table is printed after every hundred.
"""

import argparse
import sys
import time
from collections import defaultdict
from contextlib import ExitStack
from pathlib import Path
from unittest import mock

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "workflow" / "scripts")]

import numpy as np  # noqa: E402
from bounceproof import spectra, stack  # noqa: E402
from bounceproof.audio import resample  # noqa: E402
from bounceproof.condition import hiss as hisses  # noqa: E402
from bounceproof.condition import history as histories  # noqa: E402
from bounceproof.condition import level as levels  # noqa: E402
from bounceproof.condition import story  # noqa: E402
from bounceproof.condition import unexplained as rests  # noqa: E402
from bounceproof.condition.explained import explain  # noqa: E402
from bounceproof.condition.lines import find_lines  # noqa: E402
from bounceproof.condition.suspects import playing_power  # noqa: E402
from bounceproof.quantities import (  # noqa: E402
    a_weighting_db,
    amplitude_db,
    amplitude_from_db,
    bs468_weighting_db,
    power_db,
    power_from_db,
)
from bounceproof.recorder.channel import limit_band  # noqa: E402
from bounceproof.sketches import sketch  # noqa: E402
from measuring import (  # noqa: E402
    expected_hiss_dbfs,
    flat_weighting,
    resting_hiss_dbfs,
    true_edges,
    true_range_db,
    true_responses,
)
from simulated import BAND_HZ, RATE_HZ, lay, music  # noqa: E402

SECONDS = 8.0
BAND = {"low_hz": 330.0, "high_hz": 4400.0, "order": 2, "phase": "minimum"}

# What only one kind tells.
_SELDOM = (hisses, "quasi_peak_dbfs"), (histories, "highs"), (histories, "level_history")

WEIGHTINGS = {
    "flat": flat_weighting,
    "a_weighted": lambda freq_hz: power_from_db(a_weighting_db(freq_hz)),
    "bs468_rms": lambda freq_hz: power_from_db(bs468_weighting_db(freq_hz)),
}


class Tally:
    """Errors and sd by measure; layers: (Layer, its true levels) of each return that goes into stacks."""

    def __init__(self):
        self.errors, self.layers = defaultdict(list), []

    def add(self, name, found, sigma, truth):
        if found is not None and sigma is not None and truth is not None and np.isfinite(truth):
            self.errors[name].append((found - truth, max(sigma, 1e-12)))

    def show(self):
        for name, rows in {**self.errors, **self.stacks()}.items():
            error, sigma = np.array(rows).T
            z = error / sigma
            held = f"{100 * np.mean(np.abs(z) <= 1.96):5.1f} % of {len(z):6d}"
            said = np.sqrt(np.mean(sigma**2))
            sizes = f"error {error.mean():+.3f} +- {error.std():.3f}, sd said {said:.3f} (median {np.median(sigma):.3f})"
            print(f"{name:<36} {held}   {sizes}", flush=True)

    def stacks(self):
        """Errors and sd of as many stacks of 12 as there are returns, each return in 12 of them."""
        random, told = np.random.default_rng(0), Tally()
        for _ in range(12 if len(self.layers) >= 12 else 0):
            order = random.permutation(len(self.layers))
            for first in range(0, len(order) - 11, 12):
                told.add_stack([self.layers[k] for k in order[first : first + 12]])
        return told.errors

    def add_stack(self, dozen):
        total = stack.stacked([one for one, _ in dozen], song_s=SECONDS)["total"]
        for measure in WEIGHTINGS:
            truth_dbfs = power_db(sum(power_from_db(true[measure]) for _, true in dozen))
            self.add(f"stack of 12, {measure}", total[f"{measure}_dbfs"], total[f"{measure}_sigma_db"], truth_dbfs)


def without(*unwanted):
    """Nothing of these (module, function) is measured inside: they cost, and no figure here hangs on them."""
    patched = ExitStack()
    for module, name in unwanted:
        patched.enter_context(mock.patch.object(module, name, lambda *_, **__: None))
    return patched


def plain(seed, tally):
    """Hiss, response, edges, signal over hiss, level, hiss under music of a plain return."""
    random = np.random.default_rng(seed)
    recorder = {"replay_band": BAND, "hiss": {"below_signal_db": float(random.uniform(18, 32))}}
    laid = lay(music(SECONDS, seed), recorder, seed)
    bands = levels.analysis_bands(RATE_HZ)
    speed_ratio = 1.0 + laid.values["speed_percent"] / 100
    with without((story, "measure_overload"), (hisses, "quasi_peak_dbfs")):
        condition, rows = laid.measured()
        whole = hisses.measure_hiss(laid.done.truth.hiss, RATE_HZ, speed_ratio, bands, BAND_HZ, lines=[])
    hiss = condition["hiss"]
    for key, weighting in WEIGHTINGS.items():
        truth_dbfs = resting_hiss_dbfs(laid, weighting)
        tally.add(f"hiss of the silences, {key}", hiss[f"{key}_dbfs"], hiss[f"{key}_sigma_db"], truth_dbfs)
    under = condition["hiss_under_music"] or {"flat_dbfs": None, "flat_sigma_db": None}
    tally.add("hiss under music", under["flat_dbfs"], under["flat_sigma_db"], expected_hiss_dbfs(laid))
    truth_db = true_responses(laid.stem, laid.done.truth, RATE_HZ, bands)
    clean = laid.aligned - laid.hiss
    powers = spectra.band_powers([laid.stem, clean], RATE_HZ, bands)
    plays = spectra.playing(powers[:, 0])
    for k, (row, true_db) in enumerate(zip(rows, truth_db, strict=True)):
        if row["known"]:
            tally.add("response per band", row["response_db"], row["response_sigma_db"], true_db)
        if row["signal_over_hiss_db"] is not None:
            over_db = 10 * np.log10(powers[plays[:, k], 1, k].mean() / whole.band_powers[k])
            tally.add("signal over hiss per band", row["signal_over_hiss_db"], row["sigma_db"], over_db)
    for key, down_db in (("band", 10.0), ("band_3_db", 3.0)):
        for side, true_hz in zip(("low", "high"), true_edges(laid.done.truth, RATE_HZ, BAND_HZ, down_db=down_db), strict=True):
            edge = condition[key] or {}
            if edge.get(f"{side}_hz"):
                tally.add("band edges, octaves", np.log2(edge[f"{side}_hz"] / true_hz), edge[f"{side}_sd_octaves"], 0.0)
    level, true_level = condition["level"], levels.level_db(laid.stem, clean, RATE_HZ, BAND_HZ)
    tally.add("level to add", level["measured_db"], level["sigma_db"], true_level.level_db)
    tally.layers.append(layer_of(laid, condition, rows, seed))


def layer_of(laid, condition, rows, seed):
    """(Layer, its true levels in dBFS by measure) of a return at a gain of a mix."""
    track = {"track": f"{seed}", "take": "take1", "mix_db": float(np.random.default_rng(seed).uniform(-9, 3)), "pan": 0.0}
    values = {**laid.values, "level_db": condition["level"]["measured_db"]}
    layer = stack.layer(track, values, condition, [{k: "" if v is None else v for k, v in row.items()} for row in rows])[0]
    return layer, {measure: resting_hiss_dbfs(laid, weighting) + layer.gain_db for measure, weighting in WEIGHTINGS.items()}


def controlled(seed, tally):
    """Range of a level control, hiss under music that rises."""
    random = np.random.default_rng(seed)
    release_ms = float(random.choice([150, 400]))
    control = {"target_dbfs": -30.0, "max_gain_db": 0.0, "range_db": 18.0, "attack_ms": 5.0, "release_ms": release_ms}
    hiss = {"below_signal_db": float(random.uniform(20, 30)), "rise_db": 3.0}
    laid = lay(music(SECONDS, seed, spread_db=24.0), {"replay_band": BAND, "hiss": hiss, "automatic_level": control}, seed)
    with without((story, "measure_overload"), *_SELDOM):
        condition = laid.measured()[0]
    ride, under = condition["level_ride"], condition["hiss_under_music"]
    if ride and ride["found"]:
        tally.add("range of a level control", ride["range_db"], ride["range_sigma_db"], true_range_db(laid))
    if under:
        tally.add("hiss under music, level control", under["flat_dbfs"], under["flat_sigma_db"], expected_hiss_dbfs(laid))


def hurt(seed, tally):
    """Depth of dropouts, distance from overload, of every other return with a band before the tape."""
    random = np.random.default_rng(seed)
    # The recorder's converters end a little under half the rate: what lies beyond would count in the peaks sent alone.
    stem = resample(resample(music(SECONDS, seed), RATE_HZ, 0.75 * RATE_HZ), 0.75 * RATE_HZ, RATE_HZ)
    over_db = float(random.uniform(-1, 6))
    before = {"low_hz": 250.0, "high_hz": 4600.0, "order": 2, "phase": "minimum"} if seed % 2 else None
    peak_dbfs = amplitude_db(np.percentile(np.abs(limit_band(stem, before, RATE_HZ)), 99.99))
    depths_db = random.uniform(10, 20, 3)
    times_s = 8.5 + 2 * np.arange(3) + random.uniform(0, 0.5, 3)
    at = [{"time_s": t, "depth_db": d, "length_ms": 60.0} for t, d in zip(times_s.tolist(), depths_db.tolist(), strict=True)]
    recorder = {"replay_band": BAND, "hiss": {"below_signal_db": 28}, "dropouts": {"at": at}}
    recorder |= {"record_band": before, "saturation": {"level_dbfs": float(peak_dbfs - over_db)}}
    laid = lay(stem, recorder, seed)
    with without((rests, "measure_unexplained"), *_SELDOM):
        condition = laid.measured()[0]
    overload = condition["overload"] or {}
    tally.add("peaks over the level of 3 %", overload.get("over_db"), overload.get("sigma_db"), over_db)
    for event in laid.done.truth.events:
        middle_s = float(laid.done.truth.sent_at(event["capture_s"] + 0.03)) - 6.5
        for one in condition["dropouts"] or []:
            if abs(one["time_s"] - middle_s) < 0.03 and not one["at_least"]:
                tally.add("depth of a dropout", one["depth_db"], one["depth_sigma_db"], event["depth_db"])


def lined(seed, tally):
    """Frequency of a hum line."""
    random = np.random.default_rng(seed)
    t = np.arange(int(4.5 * RATE_HZ)) / RATE_HZ
    line_hz = 50.0 * random.choice([1, 2, 3]) * random.uniform(0.9995, 1.0005)
    tone = 0.03 * np.sin(2 * np.pi * line_hz * t + random.uniform(0, 6.3))
    for line in find_lines([random.normal(size=t.size) + tone * random.uniform(3, 10)], RATE_HZ, 1.0):
        if abs(line["frequency_hz"] - line_hz) < 1.0:
            tally.add("frequency of a line", line["frequency_hz"], line["frequency_sigma_hz"], line_hz)


def echoed(seed, tally):
    """Level and delay of print-through, before and after; how far the highs of the same return fall through the song."""
    random = np.random.default_rng(seed)
    level_db, turn_s = float(random.uniform(-33, -24)), round(random.uniform(0.9, 2.5) * RATE_HZ) / RATE_HZ
    recorder = {"replay_band": BAND, "hiss": {"below_signal_db": float(random.uniform(18, 34))}}
    laid = lay(music(12.0, seed), {**recorder, "print_through": {"level_db": level_db, "turn_s": turn_s}}, seed)
    fade_db = float(random.uniform(-4, 0))
    with without((story, "measure_overload"), (rests, "measure_unexplained"), *_SELDOM):
        heard = laid.measured(track="one", others={})[0]["foreign"]
    falling = faded(laid.aligned, fade_db)
    both = spectra.spectral_matrix([laid.stem, falling], RATE_HZ)
    highs = histories.highs(explain(laid.stem, falling, both, RATE_HZ, high_hz=BAND_HZ[1]), BAND_HZ) or {}
    tally.add("fading of the highs", highs.get("fade_db"), highs.get("fade_sigma_db"), fade_db)
    for one in heard:
        true_db = level_db + heard_of_it_db(laid.stem, turn_s if one["delay_s"] > 0 else -turn_s)
        tally.add("level of a foreign sound", one["level_db"], one["level_sigma_db"], true_db)
        tally.add("delay of a foreign sound", abs(one["delay_s"]), one["delay_sigma_s"], turn_s)


def heard_of_it_db(stem, late_s):
    """By how much louder than the stem is what of it lies in the song so much later, each while it plays."""
    sent, late = limit_band(stem, BAND, RATE_HZ), round(late_s * RATE_HZ)
    moved = np.pad(sent, (max(late, 0), max(-late, 0)))[max(-late, 0) :][: len(sent)]
    return power_db(playing_power(sketch(moved, RATE_HZ)) / playing_power(sketch(sent, RATE_HZ)))


def faded(aligned, fade_db):
    """A return that loses so much above 1500 Hz, evenly in dB, from its start to its end."""
    spectrum = np.fft.rfft(aligned)
    spectrum[: int(1500 * len(aligned) / RATE_HZ)] = 0.0
    upper = np.fft.irfft(spectrum, len(aligned))
    return aligned + (amplitude_from_db(np.linspace(0.0, fade_db, len(upper))) - 1.0) * upper


KINDS = {"plain": plain, "controlled": controlled, "hurt": hurt, "lined": lined, "echoed": echoed}


def main(count, first, kinds):
    tally = Tally()
    for done, seed in enumerate(range(first, first + count), start=1):
        for kind in kinds:
            KINDS[kind](seed, tally)
        music.cache_clear()
        if done % 100 == 0 or done == count:
            print(f"\n{done} simulations, {time.process_time():.0f} CPU s")
            tally.show()


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    options.add_argument("simulations", type=int, nargs="?", default=1000)
    options.add_argument("first", type=int, nargs="?", default=0, help="seed of the first")
    options.add_argument("kinds", nargs="*", help=f"of {', '.join(KINDS)}; all by default")
    wanted = options.parse_args()
    main(wanted.simulations, wanted.first, wanted.kinds or KINDS)
