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
STRETCHES = 8
PLACES = 8
SPEED_STEP = 0.002
# Speeds within this are tried first: nearly every machine's.
USUAL_SPEED = 0.018
LINES, CANDIDATES = 120, 12
# Fewer windows than this agree by chance.
LEAST_AGREE = 4
JUDGES = 48
SURE_SHARE = 0.35
# Stretches that lost blocks leave whole, how near their places are to one line, and how many of them have to be.
PIECE_S, PIECE_PLACES, NEAR_LINE_S, LEAST_ON_LINE = 0.04, 4, 0.08, 0.18
# A place nearer than this to the best is the same: the coarse path will tell.
RIVAL_S = 0.12


class Found(NamedTuple):
    """line (a, b), surest about sent time start_s; evidence: mean nats a window above chance; rival: the next best place's
    share of
    it; share: of windows that agree."""

    line: tuple
    start_s: float
    evidence: float
    rival: float
    share: float


def search_line(finder, *, speed_search=0.12):
    """The most likely line of a capture (Found), or None."""
    found = _search(finder, min(USUAL_SPEED, speed_search))
    if (found is None or found.share < SURE_SHARE) and speed_search > USUAL_SPEED:
        wider = _search(finder, speed_search)
        found = max((one for one in (found, wider) if one), key=lambda one: one.evidence, default=None)
    return found


def _search(finder, speed_search):
    lines = _lines(_candidates(finder, speed_search), speed_search)[:LINES]
    lines.sort(key=lambda line: -judge(finder, line[0], line[1], every=4)[0])
    if not lines:
        return None
    judged = sorted(((judge(finder, a, b), a, b, t) for a, b, t in lines[:CANDIDATES]), key=lambda one: -one[0][0])
    (total, share), a, b, t = judged[0]
    rivals = [one[0][0] for one in judged[1:] if min(abs(one[1] - a + (one[2] - b) * at) for at in (t, one[3])) > RIVAL_S]
    return Found((a, b), t, total, max([0.0, *rivals]) / max(total, 1e-9), share)


def _lines(places, speed_search):
    """Lines (a, b, surest sent time), best first: through two places whose speeds agree with the line that joins them, or
    one alone."""
    lines = [(like**2 * 0.5, u - b * t, b, t) for like, t, u, b in places]
    for i, (like_i, t_i, u_i, b_i) in enumerate(places):
        for like_j, t_j, u_j, b_j in places[:i]:
            if abs(t_j - t_i) < 0.5 * STRETCH_S:
                continue
            slope = (u_j - u_i) / (t_j - t_i)
            loose = 1.5 * SPEED_STEP + 0.02 / abs(t_j - t_i)
            if abs(slope - b_i) < loose and abs(slope - b_j) < loose and abs(1 / slope - 1) < speed_search + SPEED_STEP:
                lines.append((like_i**2 + like_j**2, u_i - slope * t_i, slope, t_i if like_i > like_j else t_j))
    lines.sort(key=lambda one: -one[0])
    apart = []
    for _, a, b, t in lines:
        if all(abs(a + b * t - c - d * t) > 0.005 or abs(b - d) > 1e-3 for c, d, _ in apart):
            apart.append((a, b, t))
    return apart


def judge(finder, a, b, *, half_width_s=0.06, every=1):
    """(mean evidence above chance, share of windows that agree) of many windows near the line."""
    windows = judges(finder)[::every]
    score = finder.scores_at(windows, a, b, half_width_s)
    best = score.max(axis=1)
    middle = a + b * (windows * acquire.HOP + acquire.WINDOW / 2) / acquire.RATE_HZ
    inside = finder.within(middle)
    gained = np.where(inside, np.maximum(best - _chance(score), 0.0), 0.0)
    agree = np.count_nonzero(gained > 3.0)
    share = agree / np.count_nonzero(inside) if agree >= LEAST_AGREE / every else 0.0
    return float(np.mean(np.minimum(gained, 20.0))), share


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
    count = round(speed_search / SPEED_STEP)
    size = fft.next_fast_len(back.size + int(2 * STRETCH_S * RATE_HZ), real=True)
    spectra = fft.rfft(back, size), fft.rfft(back**2, size)
    found = []
    for k in range(-count, count + 1):
        b = 1 / (1 + k * SPEED_STEP)
        window = np.hanning(int(STRETCH_S * RATE_HZ * b)).astype(np.float32)
        local = fft.irfft(spectra[1] * np.conj(fft.rfft(window, size)), size)
        for first in places:
            found += _places(stem, first, b, window, spectra[0], local, back.size)
    found.sort(key=lambda one: -one[0])
    return [(like, t, a + b * t, b) for like, a, b, t in _best_of_each(found)]


