"""The coarse path: where each short stretch of what was sent lies in the capture, to a fraction of a millisecond.

Conventions: times in seconds; a *line* is return = a + b * sent; lags count from a line that moves along (the tube).
Method: normalised correlation of the analytic signals of short windows, joined by dynamic programming with a quadratic price
on the change of lag and a capped price for a jump (R. Bellman, Dynamic Programming, 1957; the same idea as the pitch
tracker of B. Secrest and G. Doddington, ICASSP 1983). The tube is carried along by the speed found so far and widens where
the music does not agree, so that nothing limits how far the speed drifts in the end.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from scipy import fft

from .material import WORK_HZ, to_rate

RATE_HZ = 8000
WINDOW = 1024
HOP = 512
CHUNK = 32
JUMP_PRICE = 30.0


class Path(NamedTuple):
    """sent_s, return_s: middle of each window and where it lies; score: evidence in nats above chance; heard: its stem is loud enough."""

    sent_s: np.ndarray
    return_s: np.ndarray
    score: np.ndarray
    heard: np.ndarray


class Search(NamedTuple):
    """Half widths of the tube (s), tried in turn; speed_sd: how far the speed may wander between windows (fraction)."""

    half_widths_s: tuple = (0.05, 0.25, 1.0)
    speed_sd: float = 0.006
    first_half_width_s: float = 0.05


class Finder:
    """Both signals at RATE_HZ, evened out in their spectra, for searching."""

    def __init__(self, sent, back):
        self.sent = _even(to_rate(sent.samples, WORK_HZ, RATE_HZ))
        self.back = back
        self.windows = max(1, (self.sent.size - WINDOW) // HOP + 1)
        self.power = np.array([np.mean(self.sent[k * HOP : k * HOP + WINDOW] ** 2) for k in range(self.windows)])
        self.shape = _equaliser(back)

    def scores(self, windows, a, b, half_width_s):
        """Evidence (nats) of each window at each lag of a tube around the line a + b t: (windows, lags)."""
        reach = int(half_width_s * RATE_HZ)
        size = fft.next_fast_len(WINDOW + 2 * reach, real=True)
        first = windows[0] * HOP - reach
        count = (len(windows) - 1) * HOP + size
        t = (first + np.arange(count)) / RATE_HZ
        read = _filtered(self.back.at(a + b * t), self.shape)
        pieces = np.lib.stride_tricks.sliding_window_view(read, size)[::HOP]
        stem = np.stack([self.sent[w * HOP : w * HOP + WINDOW] for w in windows]) * _HANN
        return _evidence(stem, pieces, 2 * reach + 1, size)

    def scores_at(self, windows, a, b, half_width_s):
        """As `scores`, for windows that lie anywhere."""
        return np.concatenate([self.scores(windows[k : k + 1], a, b, half_width_s) for k in range(len(windows))])

    def capture(self, rate_hz):
        """The whole capture, evened, at a fraction of RATE_HZ."""
        t = np.arange(int(self.back.seconds * RATE_HZ)) / RATE_HZ
        return to_rate(_filtered(self.back.at(t), self.shape), RATE_HZ, rate_hz)

    def loud(self, windows, *, down=1e-4):
        """Which windows have music whose power is above `down` times the loudest's."""
        return self.power[windows] > down * self.power.max() + 1e-30


_HANN = np.hanning(WINDOW + 2)[1:-1].astype(np.float32)


def _even(samples):
    return _filtered(samples, _equaliser_of(samples))


