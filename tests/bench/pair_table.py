"""The pairs of a simulated session against the simulator's truth: relative delay and its stated error beside the bound, and how
far up they add up.

    envs/run snakemake && envs/run python tests/bench/pair_table.py [results folder] [--bound] [--loss]

Relative delay, the constant included: told and truth = what the table says and where the two maps really lie wrong against each
other, in us rms over the cells of 10 ms in which both sound, each weighted by what the sum owes to their phase there; stated =
the sds of the blocks, in the same mean; ratio = (truth - told) over stated, about 1 where it is right. bound (follow_bound.py) =
both tracks' together, with the same weights: it knows the response, so that it holds no constant. The limit asked for is 2 us at
35 dB and better, twice the bound below.

Loss of the sum (--loss): truth = the sum of the captures without hiss, read through the maps in question, against the same read
through the true maps, band by band; told = the table's; by how much they differ at most and in rms, over the bands that are
judged (hiss makes them uncertain by no more than half of 1 dB).
"""

import argparse
import sys
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bench.follow_bound import NOISES_OFF, bound_us
from bounceproof import pair_delay, spectra
from bounceproof.audio import look_at, read_mono
from bounceproof.condition.level import analysis_bands
from bounceproof.files import read_json, read_table
from bounceproof.quantities import amplitude_from_db, power_from_db
from bounceproof.reading import read_through
from bounceproof.recorder import simulate
from bounceproof.timemap import TimeMap, read_time_map
from simulate_return import track_seed

SEED = 1


def wrong_us(results, track, times_s):
    """How late a track's aligned return lies at times of the song."""
    found, truth = (
        read_time_map(path) for path in (results / f"chosen/{track}/time-map.tsv", results / f"simulated/{track}.truth.tsv")
    )
    return 1e6 * (np.interp(times_s, truth.stem_s, truth.return_s) - np.interp(times_s, found.stem_s, found.return_s))


@cache
def recorded(results, track):
    """(sent, rate in Hz, settings, seed, span of the stem in s, truth) of a track's simulated return, simulated again."""
    path, facts = results / f"transfers/{track}.wav", read_json(results / f"transfers/{track}.json")
    sent, rate_hz = read_mono(path).astype(float), look_at(path).rate_hz
    settings, seed = read_json(results / f"simulated/{track}.truth.json")["settings"], track_seed(SEED, track)
    start_s = facts["stem_start_sample"] / rate_hz
    span_s = (start_s, start_s + facts["stem_samples"] / rate_hz)
    return sent, rate_hz, settings, seed, span_s, simulate(sent, rate_hz, settings, seed=seed, stem_span_s=span_s).truth


def track_bound_us(results, track, times_s, weights):
    sent, rate_hz, settings, seed, span_s, truth = recorded(results, track)
    return bound_us(sent, rate_hz, settings, seed, truth, span_s[0] + times_s, weights, span_s=span_s)


def sounding_of(results, tracks, band_hz):
    """The Sounding of a pair through the responses that bands.tsv tells."""
    stems = [read_mono(results / f"stems/{track}.wav") for track in tracks]
    rate_hz = look_at(results / f"stems/{tracks[0]}.wav").rate_hz
    bands = analysis_bands(rate_hz)
    response = [response_of(results / f"chosen/{track}/bands.tsv", bands) for track in tracks]
    return pair_delay.sounding(stems, rate_hz, band_hz, pair_delay.Heard(bands, np.array(response), None))


def response_of(path, bands):
    known = {float(row["nominal_hz"]): row["response_db"] for row in read_table(path)}
    return power_from_db(np.array([float(known.get(band.nominal_hz) or -60.0) for band in bands]))


def row(results, pair, band_hz, bound):
    course, tracks = pair["through_time"], [pair[place]["track"] for place in ("first", "second")]
    sounding = sounding_of(results, tracks, band_hz)
    told, sd = (
        np.array([np.nan if value is None else value for value in course[key]])[sounding.block]
        for key in ("aligned_us", "aligned_sd_us")
    )
    weight = np.where(np.isfinite(told), sounding.weight, 0.0)
    truth = wrong_us(results, tracks[1], sounding.time_s) - wrong_us(results, tracks[0], sounding.time_s)

    def rms(values):
        return float(np.sqrt(np.average(np.nan_to_num(values) ** 2, weights=weight)))

    bounds = [track_bound_us(results, track, sounding.time_s, weight) for track in tracks] if bound else [np.nan]
    over_db = [read_json(results / f"simulated/{track}.truth.json")["hiss_below_signal_db"] for track in tracks]
    reach = [pair[way]["adds_up_to_hz"] for way in ("aligned", "clicks")]
    text = [f"{hz:.0f}" if hz is not None else "-" for hz in reach]
    print(
        f"{pair['pair']:28s} {over_db[0]:5.1f} {over_db[1]:5.1f} {rms(truth):8.2f} {np.average(truth, weights=weight):8.2f}"
        f" {np.hypot.reduce(bounds):6.2f} {rms(told):7.2f} {rms(sd):7.2f} {rms(truth - told) / rms(sd):6.2f}"
        f" {text[0]:>10s} {text[1]:>10s}",
        flush=True,
    )


