"""An independent recorder for tests: a file read at a speed that varies, band-limited, with hiss.

Nothing of it is shared with the project's own simulated recorder: reading between samples goes through scipy's cubic
interpolation of a four times oversampled signal, and speed is told in the capture's own time. Also: a sketch of a song's stems,
made of noise bursts and notes.

Conventions: times in s; speed = replay over record speed (1.01 = 1 % fast, the capture is short); hiss_db = rms of the hiss
under the rms of what was played.
"""

from typing import NamedTuple

import numpy as np
from scipy import ndimage, signal

RATE_HZ = 48000
BAND_HZ = (400.0, 4000.0)


class Recorded(NamedTuple):
    """The capture, and where in the played file (s) each of its samples lies."""

    capture: np.ndarray
    played_s: np.ndarray

    def capture_s(self, played_s, rate_hz=RATE_HZ):
        """Where in the capture a moment of the played file lies."""
        return np.interp(played_s, self.played_s, np.arange(len(self.played_s)) / rate_hz)


def drums(seconds, seed=1, *, rate_hz=RATE_HZ, step_s=0.25):
    """Strokes of a low drum and noise, unevenly spaced; peak 0.7."""
    random = np.random.default_rng(seed)
    out, tail = np.zeros(int(seconds * rate_hz)), np.arange(int(0.2 * rate_hz)) / rate_hz
    for k in range(int(seconds / step_s)):
        first = max(0, int((k * step_s + random.normal(0, 0.01)) * rate_hz))
        body = 0.7 * np.sin(2 * np.pi * 70 * tail) * np.exp(-tail / 0.06) if k % 2 == 0 else 0
        stroke = body + random.uniform(0.2, 0.6) * random.normal(size=tail.size) * np.exp(-tail / random.uniform(0.01, 0.05))
        piece = stroke[: out.size - first]
        out[first : first + piece.size] += piece
    return 0.7 * out / np.abs(out).max()


def plucks(seconds, seed=2, *, rate_hz=RATE_HZ, low_hz=110.0):
    """Plucked notes with ten harmonics, four a second; peak 0.6."""
    random = np.random.default_rng(seed)
    out, tail = np.zeros(int(seconds * rate_hz)), np.arange(int(0.6 * rate_hz)) / rate_hz
    for k in range(int(seconds * 4)):
        pitch_hz = low_hz * 2 ** (random.integers(0, 20) / 12)
        note = sum(np.sin(2 * np.pi * pitch_hz * h * tail + random.uniform(0, 6.3)) / h for h in range(1, 11))
        note *= np.exp(-tail / 0.2) * np.minimum(1.0, tail / 0.004)
        first = int(k * 0.25 * rate_hz)
        piece = note[: out.size - first]
        out[first : first + piece.size] += piece
    return 0.6 * out / np.abs(out).max()


def record(
    played,
    *,
    rate_hz=RATE_HZ,
    speed=1.0,
    wow=0.0,
    wow_hz=0.7,
    hiss_db=45.0,
    gain=0.5,
    band_hz=(60.0, 8000.0),
    before_s=0.8,
    after_s=0.6,
    seed=0,
):
    """One pass as Recorded. speed: a number, or a function of the capture's time (s); wow: peak of a sine of wow_hz around it."""
    random = np.random.default_rng(seed)
    limited = played if band_hz is None else signal.sosfilt(_sections(band_hz, rate_hz), played)
    limited = np.pad(limited, (int(before_s * rate_hz), int(after_s * rate_hz)))
    slowest = 0.2 if callable(speed) else speed * (1 - wow)
    at_s = np.arange(int(limited.size / slowest) + 2) / rate_hz
    now = (speed(at_s) if callable(speed) else np.full(at_s.size, speed)) + wow * np.sin(
        2 * np.pi * wow_hz * at_s + random.uniform(0, 6.3)
    )
    place = np.concatenate(([0.0], np.cumsum(0.5 * (now[1:] + now[:-1]))))
    place = place[place < limited.size - 1]
    four_times = signal.resample_poly(limited, 4, 1)
    capture = gain * ndimage.map_coordinates(four_times, [4 * place], order=3, mode="constant")
    return Recorded(capture + hiss(capture, hiss_db, random, rate_hz), place / rate_hz - int(before_s * rate_hz) / rate_hz)


def hiss(beside, below_db, random, rate_hz=RATE_HZ, band_hz=(200.0, 7000.0)):
    """Hiss whose rms lies below_db under that of `beside` where it sounds."""
    noise = signal.sosfilt(_sections(band_hz, rate_hz), random.normal(size=len(beside)))
    sounding = np.abs(beside) > 0.02 * np.abs(beside).max()
    level = np.sqrt(np.mean(np.square(beside[sounding]))) if sounding.any() else 1.0
    return noise * level * 10 ** (-below_db / 20) / np.sqrt(np.mean(np.square(noise)))


def worst_error_us(laid, capture_s, *, stem, stem_start_s, jumps_s=()):
    """Largest error of a Laid's known map where the stem plays, its constant aside, half a second and more from each jump.

    capture_s: sent time (s) -> capture time (s); stem_start_s: where the stem begins in what was sent.
    """
    assert laid.alignment["state"] == "aligned", laid.alignment["reason"]
    at_s = laid.time_map.stem_s
    error_us = 1e6 * (laid.time_map.return_s - capture_s(stem_start_s + at_s))
    power = np.interp(at_s, np.arange(stem.size) / RATE_HZ, stem**2)
    judged = np.isfinite(laid.time_map.sigma_us) & (power > 1e-4)
    for jump_s in jumps_s:
        judged &= np.abs(at_s - jump_s) > 0.5
    assert np.count_nonzero(judged) > 500
    return np.abs(error_us[judged] - np.median(error_us[judged])).max()


def _sections(band_hz, rate_hz):
    return signal.butter(2, [band_hz[0], min(band_hz[1], 0.45 * rate_hz)], "band", fs=rate_hz, output="sos")
