"""Two legs captured in one pass: timing error of each alone and of the map they share, and the skew found, against the truth.

    envs/run python tests/bench/together_trial.py [seeds]

Prints, for each seed and leg, the energy-weighted rms error within the track (us) alone and shared, their ratio, and the skew
laid in and found. The recorder is tests/recording.py's, which shares nothing with the project's own.
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bounceproof.aligning.maps import weighted_rms_us
from bounceproof.audio import write_float_wav
from bounceproof.files import read_json, write_json
from bounceproof.timemap import TimeMap, read_time_map
from bounceproof.transfers import make_transfer
from fake_session import run
from recording import RATE_HZ, drums, plucks, record

BAND_HZ = (400.0, 4000.0)
SETTINGS = {"lead_in_s": 2.5, "gap_s": 1.0, "tail_s": 1.0, "click_below_peak_db": 14.0}
SKEW_US = 68.8


def speed_of(seed):
    random = np.random.default_rng(seed)
    lines = [(rate_hz, size, random.uniform(0, 6.3)) for rate_hz, size in ((0.7, 0.002), (2.3, 0.0025), (8.0, 0.0015))]
    return lambda at_s: 1.004 + sum(size * np.sin(2 * np.pi * rate_hz * at_s + phase) for rate_hz, size, phase in lines)


def trial(folder, seed, *, seconds=12.0, hiss_db=25.0):
    stems = [drums(seconds, seed), 0.6 * drums(seconds, seed) + 0.5 * plucks(seconds, seed + 1)]
    legs, channels, truths = ("L", "R"), [], []
    for number, (leg, stem) in enumerate(zip(legs, stems, strict=True), 1):
        made = make_transfer(stem, RATE_HZ, number=number, band_hz=BAND_HZ, settings=SETTINGS, send_db=-6.0)
        write_float_wav(folder / f"{leg}.stem.wav", stem, RATE_HZ)
        write_float_wav(folder / f"{leg}.wav", made.samples, RATE_HZ)
        write_json(folder / f"{leg}.json", made.facts)
        delayed = made.samples if leg == "L" else late(made.samples, SKEW_US * 1e-6)
        done = record(delayed, speed=speed_of(seed), band_hz=(300.0, 5000.0), hiss_db=hiss_db, seed=10 * seed + number)
        channels.append(done.capture)
        start_s = made.facts["stem_start_sample"] / RATE_HZ
        truths.append(lambda t, done=done, start_s=start_s: done.capture_s(start_s + t))
    count = min(map(len, channels))
    write_float_wav(folder / "capture.wav", np.stack([one[:count] for one in channels], axis=1), RATE_HZ)
    for k, leg in enumerate(legs):
        aligned(folder, leg, k + 1, None)
    rows = []
    for k, leg in enumerate(legs):
        errors = []
        values, shared_map = aligned(folder, leg, k + 1, legs[1 - k])
        for time_map in (read(folder / leg)[1], shared_map):
            truth = TimeMap(time_map.stem_s, truths[k](time_map.stem_s), 1.0)
            errors.append(weighted_rms_us(time_map, truth, stems[k], RATE_HZ))
        skew = values["together"]["skew_us"] if values.get("together") else float("nan")
        rows.append((leg, *errors, skew if k == 0 else -skew))
    return rows


def late(samples, by_s):
    spectrum = np.fft.rfft(np.pad(samples, (0, 4800)))
    turned = spectrum * np.exp(-2j * np.pi * np.fft.rfftfreq(len(samples) + 4800, 1 / RATE_HZ) * by_s)
    return np.fft.irfft(turned, len(samples) + 4800)[: len(samples)]


def aligned(folder, leg, channel, partner):
    """alignment.json and map of a leg by itself, or (both having been laid) together with its partner."""
    out, names = folder / f"{leg}{'.shared' if partner else ''}", ("alignment.json", "time-map.tsv", "aligned.wav", "clicks.wav")
    run(
        "align_return",
        inputs={
            "capture": folder / "capture.wav",
            "stem": folder / f"{leg}.stem.wav",
            "transfer": folder / f"{leg}.wav",
            "facts": folder / f"{leg}.json",
            "others": [],
            "alone": [folder / leg / name for name in names],
            "partner": [folder / partner / name for name in names[:2]] if partner else [],
        },
        outputs={key: out / name for key, name in zip(("alignment", "time_map", "aligned", "clicks"), names, strict=True)},
        settings={
            "track": leg,
            "take": "take1",
            "simulated": False,
            "capture_channel": channel,
            "partner": partner,
            "alignment": {"method": "follow", "speed_search_percent": 12.0},
            "names": {"1": "L", "2": "R"},
            "band_low_hz": BAND_HZ[0],
            "band_high_hz": BAND_HZ[1],
        },
    )
    return read(out)


def read(out):
    return read_json(out / "alignment.json"), read_time_map(out / "time-map.tsv")


if __name__ == "__main__":
    print("seed  leg   alone us  shared us  ratio   skew laid in us  found us")
    for seed in range(1, 1 + int(sys.argv[1] if len(sys.argv) > 1 else 2)):
        with tempfile.TemporaryDirectory() as folder:
            for leg, alone, shared, skew in trial(Path(folder), seed):
                print(
                    f"{seed:4d}  {leg:3s} {alone:9.2f} {shared:10.2f} {alone / shared:6.2f} {SKEW_US:17.1f} {skew:9.1f}",
                    flush=True,
                )
