"""Whether the 95 % intervals of the measures hold, over many short simulated returns; some two seconds each on one core.

Run: envs/run python tests/bench/intervals.py [SIMULATIONS, by default 1000]
"""

import sys
from collections import defaultdict
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "workflow" / "scripts")]

import numpy as np  # noqa: E402
from bounceproof import spectra  # noqa: E402
from bounceproof.condition.hiss import measure_hiss  # noqa: E402
from bounceproof.condition.level import analysis_bands  # noqa: E402
from bounceproof.condition.lines import find_lines  # noqa: E402
from bounceproof.quantities import amplitude_db  # noqa: E402
from measuring import expected_hiss_dbfs, true_edges, true_range_db, true_responses  # noqa: E402
from simulated import BAND_HZ, RATE_HZ, lay, music  # noqa: E402

SECONDS = 8.0
BAND = {"low_hz": 330.0, "high_hz": 4400.0, "order": 2, "phase": "minimum"}


class Tally:
    """Counts of intervals that held, by measure."""

    def __init__(self):
        self.errors = defaultdict(list)

    def add(self, name, found, sigma, truth):
        if found is not None and sigma is not None and truth is not None and np.isfinite(truth):
            self.errors[name].append((found - truth, max(sigma, 1e-12)))

    def show(self):
        for name, rows in self.errors.items():
            error, sigma = np.array(rows).T
            z = error / sigma
            held = f"{100 * np.mean(np.abs(z) <= 1.96):5.1f} % of {len(z):6d}"
            said = np.sqrt(np.mean(sigma**2))
            sizes = f"error {error.mean():+.3f} +- {error.std():.3f}, sd said {said:.3f} (median {np.median(sigma):.3f})"
            print(f"{name:<36} {held}   {sizes}", flush=True)


def plain(seed, tally):
    """Hiss, response, edges, signal over hiss, level, hiss under music of a plain return."""
    random = np.random.default_rng(seed)
    recorder = {"replay_band": BAND, "hiss": {"below_signal_db": float(random.uniform(18, 32))}}
    laid = lay(music(SECONDS, seed), recorder, seed)
    condition, rows = laid.measured()
    bands = analysis_bands(RATE_HZ)
    whole = measure_hiss(laid.done.truth.hiss, RATE_HZ, 1.0 + laid.values["speed_percent"] / 100, bands, BAND_HZ, lines=[])
    hiss = condition["hiss"]
    for key in ("flat", "a_weighted", "bs468_rms"):
        truth_dbfs = getattr(whole, f"{key}_dbfs")
        tally.add(f"hiss of the silences, {key}", hiss[f"{key}_dbfs"], hiss[f"{key}_sigma_db"], truth_dbfs)
    under = condition["hiss_under_music"] or {"flat_dbfs": None, "sigma_db": None}
    tally.add("hiss under music", under["flat_dbfs"], under["sigma_db"], expected_hiss_dbfs(laid))
    truth_db = true_responses(laid.stem, laid.done.truth, RATE_HZ, bands)
    powers = spectra.band_powers([laid.stem, laid.aligned - laid.hiss], RATE_HZ, bands)
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
                off = np.log2(edge[f"{side}_hz"] / true_hz)
                tally.add(f"band edge, -{down_db:g} dB, octaves", off, edge[f"{side}_sd_octaves"], 0.0)
    clean = laid._replace(aligned=laid.aligned - laid.hiss).measured()[0]
    level = condition["level"]
    tally.add("level to add", level["measured_db"], level["sigma_db"], clean["level"]["measured_db"])
    if condition["highs"]:
        tally.add("fading of the highs", condition["highs"]["fade_db"], condition["highs"]["fade_sigma_db"], 0.0)


def controlled(seed, tally):
    """Range of a level control, hiss under music that rises."""
    random = np.random.default_rng(seed)
    release_ms = float(random.choice([150, 400]))
    control = {"target_dbfs": -30.0, "max_gain_db": 0.0, "range_db": 18.0, "attack_ms": 5.0, "release_ms": release_ms}
    hiss = {"below_signal_db": float(random.uniform(20, 30)), "rise_db": 3.0}
    laid = lay(music(SECONDS, seed, spread_db=24.0), {"replay_band": BAND, "hiss": hiss, "automatic_level": control}, seed)
    condition = laid.measured()[0]
    ride, under = condition["level_ride"], condition["hiss_under_music"]
    if ride and ride["found"]:
        tally.add("range of a level control", ride["range_db"], ride["range_sigma_db"], true_range_db(laid))
    if under:
        tally.add("hiss under music, level control", under["flat_dbfs"], under["sigma_db"], expected_hiss_dbfs(laid))


def hurt(seed, tally):
    """Depth of dropouts, distance from overload."""
    random = np.random.default_rng(seed)
    stem = music(SECONDS, seed)
    over_db = float(random.uniform(-1, 6))
    peak_dbfs = amplitude_db(np.percentile(np.abs(stem), 99.99))
    depths_db = random.uniform(10, 20, 3)
    times_s = 8.5 + 2 * np.arange(3) + random.uniform(0, 0.5, 3)
    at = [{"time_s": t, "depth_db": d, "length_ms": 60.0} for t, d in zip(times_s.tolist(), depths_db.tolist(), strict=True)]
    recorder = {"replay_band": BAND, "hiss": {"below_signal_db": 28}, "dropouts": {"at": at}}
    recorder["saturation"] = {"level_dbfs": float(peak_dbfs - over_db)}
    laid = lay(stem, recorder, seed)
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


def main(count):
    tally = Tally()
    for seed in range(count):
        for simulated in (plain, controlled, hurt, lined):
            simulated(seed, tally)
    tally.show()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