def _best_of_each(found):
    """Of each stretch the PLACES best, not counting neighbours in speed."""
    kept = {}
    for one in found:
        mine = kept.setdefault(one[3], [])
        if len(mine) < PLACES and all(abs(one[1] + one[2] * one[3] - other[1] - other[2] * one[3]) > 0.01 for other in mine):
            mine.append(one)
    return [one for mine in kept.values() for one in mine]


def _stretches(finder):
    """First samples (at RATE_HZ) of the loudest stretches, one in each part of the song."""
    windows = np.array_split(np.arange(finder.power.size), STRETCHES)
    loudest = [part[np.argmax(finder.power[part])] for part in windows if part.size]
    ratio = RATE_HZ / acquire.RATE_HZ
    last = max(0, int(finder.sent.size * ratio - STRETCH_S * RATE_HZ))
    return [min(int(w * acquire.HOP * ratio), last) for w in loudest]


def _places(stem, first, b, window, spectrum, local, count):
    """The best places of one stretch at one speed: (likeness, a, b, sent time of its middle). local: the capture's energy
    there."""
    n, size = window.size, local.size
    piece = np.interp(first + np.arange(n) / b, np.arange(stem.size), stem).astype(np.float32)
    c = fft.irfft(spectrum * np.conj(fft.rfft(piece * window, size)), size)[: max(1, count - n)]
    local = local[: c.size]
    like = c**2 / (np.sum(window * piece**2) * (np.maximum(local, 0) + 1e-4 * local.max()) + 1e-30)
    out = []
    for _ in range(PLACES):
        at = int(np.argmax(like))
        out.append((float(like[at]), (at - first * b) / RATE_HZ, b, (first + STRETCH_S * RATE_HZ / 2) / RATE_HZ))
        like[max(0, at - RATE_HZ // 20) : at + RATE_HZ // 20] = 0
    return out


def missing_share(finder):
    """Which share of a capture is missing in many pieces (0 .. 1): short stretches lie in order, at their own speed, but too
    close.

    Method: the best place of each of many short stretches at its own speed; the line that most of them lie on (M. Fischler and
    R. Bolles, Communications of the ACM 24 (1981) 381). 0 where no line holds LEAST_ON_LINE of them, or nothing is missing.
    """
    stem, back, length = finder.sent, finder.capture(acquire.RATE_HZ), int(PIECE_S * acquire.RATE_HZ)
    if back.size < 4 * length or stem.size < 4 * length:
        return 0.0
    slope, share = _most_on_line(*_pieces(finder, stem, back, length))
    if share < LEAST_ON_LINE or not 0.5 < slope < 0.97:
        return 0.0
    # What chance makes of the same music: the capture backwards.
    chance = _most_on_line(*_pieces(finder, stem, np.ascontiguousarray(back[::-1]), length))[1]
    return 1 - slope if share > 1.6 * chance else 0.0


def _pieces(finder, stem, back, length):
    """(sent times, best places in the capture: pieces x PIECE_PLACES), s, of short loud pieces of the stem."""
    rate_hz = acquire.RATE_HZ
    size = fft.next_fast_len(back.size + length, real=True)
    spectrum, window = fft.rfft(back, size), np.hanning(length).astype(np.float32)
    local = np.maximum(fft.irfft(fft.rfft(back**2, size) * np.conj(fft.rfft(window, size)), size), 0)
    local += 1e-4 * local.max() + 1e-30
    times, places = [], []
    for w in judges(finder):
        first = min(_loudest(stem, w * acquire.HOP, length), stem.size - length)
        piece = stem[first : first + length] * window
        like = (fft.irfft(spectrum * np.conj(fft.rfft(piece, size)), size) ** 2 / local)[: back.size - length]
        times.append(first / rate_hz)
        places.append(_peaks(like, rate_hz // 50) / rate_hz)
    return np.array(times), np.array(places)


def _peaks(like, apart):
    """The PIECE_PLACES highest places of `like` (changed), `apart` samples or more from each other."""
    out = []
    for _ in range(PIECE_PLACES):
        out.append(int(np.argmax(like)))
        like[max(0, out[-1] - apart) : out[-1] + apart] = 0
    return np.array(out)


def _loudest(stem, first, length):
    """The first sample of the loudest `length` samples in the window that starts at `first`."""
    total = np.cumsum(np.concatenate(([0.0], stem[first : first + acquire.WINDOW] ** 2)))
    gained = total[length:] - total[:-length]
    return first + (int(np.argmax(gained)) if gained.size else 0)


def _most_on_line(times, places):
    """(slope, share): the line through two pieces' best places near which most pieces have one of theirs."""
    best = (0.0, 1.0)
    u = places[:, 0]
    for i in range(times.size):
        for j in range(i):
            slope = (u[i] - u[j]) / (times[i] - times[j]) if times[i] != times[j] else 0.0
            if 0.3 < slope < 1.1:
                away = np.abs(places - u[i] - slope * (times - times[i])[:, None])
                best = max(best, (float(np.mean(away.min(axis=1) < NEAR_LINE_S)), slope))
    return best[1], best[0]
