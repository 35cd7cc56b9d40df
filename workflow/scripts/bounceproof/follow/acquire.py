"""The coarse path: where each short stretch of what was sent lies in the capture, to a fraction of a millisecond.

Conventions: times in seconds; a *line* is return = a + b * sent; lags count from a line that moves along (the tube), in sent
time: return = a + b * (sent + lag).
Method: normalised correlation of the analytic signals of short windows, joined by dynamic programming with a quadratic price
on the change of lag and a capped price for a jump (R. Bellman, Dynamic Programming, 1957; the same idea as the pitch
tracker of B. Secrest and G. Doddington, ICASSP 1983). The tube is carried along by the speed found so far and widens where
the music does not agree, so that nothing limits how far the speed drifts in the end.
"""

from typing import NamedTuple

import numpy as np
from scipy import fft

from bounceproof import at_once
from bounceproof.compiling import compiled
from bounceproof.spectra import convolved

from .fields import medians
from .material import WORK_HZ, to_rate

RATE_HZ = 8000
WINDOW = 1024
HOP = 512
CHUNK = 32
JUMP_PRICE = 30.0
# Length of the frames by which the two are evened, and the least width of its smoothing.
GRID, SMOOTH_HZ = 8192, 12.0
# Above this share of common power one place is hardly better than another.
ALIKE = 0.8
# Lowest frequency compared, and the one where this share of the evened music or more lies above it.
LOW_HZ, ENOUGH_ABOVE = (60.0, 160.0), 0.3
# Chunks in a row for which music that was lost is sought at other speeds and far away.
LEAPS, LEAST_LOUD = 5, 6
# The usual speed is that of so many windows.
USUAL_WINDOWS = 47
# Two neighbours whose places differ by more than this (share of the time between, and s) lie on two sides of a jump.
BREAK_SPEED, BREAK_S = 0.05, 0.003


class Path(NamedTuple):
    """sent_s, return_s: middle of each window and where it lies; score: evidence in nats above chance; heard: its stem is
    loud enough."""

    sent_s: np.ndarray
    return_s: np.ndarray
    score: np.ndarray
    heard: np.ndarray


class Search(NamedTuple):
    """Half widths of the tube (s), tried in turn; speed_sd: how far the speed may wander between
    windows (fraction); turns: changes of speed tried where the music is lost; then far_s, how far (s) the capture may
    have run on meanwhile, at the old speed and at the factors of a speed switch."""

    half_widths_s: tuple = (0.05, 0.25, 1.2)
    speed_sd: float = 0.006
    turns: tuple = tuple(sign * 0.01 * k for k in range(1, 13) for sign in (1, -1))
    far_s: float = 6.0
    factors: tuple = (1.0, 0.5, 2.0)


