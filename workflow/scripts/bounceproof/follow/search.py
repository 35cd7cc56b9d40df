"""Where in a capture the music lies, when nothing at all is known: no click, no speed.

Conventions: a line is return = a + b * sent (s). Method: a few loud stretches of the stem, stretched to each speed in turn, are
correlated with the whole capture (normalised, by FFT); the best places are then judged by many short windows all over the song.
"""

from typing import NamedTuple

import numpy as np
from scipy import fft

from . import acquire
from .material import to_rate

RATE_HZ = 4000
STRETCH_S = 0.5
STRETCHES = 5
SPEED_STEP = 0.004
CANDIDATES = 12
JUDGES = 48


class Found(NamedTuple):
    """line (a, b); evidence: mean nats a window above chance; rival: the next best place's share of it; share: of windows that agree."""

    line: tuple
    evidence: float
    rival: float
    share: float


def search_line(finder, *, speed_search=0.12):
    """The most likely line of a capture, or None."""
    places = _candidates(finder, speed_search)
    if not places:
        return None
    judged = sorted(((judge(finder, a, b), a, b) for a, b in places), key=lambda one: -one[0][0])
    (total, share), a, b = judged[0]
    rivals = [one[0][0] for one in judged[1:] if abs(one[1] - a) > 0.08]
    return Found((a, b), total, max([0.0, *rivals]) / max(total, 1e-9), share)


def judge(finder, a, b, *, half_width_s=0.06):
    """(mean evidence above chance, share of windows that agree) of many windows near the line."""
    windows = judges(finder)
    score = finder.scores_at(windows, a, b, half_width_s)
    best = score.max(axis=1)
    middle = a + b * (windows * acquire.HOP + acquire.WINDOW / 2) / acquire.RATE_HZ
    inside = (middle > 0) & (middle < finder.back.seconds)
    gained = np.where(inside, np.maximum(best - _chance(score), 0.0), 0.0)
    return float(np.mean(np.minimum(gained, 20.0))), float(np.mean(gained > 3.0))


def _chance(score):
    """What the best of so many lags reaches when only chance is at work: its median lag's evidence, scaled to the extreme."""
    typical = np.median(score, axis=1) / np.log(2)
    return typical * np.log(max(score.shape[1] / 4, 2.0))


def judges(finder):
    """Windows spread over the song, the loudest of each part."""
    power = finder.power
    parts = np.array_split(np.arange(power.size), min(JUDGES, power.size))
    best = np.array([part[np.argmax(power[part])] for part in parts])
    return best[power[best] > 1e-4 * power.max()]


def _candidates(finder, speed_search):
    stem, back = to_rate(finder.sent, acquire.RATE_HZ, RATE_HZ), finder.capture(RATE_HZ)
    places = _stretches(finder)
    count = int(round(speed_search / SPEED_STEP))
    order = sorted(range(-count, count + 1), key=abs)
    size = fft.next_fast_len(back.size + int(2 * STRETCH_S * RATE_HZ), real=True)
    spectrum = fft.rfft(back, size)
    energy = np.concatenate((np.zeros(1), np.cumsum(back.astype(np.float64) ** 2)))
    found = []
    for k in order:
        b = 1 / (1 + k * SPEED_STEP)
        for first in places:
            found += _places(stem, first, b, spectrum, energy, size, back.size)
        if abs(k) >= 2 and _enough(found):
            break
    found.sort(key=lambda one: -one[0])
    return [(a, b) for _, a, b in found[:CANDIDATES]]


def _enough(found):
    return sum(score > 0.5 for score, *_ in found) >= 3


def _stretches(finder):
    """First samples (at RATE_HZ) of the loudest stretches, one in each part of the song."""
    windows = np.array_split(np.arange(finder.power.size), STRETCHES)
    loudest = [part[np.argmax(finder.power[part])] for part in windows if part.size]
    ratio = RATE_HZ / acquire.RATE_HZ
    last = max(0, int(finder.sent.size * ratio - STRETCH_S * RATE_HZ))
    return [min(int(w * acquire.HOP * ratio), last) for w in loudest]


def _places(stem, first, b, spectrum, energy, size, count):
    """The three best places of one stretch at one speed: (likeness, a, b)."""
    length = int(STRETCH_S * RATE_HZ)
    n = int(length * b)
    piece = np.interp(first + np.arange(n) / b, np.arange(stem.size), stem).astype(np.float32)
    piece = piece * np.hanning(n).astype(np.float32)
    c = fft.irfft(spectrum * np.conj(fft.rfft(piece, size)), size)[: max(1, count - n)]
    local = energy[n : n + c.size] - energy[: c.size]
    like = c**2 / (np.sum(piece**2) * local * 0.375 + 1e-9 * np.sum(piece**2) * local.max() + 1e-30)
    out = []
    for _ in range(3):
        at = int(np.argmax(like))
        out.append((float(like[at]), (at - first * b) / RATE_HZ, b))
        like[max(0, at - RATE_HZ // 20) : at + RATE_HZ // 20] = 0
    return out
