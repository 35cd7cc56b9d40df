"""Too hot or too low: how far the peaks of what was recorded lie over the level where tape counts as full.

Conventions: `over_db` > 0 is too hot; 0 dB is the level at which a sine has 3 % third harmonic, which tape's maximum output
level is counted by (DIN 45500-4; IEC 60094-5). Second and third harmonic are those a sine as high as the peaks would have, in
per cent. A level control's ride is taken into account; a converter that clips is not tape overload and is told elsewhere
(`capture`).
"""

from functools import cache, partial

import numpy as np

from bounceproof import spectra
from bounceproof.quantities import DB_PER_POWER_RATIO, amplitude_db

_BLOCK_S = 1.0
_BLOCKS = 16
_THIRD_AT_FULL = 0.03
_BELIEVED_SD = 3.0
# What a curve of one parameter leaves of a tape's own, and a band's phase of its peaks (tests/bench/intervals.py).
_CURVE_SD_DB = 0.2
_COARSE = 1.5 ** np.arange(-2.0, 4.0)
_FINE = 1.15 ** np.arange(-2.0, 3.0)
_ROUNDS = 2
# Shares of the machine's response (in dB) that may lie before the tape: none, half of it, all.
_BEFORE = {"stem": 0.0, "half the band": 0.5, "record band": 1.0}


def measure_overload(explained, stem, rate_hz, taps, gain):
    """dict of over_db, sigma_db, room_at_least_db, second_percent, second_sigma_percent, third_percent, third_sigma_percent,
    heard_through ("stem", "half the band", "record band": what of the response lies before the tape), or None where there is
    too little sound.

    explained: with the ride on; stem: at rate_hz; taps: response at the working rate; gain: ride per working sample.
    Method: over the 16 loudest seconds the return is set against the stem, its square and its cube, each through the response, by
    least squares; what leaving one second out at a time makes of it is the error (jackknife). Where the cube stands 3 sd clear,
    the tape's curve (a hyperbolic tangent) is fitted in its place, and the response anew behind it. What reached the tape may
    have been limited to its band already, in part or wholly: each is tried and the best one kept. over_db is None where no
    overload is seen; the room up to it is then at least so much (95 %).
    """
    factor = round(rate_hz / explained.rate_hz)
    blocks = _loudest_blocks(explained)
    if len(blocks) < 4:
        return None
    tries = [
        _Try(name, explained, blocks, *_tape_and_rest(share, explained, stem, factor, taps, gain, blocks))
        for name, share in _BEFORE.items()
    ]
    best = min((one for one in tries if one.peak > 0), key=lambda one: one.left, default=None)
    return None if best is None else best.record()


def _loudest_blocks(explained):
    """First samples of the loudest seconds, loudest first; those 30 dB under the first are left out."""
    size = round(_BLOCK_S * explained.rate_hz)
    count = len(explained.expected) // size
    power = (explained.expected[: count * size] ** 2).reshape(count, size).mean(axis=1)
    order = [k for k in np.argsort(-power, kind="stable")[:_BLOCKS] if power[k] > 1e-3 * power.max()]
    return sorted(int(k) * size for k in order)


def _tape_and_rest(share, explained, stem, factor, taps, gain, blocks):
    """(what reached the tape in each block, finely sampled so that its cube does not fold back; by which factor; the response
    after).

    share: of the response (in dB) that lies before the tape. That part is given the phase of a minimum-phase filter, as heads and
    amplifiers have; the rest of response and phase lies after.
    """
    from bounceproof.audio import resample
    from bounceproof.condition.explained import through

    size = round(_BLOCK_S * explained.rate_hz)
    if share == 0.0:
        pieces = [np.asarray(stem[first * factor : (first + size) * factor], dtype=float) for first in blocks]
        ride = [np.repeat(gain[first : first + size], factor) for first in blocks]
        return [piece * by[: len(piece)] for piece, by in zip(pieces, ride, strict=True)], factor, taps
    before, after = _split(taps, share)
    fine = max(2, factor)
    reach = len(before)
    laid = []
    for first in blocks:
        start = max(0, first - reach)
        part = explained.stem[start : first + size] * gain[start : first + size]
        laid.append(resample(through(part, before)[first - start :], 1, fine))
    return laid, fine, after