class Finder:
    """Both signals at RATE_HZ, evened out in their spectra, for searching."""

    def __init__(self, sent, back):
        self.back = back
        samples, returned = at_once.together(
            lambda: to_rate(sent.samples, WORK_HZ, RATE_HZ),
            lambda: back.at(np.arange(int(back.seconds * RATE_HZ)) / RATE_HZ),
        )
        self.shape, stem_shape = _equalisers(samples, returned, _lowest(samples))
        self.sent = convolved(samples, stem_shape)
        self.windows = max(1, (self.sent.size - WINDOW) // HOP + 1)
        self.power = np.array([np.mean(self.sent[k * HOP : k * HOP + WINDOW] ** 2) for k in range(self.windows)])

    def scores(self, windows, a, b, half_width_s, *, bend=None):
        """Evidence (nats) of each window at each lag of a tube around a + b t (+ bend(t)): (windows, lags)."""
        if len(windows) > 1 and windows[1] < windows[0]:
            return self.scores(windows[::-1], a, b, half_width_s, bend=bend)[::-1]
        reach = int(half_width_s * RATE_HZ)
        size = fft.next_fast_len(WINDOW + 2 * reach, real=True)
        first = windows[0] * HOP - reach
        count = (len(windows) - 1) * HOP + size
        t = (first + np.arange(count)) / RATE_HZ
        along = a + b * t
        read = convolved(self.back.at(along if bend is None else along + bend(t)), self.shape)
        pieces = np.lib.stride_tricks.sliding_window_view(read, size)[::HOP]
        stem = np.stack([self.sent[w * HOP : w * HOP + WINDOW] for w in windows]) * _HANN
        return _evidence(stem, pieces, 2 * reach + 1, size)

    def scores_at(self, windows, a, b, half_width_s):
        """As `scores`, for windows that lie anywhere."""
        return np.concatenate([self.scores(windows[k : k + 1], a, b, half_width_s) for k in range(len(windows))])

    def capture(self, rate_hz):
        """The whole capture, evened, at a fraction of RATE_HZ."""
        t = np.arange(int(self.back.seconds * RATE_HZ)) / RATE_HZ
        return to_rate(convolved(self.back.at(t), self.shape), RATE_HZ, rate_hz)

    def loud(self, windows, *, down=1e-4):
        """Which windows have music whose power is above `down` times the loudest's."""
        return self.power[windows] > down * self.power.max() + 1e-30

    def within(self, return_s):
        """Which return times lie inside the capture, by half a window."""
        edge_s = 0.5 * WINDOW / RATE_HZ
        return (return_s > edge_s) & (return_s < self.back.seconds - edge_s)


_HANN = np.hanning(WINDOW + 2)[1:-1].astype(np.float32)


def _lowest(samples):
    """From which frequency up to compare: a recorder turns the phase of the lowest notes, so they are left out where there
    is more."""
    count = samples.size // 2048
    frames = samples[: count * 2048].reshape(-1, 2048)
    energy = np.mean(frames**2, axis=1)
    loud = frames[energy > 1e-2 * np.max(energy, initial=0.0)]
    evened = np.sqrt(np.abs(fft.rfft(loud[:: max(1, len(loud) // 400)] * np.hanning(2048).astype(np.float32), axis=1)))
    low, high = (evened[:, int(hz * 2048 / RATE_HZ) :] ** 2 for hz in LOW_HZ)
    share = np.mean(high.sum(axis=1) / (low.sum(axis=1) + 1e-30)) if len(loud) else 0.0
    return LOW_HZ[1] if share > ENOUGH_ABOVE else LOW_HZ[0]


def _mean_power(samples):
    """Mean power spectrum, smoothed over a sixth of an octave and at least SMOOTH_HZ, as a share of its largest value."""
    power = np.zeros(GRID // 2 + 1)
    window = np.hanning(GRID).astype(np.float32)
    frames = max(1, samples.size // GRID)
    for k in range(0, frames, max(1, frames // 200)):
        piece = samples[k * GRID : (k + 1) * GRID]
        power += np.abs(fft.rfft(piece * window[: piece.size], GRID)) ** 2
    index = np.arange(power.size)
    reach = np.maximum(index / 17.0, 0.5 * SMOOTH_HZ * GRID / RATE_HZ).astype(int)
    total = np.concatenate(([0.0], np.cumsum(power)))
    low, high = np.maximum(index - reach, 0), np.minimum(index + reach + 1, power.size)
    smooth = (total[high] - total[low]) / (high - low)
    return smooth / (smooth.max() + 1e-30) + 1e-6


def _equalisers(sent, returned, low_hz):
    """Impulses for the return and for the stem: the return's evens its mean power half way out, nothing below low_hz.

    The stem's makes it alike, so that what the machine does not carry neither counts as loud nor is missed, with the phase
    that a machine of that gain has if it is a minimum-phase one: a string's partials, not quite harmonic, otherwise agree
    better one period off.
    """
    own, back = at_once.each(_mean_power, (sent, returned))
    even = back**-0.25
    even[: int(low_hz * GRID / RATE_HZ)] = 0
    even /= even.max()
    gains = even, even * _minimum_phase(0.5 * np.log(back / own))
    # As impulses whose middle is their zero.
    return [np.roll(fft.irfft(gain), (GRID - 1) // 2).astype(np.float32) for gain in gains]


def _minimum_phase(log_gain):
    """The frequency response with this gain (natural logarithm) and minimum phase.

    Method: folded cepstrum (A. Oppenheim and R. Schafer, Discrete-Time Signal Processing, 1989, chapter 12).
    """
    cepstrum = fft.irfft(log_gain)
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2
    cepstrum[half + 1 :] = 0
    return np.exp(fft.rfft(cepstrum))


def _evidence(stem, pieces, lags, size):
    a = fft.rfft(stem, size, axis=1)
    cross = np.conj(a) * fft.rfft(pieces, size, axis=1)
    full = np.zeros((len(stem), size), np.complex64)
    full[:, : cross.shape[1]] = cross
    found = np.abs(fft.ifft(full, axis=1)[:, :lags]) * 2
    energy = fft.irfft(np.conj(fft.rfft(_HANN, size)) * fft.rfft(pieces**2, size, axis=1), size, axis=1)[:, :lags]
    energy = np.maximum(energy, 0) + 1e-6 * energy.max() + 1e-30
    own = np.sum(stem**2 / (_HANN + 1e-9), axis=1)[:, None] + 1e-30
    alike = np.minimum((found / own) * (found / energy), 0.98)
    # Of peaks that are all alike, none is to win for a little hum less: they tell the same, and the path decides.
    alike = np.minimum(alike, ALIKE) + 0.1 * np.maximum(alike - ALIKE, 0.0)
    return -_degrees(a) * np.log1p(-alike)


def _degrees(spectrum):
    """How many independent samples each window holds: its effective bandwidth times its length, at least 2."""
    power = np.abs(spectrum) ** 2
    bandwidth = power.sum(axis=1) ** 2 / (np.sum(power**2, axis=1) + 1e-30) / spectrum.shape[1]
    return np.clip(bandwidth * WINDOW / 4, 2.0, None)[:, None]


def find_path(finder, a, b, search, *, start_s=0.0):
    """Follow the capture from the line a + b t, known at sent time start_s, to both ends; returns a Path over all windows."""
    first = min(max(int(start_s * RATE_HZ) // HOP, 0), finder.windows - 1)
    onward = _run(finder, a, b, search, np.arange(first, finder.windows), None)
    if first == 0:
        return onward.path
    return _joined(_run(finder, a, b, search, np.arange(first - 1, -1, -1), onward.entry).path, onward.path)


class _Course(NamedTuple):
    """One direction followed: its Path, and the first window's best place as the line (a, b, reach, costs) to start the
    other from."""

    path: Path
    entry: tuple


def _run(finder, a, b, search, order, entry):
    """Window by window in `order`, from the costs of `entry` (costs, a, b, reach) where there are some."""
    step_s = HOP / RATE_HZ
    stiffness = 0.5 / (search.speed_sd * step_s * RATE_HZ) ** 2
    chunks, carried, lost, worths = [], entry, 0, []
    for first in range(0, order.size, CHUNK):
        windows = order[first : first + CHUNK]
        heard = finder.loud(windows) & finder.within(a + b * (windows * HOP + WINDOW / 2) / RATE_HZ)
        # Other speeds and far places are dear to search; music that is lost for good is not sought again and again.
        patient = lost < LEAPS
        usual = float(np.median(worths)) if worths else 0.0
        tube = _best_tube(
            finder, windows, a, b, search, carried, stiffness, heard, usual=usual, patient=patient, onward=order[0] <= order[-1]
        )
        lost = 0 if tube.agreed else lost + 1
        loud = np.count_nonzero(heard & finder.loud(windows, down=1e-2))
        if loud:
            worths.append(max(tube.worth, 0.0) / loud)
        gained = tube.score[np.arange(len(windows)), tube.lags]
        reach = int(tube.width * RATE_HZ)
        chunks.append((windows, tube.a, tube.b, reach, tube.came, heard, tube.score))
        carried = (tube.total[-1], tube.a, tube.b, reach)
        middle = (windows * HOP + WINDOW / 2) / RATE_HZ
        places = tube.a + tube.b * (middle + (tube.lags - reach) / RATE_HZ)
        if tube.agreed:
            a, b = _next_line(middle, places, gained, heard, tube.a, tube.b)
    path = _backtrack(chunks, carried[0])
    windows, a, b, reach, *_ = chunks[0]
    costs = -JUMP_PRICE * np.ones(2 * reach + 1)
    at = round(((path.return_s[0] - a) / b - path.sent_s[0]) * RATE_HZ) + reach
    near = np.abs(np.arange(2 * reach + 1) - at) < 40
    costs[near] = -stiffness * (np.arange(2 * reach + 1)[near] - at) ** 2
    return _Course(path, (costs, a, b, reach))


class _Tube(NamedTuple):
    """A chunk followed within a half width (s) of the line a + b t: evidence, dynamic programme, best lags; agreed; worth
    (nats)."""

    width: float
    a: float
    b: float
    score: np.ndarray
    total: np.ndarray
    came: np.ndarray
    lags: np.ndarray
    agreed: bool
    worth: float


def _best_tube(finder, windows, a, b, search, carried, stiffness, heard, *, usual, patient, onward):
    """The tube in which the loud windows find their music: wider ones, other speeds, other places are tried where they do not.

    usual: evidence a loud window has had so far; music that repeats agrees at wrong places too, but less.
    """
    loud = heard & finder.loud(windows, down=1e-2)
    pivot = (windows[0] * HOP + WINDOW / 2) / RATE_HZ

    def tube(width, turn=0.0, ahead_s=0.0):
        slope = b * (1 + turn)
        offset = a + (b - slope) * pivot + ahead_s
        score = finder.scores(windows, offset, slope, width)
        score = np.where(heard[:, None], score - medians(score)[:, None], 0.0)
        total, came = _viterbi(score, _carry(carried, offset, slope, windows[0], width), stiffness, JUMP_PRICE)
        lags = _trace(total, came)
        gained = score[np.arange(len(windows)), lags][loud]
        # What chance finds grows with the width searched.
        worth = float(np.sum(np.minimum(gained, 20.0)) - gained.size * 0.7 * np.log(width / 0.05))
        return _Tube(width, offset, slope, score, total, came, lags, _agrees(gained, width), worth)

    narrow = tube(search.half_widths_s[0])
    least = usual * np.count_nonzero(loud)
    # Faint music never agrees clearly; as long as it says what it has said before, nothing is wrong.
    if narrow.worth >= (0.5 if narrow.agreed else 0.3) * least and (narrow.agreed or usual > 0):
        return narrow
    found = [one for one in (narrow, *(tube(width) for width in search.half_widths_s[1:])) if one.agreed]
    # Few windows prove no other speed.
    patient = patient and np.count_nonzero(loud) >= LEAST_LOUD
    if patient and max([0.0, *(one.worth for one in found)]) <= 0.6 * least:
        found += [one for turn in search.turns if (one := tube(search.half_widths_s[1], turn)).agreed]
    if patient and onward and max([0.0, *(one.worth for one in found)]) <= 0.6 * least:
        leaps = [tube(search.far_s, 1 / factor - 1, 0.5 * search.far_s) for factor in search.factors]
        found += [one for one in leaps if one.agreed]
    return max(found, key=lambda one: one.worth, default=narrow)


def from_both_ends(path, other, search):
    """The Path that follows `path` up to one window and `other`, which came from the far end, from there on.

    Where music repeats both agree with it everywhere, but only the true place does so without leaps: the prices of those count.
    """
    gained = [np.where(one.heard, np.clip(one.score, 0.0, 20.0), 0.0) - _leaps(one, search) for one in (path, other)]
    ahead = np.concatenate(([0.0], np.cumsum(gained[0] - gained[1])))
    best = np.flatnonzero(ahead > ahead.max() - 1.0)
    # In a rest every window is as good; the middle one is taken.
    at = int(best[best.size // 2])
    return Path(*(np.concatenate((one[:at], two[at:])) for one, two in zip(path, other, strict=True)))


def _leaps(path, search):
    """What each window's change of place costs, beyond the speed that is usual about it."""
    from scipy.ndimage import median_filter

    step_s = HOP / RATE_HZ
    speed = np.diff(path.return_s, prepend=path.return_s[0] - step_s) / step_s
    away = (speed - median_filter(speed, USUAL_WINDOWS, mode="nearest")) / search.speed_sd
    return np.minimum(0.5 * away**2, JUMP_PRICE)


def refined(finder, a, b, search, path, bend, *, half_width_s=0.02):
    """The Path found anew in a narrow tube round a map a + b t + bend(t), of which it may be told at what speed it runs."""
    stiffness = 0.5 / (search.speed_sd * HOP) ** 2
    reach = int(half_width_s * RATE_HZ)
    score = np.concatenate(
        [
            finder.scores(np.arange(first, min(first + CHUNK, finder.windows)), a, b, half_width_s, bend=bend)
            for first in range(0, finder.windows, CHUNK)
        ]
    )
    score = np.where(path.heard[:, None], score - medians(score)[:, None], 0.0)
    lags = _trace(*_viterbi(score, np.zeros(2 * reach + 1), stiffness, JUMP_PRICE))
    return path._replace(
        return_s=a + b * path.sent_s + bend(path.sent_s) + b * (lags - reach) / RATE_HZ,
        score=score[np.arange(lags.size), lags],
    )


def _joined(backward, onward):
    return Path(*(np.concatenate((one[::-1], other)) for one, other in zip(backward, onward, strict=True)))


def _agrees(gained, width_s=0.05):
    """Whether the loud windows of a chunk find their music; where none is loud there is nothing to say."""
    return gained.size == 0 or np.mean(gained > 3.0 + 0.7 * np.log(width_s / 0.05)) > 0.4


def _carry(carried, a, b, window, half_width_s):
    """Costs of the last chunk's last window laid onto the lags of the next tube."""
    reach = int(half_width_s * RATE_HZ)
    if carried is None:
        return np.zeros(2 * reach + 1)
    totals, a0, b0, reach0 = carried
    t = (window * HOP + WINDOW / 2) / RATE_HZ
    places = a + b * (t + (np.arange(2 * reach + 1) - reach) / RATE_HZ)
    index = np.rint(((places - a0) / b0 - t) * RATE_HZ).astype(int) + reach0
    inside = (index >= 0) & (index < totals.size)
    out = np.full(2 * reach + 1, totals.max() - JUMP_PRICE)
    out[inside] = np.maximum(totals[index[inside]], totals.max() - JUMP_PRICE)
    return out


def _next_line(middle, places, gained, heard, a, b):
    """The line for the next chunk: through the end of this one, at the speed of its trusted windows."""
    good = heard & (gained > 4.0)
    good &= np.arange(good.size) >= _last_break(middle, places, good, b)
    if good.sum() < 6:
        end = np.median((places - b * middle)[good]) if good.any() else a
        return (end, b) if good.sum() > 2 else (a, b)
    t, u, w = middle[good], places[good], np.sqrt(np.minimum(gained[good], 30.0))
    slope = np.polyfit(t - middle[-1], u, 1, w=w)[0]
    trust = min(1.0, np.ptp(t) / 1.0)
    slope = b + trust * (slope - b)
    slope = min(max(slope, 0.85 * b), 1.18 * b)
    end = np.average(u - slope * (t - middle[-1]), weights=w * np.exp(-np.abs(t - middle[-1]) / 0.5))
    return end - slope * middle[-1], slope


def _last_break(middle, places, good, b):
    """The first window after the last jump among the trusted ones."""
    index = np.flatnonzero(good)
    apart = np.abs(np.diff(places[index] - b * middle[index])) > BREAK_SPEED * np.abs(np.diff(middle[index])) + BREAK_S
    return int(index[1:][apart][-1]) if apart.any() else 0


def _backtrack(chunks, last_total):
    lag = int(np.argmax(last_total))
    sent, back, score, heard = [], [], [], []
    upper, first = None, 0
    for windows, a, b, reach, came, loud, evidence in reversed(chunks):
        if upper is not None:
            a1, b1, reach1 = upper
            t = (first * HOP + WINDOW / 2) / RATE_HZ
            place = a1 + b1 * (t + (lag - reach1) / RATE_HZ)
            lag = min(max(round(((place - a) / b - t) * RATE_HZ) + reach, 0), 2 * reach)
        places = np.empty(len(windows), np.int64)
        for k in range(len(windows) - 1, -1, -1):
            places[k] = lag
            lag = int(came[k, lag])
        middle = (windows * HOP + WINDOW / 2) / RATE_HZ
        sent.append(middle)
        back.append(a + b * (middle + (places - reach) / RATE_HZ))
        score.append(evidence[np.arange(len(windows)), places])
        heard.append(loud)
        upper, first = (a, b, reach), windows[0]
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


@compiled()
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
        best, where = total[k], came[k]
        for j in range(lags):
            best[j] = before[best_any] - jump_price
            where[j] = best_any
        for change in range(-min(far, lags - 1), min(far, lags - 1) + 1):
            _take_change(best, where, before, stiffness * change**2, change)
        for j in range(lags):
            best[j] += score[k, j]
        before = best
    return total, came


@compiled()
def _take_change(best, where, before, price, change):
    """Take one change of lag wherever it is better. All lags in turn, so that the processor takes several in one go."""
    count, to = before.size - abs(change), max(0, -change)
    told, best, where = before[to + change :], best[to:], where[to:]
    for j in range(count):
        value = told[j] - price
        better = value > best[j]
        best[j] = value if better else best[j]
        where[j] = np.int32(to + change + j) if better else where[j]
