"""Returns from the project's simulated recorder, laid on their stem's time by the recorder's own true map: nothing of them
rests on the alignment, and the truth about hiss, level control and dropouts lies on the same time base.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from bounceproof.condition.measure import measure_condition
from bounceproof.reading import read_through
from bounceproof.recorder import simulate

RATE_HZ = 24000
BAND_HZ = (350.0, 4200.0)
LEAD_S, GAP_S, TAIL_S = 5.0, 1.5, 2.5
MOTION = {"replay": {"speed_percent": 1.2, "lines": [{"rate_hz": 2.3, "percent": 0.1}]}}


class Laid(NamedTuple):
    """stem, aligned, hiss: on one time base at RATE_HZ (hiss: what the recorder truly added); done: Simulated; values: those of
    alignment.json.
    """

    stem: np.ndarray
    aligned: np.ndarray
    hiss: np.ndarray
    done: object
    values: dict

    def measured(self, **more):
        return measure_condition(
            self.stem,
            self.aligned,
            self.done.capture,
            RATE_HZ,
            self.values,
            rate_hz=RATE_HZ,
            band_hz=BAND_HZ,
            transfer={"gap_s": GAP_S, "tail_s": TAIL_S},
            **more,
        )


def lay(stem, recorder, seed, *, old_recording=None):
    """The Laid of a stem sent through a simulated recorder; no clicks are sent, their places are told.

    old_recording: what is on the tape already, from where play is pressed.
    """
    start_s, song_s = LEAD_S + GAP_S, len(stem) / RATE_HZ
    sent = np.concatenate((np.zeros(int(start_s * RATE_HZ)), stem, np.zeros(int((GAP_S + TAIL_S) * RATE_HZ))))
    span_s = (start_s, start_s + song_s)
    done = simulate(sent, RATE_HZ, {**MOTION, **recorder}, seed=seed, stem_span_s=span_s, old_recording=old_recording)
    time_map = done.truth.time_map(start_s, song_s)
    read = {
        name: read_through(samples, RATE_HZ, time_map, start_s=0.0, count=len(stem), rate_hz=RATE_HZ)
        for name, samples in (("aligned", done.capture), ("hiss", done.truth.hiss))
    }
    start, end = done.truth.capture_at([LEAD_S, start_s + song_s + GAP_S])
    values = {
        "state": "aligned",
        "method": "follow",
        "simulated": True,
        "speed_percent": done.truth.speed_percent,
        "level_db": 0.0,
        "start_click_return_s": float(start),
        "end_click_return_s": float(end),
        "residual_rms_us": 0.0,
    }
    return Laid(stem, read["aligned"], read["hiss"], done, values)


@cache
def music(seconds, seed, *, notes_per_s=4.0, spread_db=12.0, rests=()):
    """Decaying notes of noise and harmonics, loud and soft within spread_db, silent within rests (pairs of s); peak 0.5."""
    random = np.random.default_rng(seed)
    out, tail = np.zeros(int(seconds * RATE_HZ)), np.arange(int(0.5 * RATE_HZ)) / RATE_HZ
    for k in range(int(seconds * notes_per_s)):
        start_s = k / notes_per_s + 0.02 * random.random()
        pitch_hz = 110.0 * 2.0 ** (random.integers(0, 24) / 12)
        phases = random.uniform(0, 6.28, 12)
        note = sum(np.sin(2 * np.pi * pitch_hz * h * tail + phases[h]) / h for h in range(1, 12)) + 0.4 * random.normal(
            size=tail.size
        )
        note *= np.exp(-tail / 0.15) * np.minimum(1, tail / 0.004) * 10 ** (-random.uniform(0, spread_db) / 20)
        if not any(a - 0.5 <= start_s < b for a, b in rests):
            start = int(start_s * RATE_HZ)
            out[start : start + tail.size] += note[: out.size - start]
    return 0.5 * out / np.abs(out).max()