def _split(taps, share):
    """(taps before, taps after): |response|^share with minimum phase (by the cepstrum), and what remains."""
    count = 8 * 2 ** int(np.ceil(np.log2(len(taps))))
    middle = len(taps) // 2
    placed = np.zeros(count)
    placed[: len(taps)] = taps
    whole = np.fft.fft(np.roll(placed, -middle))
    size = np.maximum(np.abs(whole), 1e-3 * np.abs(whole).max())
    cepstrum = np.fft.ifft(share * np.log(size)).real
    fold = np.zeros(count)
    fold[0], fold[1 : count // 2], fold[count // 2] = 1.0, 2.0, 1.0
    first = np.exp(np.fft.fft(cepstrum * fold))
    out = []
    for spectrum in (first, whole / first):
        impulse = np.roll(np.fft.ifft(spectrum).real, middle)
        out.append(impulse[: len(taps)])
    return out


class _Try:
    """One idea of what reached the tape, set against the return."""

    def __init__(self, name, explained, blocks, dense, factor, taps):
        self.name, self.rate_hz, self.factor, self.taps = name, explained.rate_hz, factor, taps
        size = round(_BLOCK_S * explained.rate_hz)
        self.returned = [explained.aligned[first : first + size] for first in blocks]
        self.dense = dense
        self.peak = float(np.percentile(np.abs(np.concatenate(dense)), 99.99))
        if self.peak > 0:
            self.dense = [part / self.peak for part in dense]
            self.sums = [self._sums(*pair) for pair in zip(self.dense, self.returned, strict=True)]
            self.left = self._solved(range(len(self.sums)))[1]

    def _heard(self, dense):
        """A block as it comes back: at the working rate, through the response where that is not in it yet."""
        from bounceproof.condition.explained import through

        return through(self._at_working_rate(dense), self.taps)

    def _at_working_rate(self, dense):
        from bounceproof.audio import resample

        return resample(dense, self.factor, 1) if self.factor > 1 else dense

    def _sums(self, dense, returned):
        """Normal equations of a block; its ends, where the response has not settled, left out."""
        square = dense * dense
        parts = [self._heard(one) for one in (dense, square, square * dense)]
        count = min(len(returned), len(parts[0]))
        edge = min(count // 8, 600)
        rows = np.array([*(part[:count] for part in parts), returned[:count]])[:, edge : count - edge]
        return rows @ rows.T

    def _solved(self, chosen):
        """((second, third) coefficient re the first, power left)."""
        whole = sum(self.sums[k] for k in chosen)
        scale = np.sqrt(np.maximum(np.diag(whole)[:3], 1e-30))
        normal = whole[:3, :3] / np.outer(scale, scale) + 1e-9 * np.eye(3)
        found = np.linalg.solve(normal, whole[:3, 3] / scale) / scale
        left = whole[3, 3] - found @ whole[:3, 3]
        return found[1:] / found[0], float(left)

    def _jackknife(self):
        """(coefficients, their sd) over blocks."""
        number = len(self.sums)
        all_in, _ = self._solved(range(number))
        without = np.array([self._solved([k for k in range(number) if k != out])[0] for out in range(number)])
        return all_in, np.sqrt((number - 1) / number * np.sum((without - without.mean(axis=0)) ** 2, axis=0))

    def _tangent_slope(self, start, grids):
        """Slope s of tanh(s u) / s that fits best, from around `start`: on grids, then by a parabola through the lowest point."""
        # Grids share slopes: all of them where the middle of the one before was the best.
        left_by = cache(partial(self._left_by, squares=[self._heard(dense * dense) for dense in self.dense]))
        for ratios in grids:
            slopes = start * ratios
            left = np.array([left_by(slope) for slope in slopes])
            k = int(np.clip(left.argmin(), 1, len(left) - 2))
            start = slopes[k]
        bend = left[k - 1] - 2 * left[k] + left[k + 1]
        shift = 0.5 * (left[k - 1] - left[k + 1]) / bend if bend > 0 else 0.0
        return float(start * (slopes[1] / slopes[0]) ** np.clip(shift, -1, 1))

    def _curve(self, start):
        """Slope of the tape's curve, from around `start`.

        A response between stem and return has taken part of the overload for its own, more of it where the loud sound lies: it is
        fitted anew between what the curve makes of the stem and the return, and the curve again behind it.
        """
        slope = self._tangent_slope(start, (_COARSE, _FINE))
        for _ in range(_ROUNDS):
            self.taps = self._response_behind(slope)
            slope = self._tangent_slope(slope, (_FINE, _FINE))
        return slope

    def _response_behind(self, slope):
        """Taps of the response between the tape's curve and the return."""
        from bounceproof.condition.explained import response_taps

        segment, total, averages = spectra.segment_samples(self.rate_hz), 0.0, 0.0
        for dense, returned in zip(self.dense, self.returned, strict=True):
            tape = self._at_working_rate(np.tanh(slope * dense) / slope)
            count = min(len(tape), len(returned))
            both = spectra.spectral_matrix([tape[:count], returned[:count]], self.rate_hz, segment=segment)
            total, averages = total + both.matrix, averages + both.averages
        return response_taps(spectra.SpectralMatrix(both.freq_hz, total / len(self.dense), averages), self.rate_hz, 1)

    def _left_by(self, slope, squares):
        """Power left over by the curve of a slope and the square (squares: as it comes back in each block)."""
        total = np.zeros((3, 3))
        for dense, square, returned in zip(self.dense, squares, self.returned, strict=True):
            parts = [self._heard(np.tanh(slope * dense) / slope), square]
            count = min(len(returned), len(parts[0]))
            edge = min(count // 8, 600)
            rows = np.array([*(part[:count] for part in parts), returned[:count]])[:, edge : count - edge]
            total += rows @ rows.T
        found = np.linalg.solve(total[:2, :2] + 1e-12 * np.trace(total[:2, :2]) * np.eye(2), total[:2, 2])
        return total[2, 2] - found @ total[:2, 2]

    def record(self):
        (second, third), (second_sd, third_sd) = self._jackknife()
        out = {
            "over_db": None,
            "sigma_db": None,
            "room_at_least_db": None,
            "second_percent": float(50.0 * abs(second)),
            "second_sigma_percent": float(50.0 * second_sd),
            "third_percent": float(25.0 * abs(third)),
            "third_sigma_percent": float(25.0 * third_sd),
            "heard_through": self.name,
        }
        if third < -_BELIEVED_SD * third_sd:
            slope = self._curve(np.sqrt(3.0 * -third))
            # tanh(s u): third harmonic of a sine of peak u is (s u)^2 / 12 as long as it is small; 3 % are reached at s u = 0.62.
            out["over_db"] = float(amplitude_db(slope / _full_slope()))
            out["sigma_db"] = float(np.hypot(DB_PER_POWER_RATIO * third_sd / -third, _CURVE_SD_DB))
        else:
            most = max(-third, 0.0) + 1.96 * third_sd
            out["room_at_least_db"] = float(-amplitude_db(np.sqrt(3.0 * most) / _full_slope())) if most > 0 else None
        return out


def _full_slope():
    """Slope s at which tanh(s sin) has 3 % third harmonic, by bisection over its Fourier series."""
    low, high = 0.1, 2.0
    wave = np.sin(2.0 * np.pi * np.arange(128) / 128)
    for _ in range(40):
        middle = 0.5 * (low + high)
        sizes = np.abs(np.fft.rfft(np.tanh(middle * wave)))
        low, high = (middle, high) if sizes[3] / sizes[1] < _THIRD_AT_FULL else (low, middle)
    return 0.5 * (low + high)