def _equaliser_of(samples):
    """Gain per bin of 1 / fourth root of the mean power: half way to a flat spectrum, none below 60 Hz."""
    frames = max(1, samples.size // 2048)
    power = np.zeros(1025)
    for k in range(0, frames, max(1, frames // 400)):
        piece = samples[k * 2048 : (k + 1) * 2048]
        power += np.abs(fft.rfft(piece, 2048)) ** 2
    power = np.convolve(power, np.ones(25) / 25, mode="same")
    gain = (power + 1e-6 * power.max() + 1e-30) ** -0.25
    gain[: int(60 * 2048 / RATE_HZ)] = 0
    return (gain / gain.max()).astype(np.float32)


def _equaliser(back):
    t = np.arange(int(back.seconds * RATE_HZ)) / RATE_HZ
    return _equaliser_of(back.at(t))


def _filtered(samples, gain):
    size = fft.next_fast_len(samples.size + 2048, real=True)
    spectrum = fft.rfft(samples.astype(np.float32), size)
    spectrum *= np.interp(np.linspace(0, 1, spectrum.size), np.linspace(0, 1, gain.size), gain).astype(np.float32)
    return fft.irfft(spectrum, size)[: samples.size]


def _evidence(stem, pieces, lags, size):
    a = fft.rfft(stem, size, axis=1)
    cross = np.conj(a) * fft.rfft(pieces, size, axis=1)
    full = np.zeros((len(stem), size), np.complex64)
    full[:, : cross.shape[1]] = cross
    found = np.abs(fft.ifft(full, axis=1)[:, :lags]) * 2
    energy = fft.irfft(np.conj(fft.rfft(_HANN, size)) * fft.rfft(pieces**2, size, axis=1), size, axis=1)[:, :lags]
    energy = np.maximum(energy, 0) + 1e-6 * energy.max() + 1e-30
    own = np.sum(stem**2 / (_HANN + 1e-9), axis=1)[:, None] + 1e-30
    alike = np.minimum(found**2 / (own * energy), 0.98)
    return -_degrees(a) * np.log1p(-alike)


def _degrees(spectrum):
    """How many independent samples each window holds: its effective bandwidth times its length, at least 2."""
    power = np.abs(spectrum) ** 2
    bandwidth = power.sum(axis=1) ** 2 / (np.sum(power**2, axis=1) + 1e-30) / spectrum.shape[1]
    return np.clip(bandwidth * WINDOW / 4, 2.0, None)[:, None]


def find_path(finder, a, b, search, *, backwards=False):
    """Follow the capture from the line a + b t on, window by window; returns a Path over all windows."""
    step_s = HOP / RATE_HZ
    stiffness = 0.5 / (search.speed_sd * step_s * RATE_HZ) ** 2
    chunks, carried = [], None
    half = search.first_half_width_s
    for first in range(0, finder.windows, CHUNK):
        windows = np.arange(first, min(first + CHUNK, finder.windows))
        heard = finder.loud(windows)
        for width in [w for w in search.half_widths_s if w >= half] or [search.half_widths_s[-1]]:
            entry = _carry(carried, a, b, windows[0], width)
            score = finder.scores(windows, a, b, width)
            level = np.median(score, axis=1, keepdims=True)
            score = np.where(heard[:, None], score - level, 0.0)
            total, came = _viterbi(score, entry, stiffness, JUMP_PRICE)
            lags = _trace(total, came)
            gained = score[np.arange(len(windows)), lags]
            if _agrees(gained[finder.loud(windows, down=1e-2)]):
                break
        reach = int(width * RATE_HZ)
        chunks.append((windows, a, b, reach, came, heard, score))
        carried = (total[-1], a, b, reach)
        middle = (windows * HOP + WINDOW / 2) / RATE_HZ
        places = a + b * middle + (lags - reach) / RATE_HZ
        a, b = _next_line(middle, places, gained, heard, a, b)
    return _backtrack(chunks, carried[0])


def _agrees(gained):
    """Whether the loud windows of a chunk find their music; where none is loud there is nothing to say."""
    return gained.size == 0 or np.mean(gained > 3.0) > 0.4


def _carry(carried, a, b, window, half_width_s):
    """Costs of the last chunk's last window laid onto the lags of the next tube."""
    reach = int(half_width_s * RATE_HZ)
    if carried is None:
        return np.zeros(2 * reach + 1)
    totals, a0, b0, reach0 = carried
    t = (window * HOP + WINDOW / 2) / RATE_HZ
    shift = round((a + b * t - a0 - b0 * t) * RATE_HZ)
    index = np.arange(2 * reach + 1) - reach + shift + reach0
    inside = (index >= 0) & (index < totals.size)
    out = np.full(2 * reach + 1, totals.max() - 1e6)
    out[inside] = totals[index[inside]]
    return out


def _next_line(middle, places, gained, heard, a, b):
    """The line for the next chunk: through the end of this one, at the speed of its trusted windows."""
    good = heard & (gained > 4.0)
    if good.sum() < 6:
        return a, b
    t, u, w = middle[good], places[good], np.sqrt(np.minimum(gained[good], 30.0))
    slope, offset = np.polyfit(t - middle[-1], u, 1, w=w)
    trust = min(1.0, np.ptp(t) / 1.0)
    slope = b + trust * (slope - b)
    slope = min(max(slope, 0.7), 1.45)
    end = np.average(u - slope * (t - middle[-1]), weights=w * np.exp((t - middle[-1]) / 0.5))
    return end - slope * middle[-1], slope


def _backtrack(chunks, last_total):
    lag = int(np.argmax(last_total))
    sent, back, score, heard = [], [], [], []
    upper = None
    for windows, a, b, reach, came, loud, evidence in reversed(chunks):
        if upper is not None:
            a1, b1, reach1 = upper
            t = (windows[-1] + 1) * HOP / RATE_HZ + WINDOW / 2 / RATE_HZ
            shift = round((a1 + b1 * t - a - b * t) * RATE_HZ)
            lag = min(max(lag - reach1 + shift + reach, 0), 2 * reach)
        places = np.empty(len(windows), np.int64)
        for k in range(len(windows) - 1, -1, -1):
            places[k] = lag
            lag = int(came[k, lag])
        middle = (windows * HOP + WINDOW / 2) / RATE_HZ
        sent.append(middle)
        back.append(a + b * middle + (places - reach) / RATE_HZ)
        score.append(evidence[np.arange(len(windows)), places])
        heard.append(loud)
        upper = (a, b, reach)
    join = lambda parts: np.concatenate(parts[::-1])  # noqa: E731
    return Path(join(sent), join(back), join(score), join(heard))


def _trace(total, came):
    """The best path's lag in each window."""
    lags = np.empty(len(total), np.int64)
    lag = int(np.argmax(total[-1]))
    for k in range(len(total) - 1, -1, -1):
        lags[k] = lag
        lag = came[k, lag]
    return lags


@njit(cache=True, nogil=True)
def _viterbi(score, entry, stiffness, jump_price):
    """Largest sum of scores less prices: a change of lag d costs stiffness d^2, at most jump_price. came[k] leads to k - 1."""
    steps, lags = score.shape
    total = np.empty((steps, lags))
    came = np.empty((steps, lags), np.int32)
    far = int(np.sqrt(jump_price / stiffness)) + 1
    before = entry
    for k in range(steps):
        best_any = 0
        for j in range(1, lags):
            if before[j] > before[best_any]:
                best_any = j
        for j in range(lags):
            best, where = before[best_any] - jump_price, best_any
            for i in range(max(0, j - far), min(lags, j + far + 1)):
                value = before[i] - stiffness * (i - j) ** 2
                if value > best:
                    best, where = value, i
            total[k, j] = best + score[k, j]
            came[k, j] = where
        before = total[k]
    return total, came
