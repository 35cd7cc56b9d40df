"""Takes of one stem through the simulated recorder, laid as a user's are, and averaged: what is gained against the hiss laid in.

    envs/run python tests/bench/averaging_trial.py [takes] [hiss below the sound, dB; 20]

Separate recordings first, then one recording replayed (the same hiss of tape, hiss of its own 14 dB under it in each replay).
Prints the gain of signal to hiss in the stem's rest and under music, by the hiss that the
simulator laid in and as told; the loss of response to 4 kHz; and which takes were taken for replays.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bounceproof import averaging, spectra
from bounceproof.aligning.lay import lay_return
from bounceproof.condition.level import analysis_bands
from bounceproof.quantities import amplitude_from_db
from bounceproof.reading import read_through
from bounceproof.recorder import simulate
from bounceproof.transfers import make_transfer
from recording import drums, plucks

RATE_HZ = 48000
BAND_HZ = (350.0, 4200.0)
SECONDS, REST_S = 12.0, (5.0, 8.0)
TRANSFER = {"lead_in_s": 2.5, "gap_s": 1.0, "tail_s": 1.0, "click_below_peak_db": 14.0}
SETTINGS = {"method": "follow", "speed_search_percent": 12.0}
RECORDER = {"preset": "pocket-machine-good", "settings": {"dropouts.per_minute": 0}}


def stem_with_rest():
    stem = drums(SECONDS, 1) + plucks(SECONDS, 2, low_hz=330.0)
    time_s = np.arange(len(stem)) / RATE_HZ
    stem[(time_s > REST_S[0]) & (time_s < REST_S[1])] = 0.0
    return 0.6 * stem / np.abs(stem).max()


def laid_take(name, stem, sent, seed, *, below_db, tape=None):
    """(Take, its sound without hiss, its hiss), all on the stem's time at the stem's level. tape: hiss to lay in instead."""
    first, count = (sent.facts[key] for key in ("stem_start_sample", "stem_samples"))
    span_s = (first / RATE_HZ, (first + count) / RATE_HZ)
    recorder = {**RECORDER, "hiss": {"below_signal_db": below_db}}
    done = simulate(sent.samples, RATE_HZ, recorder, seed=seed, stem_span_s=span_s)
    own = np.asarray(done.truth.hiss, dtype=float)
    hiss = own if tape is None else tape(done, own)
    sound = done.capture - own
    laid = lay_return(
        (sound + hiss).astype(np.float32)[:, None],
        done.rate_hz,
        stem.astype(np.float32),
        sent.samples.astype(np.float32),
        sent.facts,
        settings=SETTINGS,
        band_hz=BAND_HZ,
    )
    gain = amplitude_from_db(laid.alignment["level_db"]) * laid.alignment["polarity"]
    parts = [
        gain * read_through(part, done.rate_hz, laid.time_map, start_s=0.0, count=len(stem), rate_hz=RATE_HZ)
        for part in (sound, hiss)
    ]
    bands = analysis_bands(RATE_HZ)
    powers = spectra.band_powers(parts, RATE_HZ, bands).mean(axis=0)
    samples = laid.aligned * np.float32(amplitude_from_db(laid.alignment["level_db"]))
    return averaging.Take(name, samples, laid.time_map.sigma_at, powers[1], powers[0]), *parts


def held_against_truth(stem, laid):
    """Average the takes and print what came of it."""
    bands = analysis_bands(RATE_HZ)
    takes, sounds, hisses = zip(*laid, strict=True)
    found = averaging.average(stem, list(takes), RATE_HZ, bands, BAND_HZ)
    # The average is linear in its takes once the weights are known: what it makes of their sound alone is what it left of it.
    sound = np.mean(sounds, axis=0)
    left = found.samples - sound
    time_s = np.arange(len(stem)) / RATE_HZ
    spans = {
        "rest": (time_s > REST_S[0] + 0.3) & (time_s < REST_S[1] - 0.3),
        "music": (time_s > 0.5) & (time_s < REST_S[0] - 0.3),
    }
    chosen = np.array([BAND_HZ[0] <= band.mid_hz <= BAND_HZ[1] for band in bands])
    for name, told in (("rest", "gain_silence_db"), ("music", "gain_music_db")):
        pick = np.flatnonzero(spans[name])
        piece = slice(pick[0], pick[-1])
        single = np.mean([_in_band(one[piece], bands, chosen) for one in hisses])
        gained = 10 * np.log10(single / _in_band(left[piece], bands, chosen))
        print(
            f"  in the {name}: gained {gained:.2f} dB, told {found.record[told]:.2f}, expected {found.record['expected_db']:.2f}"
        )
    both = spectra.spectral_matrix([sound, found.samples], RATE_HZ)
    share = spectra.band_matrix(bands, spectra.segment_samples(RATE_HZ), RATE_HZ)
    response = (both.matrix[:, 0, 1].real @ share) / (both.power(0) @ share)
    inner = np.array([300 <= band.mid_hz <= 4000 for band in bands])
    print(f"  response 300 Hz to 4 kHz against the takes' mean sound: {20 * np.log10(response[inner].min()):+.2f} dB at worst")
    single = [
        (m.matrix[:, 0, 1].real @ share) / (m.power(0) @ share)
        for m in (spectra.spectral_matrix([sounds[0], one], RATE_HZ) for one in (*sounds[1:2], found.samples))
    ]
    print(f"  against one take's sound: {20 * np.log10(single[1][inner].min()):+.2f} dB at worst")
    print(f"  replays: {[(one['first'], one['second'], round(one['shared_hiss'], 2)) for one in found.record['replays']]}")


def _in_band(samples, bands, chosen):
    return spectra.band_powers([samples], RATE_HZ, bands)[:, 0].mean(axis=0)[chosen].sum()


def main(count, below_db):
    stem = stem_with_rest()
    sent = make_transfer(stem, RATE_HZ, number=7, band_hz=BAND_HZ, settings=TRANSFER, send_db=-6.0)
    print(f"{count} separate recordings (10 lg N = {10 * np.log10(count):.2f} dB), hiss {below_db:g} dB down", flush=True)
    held_against_truth(stem, [laid_take(f"take{k + 1}", stem, sent, 11 + k, below_db=below_db) for k in range(count)])
    print(f"one recording replayed {count} times", flush=True)
    random = np.random.default_rng(5)
    first = {}

    def tape(done, own):
        # The hiss of the first pass, by the moment of the tape that it lies on, and the replay's own beside it.
        if not first:
            first.update(hiss=own, truth=done.truth)
        moments_s = done.truth.sent_at(np.arange(len(own)) / done.rate_hz)
        places = first["truth"].capture_at(moments_s) * done.rate_hz
        there = np.interp(np.nan_to_num(places), np.arange(len(first["hiss"])), first["hiss"])
        return there + 0.2 * np.std(own) * random.normal(size=len(own))

    held_against_truth(
        stem, [laid_take(f"replay{k + 1}", stem, sent, 31 + k, below_db=below_db, tape=tape) for k in range(count)]
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4, float(sys.argv[2]) if len(sys.argv) > 2 else 20.0)
