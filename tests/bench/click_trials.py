"""A thousand clicks at 10 dB, up to 12 % fast or slow: found? number read right? how far off?

    envs/run python tests/bench/click_trials.py [TRIALS]

Prints a table, one row a band of speed, and exits with 1 unless every click was found and read right. The suite runs a few of
these trials.

Conventions: a trial is a random number and end, polarity, place, speed and wow, in hiss whose rms in the sweeps' band lies
`over_hiss_db` under that of the sweeps; mains hum and direct current lie beside it. Errors in us of the capture's time.
"""

import itertools
import sys
import time
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bounceproof.clicks import click_band, find_clicks, make_click
from recording import BAND_HZ, RATE_HZ, record
from scipy import signal

SWEEPS_HZ = click_band(BAND_HZ)
_SECTIONS = signal.butter(6, SWEEPS_HZ, "bandpass", fs=RATE_HZ, output="sos")


class Trial(NamedTuple):
    """One click sent and what was read: outcome "found", "missed", "misread" or "more"; error in us; reported sigma in us."""

    speed_percent: float
    outcome: str
    error_us: float
    sigma_us: float


def trial(seed, *, over_hiss_db=10.0, speed_percent=None, most_percent=12.0, wow_percent=0.3, seconds=3.2, known=False):
    """Send one click and look for it.

    speed_percent: None draws it within +-most_percent; known: the search is told the true speed.
    """
    random = np.random.default_rng(seed)
    if speed_percent is None:
        speed_percent = random.uniform(-most_percent, most_percent)
    speed = 1 + speed_percent / 100
    number, end = int(random.integers(1, 256)), ("start", "end")[random.integers(2)]
    click = make_click(number, end, rate_hz=RATE_HZ, band_hz=SWEEPS_HZ)
    first = int(random.uniform(0.5, seconds - 1.0) * RATE_HZ)
    played = np.zeros(int(seconds * RATE_HZ))
    played[first : first + click.samples.size] = click.samples
    sent = record(
        played,
        speed=speed,
        wow=wow_percent / 100,
        wow_hz=random.uniform(0.5, 6.0),
        hiss_db=300,
        gain=0.05,
        band_hz=None,
        seed=seed,
    )
    polarity = 1 if random.random() < 0.5 else -1
    capture = polarity * sent.capture + company(sent.capture.size, over_hiss_db, 0.05, random)
    hits = find_clicks(capture, RATE_HZ, band_hz=SWEEPS_HZ, speed_hint=speed if known else None)
    return _judged(hits, speed_percent, (number, end, polarity), sent.capture_s((first + click.reference_sample) / RATE_HZ))


def company(count, over_hiss_db, sweep_peak, random):
    """Hiss, hum of 50 and 150 Hz as loud as the sweeps, and direct current.

    The sweeps' rms is their peak over the square root of two.
    """
    white = random.normal(size=count)
    in_band = np.sqrt(np.mean(np.square(signal.sosfilt(_SECTIONS, white))))
    hiss = white * sweep_peak / np.sqrt(2) / in_band * 10 ** (-over_hiss_db / 20)
    at_s = np.arange(count) / RATE_HZ
    hum = sweep_peak * (np.sin(2 * np.pi * 50 * at_s + 1) + 0.5 * np.sin(2 * np.pi * 150 * at_s))
    return hiss + hum + 0.02


def _judged(hits, speed_percent, sent, true_s):
    near = [hit for hit in hits if abs(hit.instant_s - true_s) < 0.02]
    if not near:
        return Trial(speed_percent, "missed", np.nan, np.nan)
    hit = near[0]
    error_us = 1e6 * (hit.instant_s - true_s)
    outcome = "found" if (hit.number, hit.end, hit.polarity) == sent else "misread"
    return Trial(speed_percent, "more" if len(hits) > 1 else outcome, error_us, hit.sigma_us)


def rms_error_us(trials):
    return float(np.sqrt(np.mean(np.square([one.error_us for one in trials]))))


def main(count):
    began = time.monotonic()
    trials = [trial(seed) for seed in range(count)]
    print("speed, %         trials  found  missed  misread  more than one   rms, us  median, us  worst, us")
    edges = (-12, -8, -4, 4, 8, 12)
    for low, high in itertools.pairwise(edges):
        part = [one for one in trials if low <= one.speed_percent < high]
        counts = [sum(one.outcome == kind for one in part) for kind in ("found", "missed", "misread", "more")]
        off_us = np.abs([one.error_us for one in part if one.outcome == "found"])
        print(
            f"{low:4d} to {high:4d}     {len(part):6d} {counts[0]:6d} {counts[1]:7d} {counts[2]:8d} {counts[3]:14d}"
            f"   {np.sqrt(np.mean(off_us**2)):7.2f} {np.median(off_us):11.2f} {off_us.max():10.2f}"
        )
    right = sum(one.outcome == "found" for one in trials)
    took_s = time.monotonic() - began
    print(f"found and read right: {right} of {count} at 10 dB in the band, wow 0.3 %; {took_s:.0f} s")
    return 0 if right == count else 1


if __name__ == "__main__":
    raise SystemExit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