def click_map(results, track):
    """The straight line through a track's two clicks."""
    facts, alignment = read_json(results / f"transfers/{track}.json"), read_json(results / f"chosen/{track}/alignment.json")
    sent_s = [(facts[f"{end}_click_sample"] - facts["stem_start_sample"]) / facts["sample_rate_hz"] for end in ("start", "end")]
    return TimeMap(sent_s, [alignment[f"{end}_click_return_s"] for end in ("start", "end")], 1.0)


@cache
def sound(results, track):
    """A track's capture without its noises."""
    sent, rate_hz, settings, seed, span_s, _ = recorded(results, track)
    return simulate(sent, rate_hz, {**settings, **NOISES_OFF}, seed=seed, stem_span_s=span_s)


def summed_powers(results, tracks, maps):
    """Power per band of the two tracks' sounds read through maps, at the level of their stems, and summed."""
    total, rate_hz = 0.0, look_at(results / f"stems/{tracks[0]}.wav").rate_hz
    for track, time_map in zip(tracks, maps, strict=True):
        alignment, frames = read_json(results / f"chosen/{track}/alignment.json"), look_at(results / f"stems/{track}.wav").frames
        gain, done = alignment["polarity"] * amplitude_from_db(alignment["level_db"]), sound(results, track)
        total = total + gain * read_through(done.capture, done.rate_hz, time_map, start_s=0.0, count=frames, rate_hz=rate_hz)
    bands = analysis_bands(rate_hz)
    return spectra.band_powers([total], rate_hz, bands)[:, 0].sum(axis=0)


def losses(results, pair):
    """(way, bands judged, most, rms) in dB of the told loss of the sum less the true one."""
    tracks = [pair[place]["track"] for place in ("first", "second")]
    maps = {
        "true": [read_time_map(results / f"simulated/{track}.truth.tsv") for track in tracks],
        "aligned": [read_time_map(results / f"chosen/{track}/time-map.tsv") for track in tracks],
        "clicks": [click_map(results, track) for track in tracks],
    }
    powers = {name: summed_powers(results, tracks, chosen) for name, chosen in maps.items()}
    rows = read_table(results / f"pairs/{pair['pair']}.tsv")
    for way in ("aligned", "clicks"):
        off = [
            float(row[f"loss_{way}_db"]) - 10 * np.log10(powers["true"][k] / powers[way][k])
            for k, row in enumerate(rows)
            if row["shared"] == "yes" and row[f"loss_{way}_db"] and float(row[f"loss_{way}_sd_db"]) <= 0.5
        ]
        if off:
            yield way, len(off), np.abs(off).max(), np.sqrt(np.mean(np.square(off)))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "results", nargs="?", type=Path, default=Path(__file__).resolve().parents[2] / "results" / "demo", help="of a session"
    )
    parser.add_argument("--bound", action="store_true", help="compute the bounds, which simulates every track again")
    parser.add_argument("--loss", action="store_true", help="hold the loss of the sum against the truth, which simulates as well")
    parser.add_argument("--band", type=float, nargs=2, default=(400.0, 4000.0), help="the medium's, Hz")
    chosen = parser.parse_args()
    print("                             hiss down, dB  truth us  mean us  bound    told  stated  ratio   adds up to, Hz; clicks")
    for path in sorted((chosen.results / "pairs").glob("*.json")):
        pair = read_json(path)
        if pair["state"] == "measured":
            row(chosen.results, pair, tuple(chosen.band), chosen.bound)
            for way, count, most, rms in losses(chosen.results, pair) if chosen.loss else ():
                print(
                    f"    loss of the sum, {way:8s} {count:3d} bands, off by {most:5.2f} dB at most, {rms:5.2f} rms", flush=True
                )


if __name__ == "__main__":
    main()
