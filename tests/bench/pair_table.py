"""The demo's pairs against the simulator's truth: relative delay and its stated error, loss of the sum, how far up they add up.

    envs/run snakemake && envs/run python tests/bench/pair_table.py [results folder]

Relative delay: truth = where the two maps really lie wrong against each other, in us rms over the blocks of a quarter of a
second, weighted by the sound in them; stated = the map's sigmas together; their ratio has to be about 1.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))

import numpy as np
from bounceproof.files import read_json
from bounceproof.timemap import read_time_map


def wrong_us(results, track, times_s):
    """How late a track's aligned return lies at times of the song."""
    found, truth = (
        read_time_map(path) for path in (results / f"chosen/{track}/time-map.tsv", results / f"simulated/{track}.truth.tsv")
    )
    return 1e6 * (np.interp(times_s, truth.stem_s, truth.return_s) - np.interp(times_s, found.stem_s, found.return_s))


def main(results):
    print(f"{'pair':28s} true rms us  stated us  ratio  mean us   adds up to, Hz   two clicks, Hz")
    for path in sorted((results / "pairs").glob("*.json")):
        pair = read_json(path)
        if pair["state"] != "measured":
            continue
        course = pair["through_time"]
        known = np.array([value is not None for value in course["aligned_us"]])
        times_s = np.array(course["time_s"])[known]
        told, sd = (np.array(course[key], dtype=float)[known] for key in ("aligned_us", "aligned_sd_us"))
        truth = wrong_us(results, pair["second"]["track"], times_s) - wrong_us(results, pair["first"]["track"], times_s)
        weight = np.array(course["weight"])[known] ** 2
        rms = np.sqrt(np.average((truth - told) ** 2, weights=weight))
        stated = np.sqrt(np.average(sd**2, weights=weight))
        reach = [pair[way]["adds_up_to_hz"] for way in ("aligned", "clicks")]
        text = [f"{hz:.0f}" if hz is not None else "-" for hz in reach]
        print(
            f"{pair['pair']:28s} {rms:11.2f} {stated:10.2f} {rms / stated:6.2f} {np.average(truth, weights=weight):8.2f}"
            f" {text[0]:>16s} {text[1]:>16s}"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[2] / "results" / "demo")
