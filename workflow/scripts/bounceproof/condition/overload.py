"""Too hot or too low: how far the peaks of what was recorded lie over the level where tape counts as full.

Conventions: `over_db` > 0 is too hot; 0 dB is the level at which a sine has 3 % third harmonic, which tape's maximum output
level is counted by (DIN 45500-4; IEC 60094-5). Second and third harmonic are those a sine as high as the peaks would have, in
per cent. A level control's ride is taken into account; a converter that clips is not tape overload and is told elsewhere
(`capture`).
"""

import numpy as np

from bounceproof import spectra
from bounceproof.condition.ride import within
from bounceproof.quantities import DB_PER_NEPER, amplitude_db

_BLOCK_S = 1.0
_BLOCKS = 16
_THIRD_AT_FULL = 0.03
_BELIEVED_SD = 3.0
# What a band before the tape, known but roughly, leaves open of the peaks there (tests/bench/intervals.py).
_BAND_SD_DB = 0.08
# Grids of slopes to try: of so many steps down and up, each about the lowest point of the one before; before the later ones the
# response is fitted anew.
_FIRST, _LATER = ((1.5, -2, 3), (1.15, -2, 2)), ((1.05, -2, 2),)
# Shares of the machine's response (in dB) that may lie before the tape: none, half of it, all.
_BEFORE = {"stem": 0.0, "half the band": 0.5, "record band": 1.0}


def measure_overload(explained, stem, rate_hz, taps, gain, dropouts):
    """dict of over_db, sigma_db, room_at_least_db, second_percent, second_sigma_percent, third_percent, third_sigma_percent,
    heard_through ("stem", "half the band", "record band": what of the response lies before the tape), or None where there is
    too little sound.

    explained: with the ride on; stem: at rate_hz; taps: response at the working rate; gain: ride per working sample; dropouts:
    those found, which are left out.
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
    hurt = np.repeat(within(dropouts, len(explained.own) + 1, explained.cell_s), explained.cell)
    tries = [
        _Try(name, explained, blocks, hurt, *_tape_and_rest(share, explained, stem, factor, taps, gain, blocks))
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

    size = round(_BLOCK_S * explained.rate_hz)
    if share == 0.0:
        pieces = [np.asarray(stem[first * factor : (first + size) * factor], dtype=float) for first in blocks]
        ride = [np.repeat(gain[first : first + size], factor) for first in blocks]
        return [piece * by[: len(piece)] for piece, by in zip(pieces, ride, strict=True)], factor, taps
    before, after = _split(taps, share)
    fine = max(2, factor)
    reach, through = len(before), spectra.Convolver(before)
    laid = []
    for first in blocks:
        start = max(0, first - reach)
        part = explained.stem[start : first + size] * gain[start : first + size]
        laid.append(resample(through(part)[first - start :], 1, fine))
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

    def __init__(self, name, explained, blocks, hurt, dense, factor, taps):
        self.name, self.rate_hz, self.factor, self.through = name, explained.rate_hz, factor, spectra.Convolver(taps)
        size = round(_BLOCK_S * explained.rate_hz)
        self.returned = [explained.aligned[first : first + size] for first in blocks]
        self.clear = [~hurt[first : first + size] for first in blocks]
        self.dense = dense
        self.peak = float(np.percentile(np.abs(np.concatenate(dense)), 99.99))
        if self.peak > 0:
            self.dense = [part / self.peak for part in dense]
            cubed = ((part, part * part, part * part * part) for part in self.dense)
            self.sums = self._products([list(map(self._heard, parts)) for parts in cubed])
            self.left = self._solved(range(len(self.sums)))[1]

    def _heard(self, dense):
        """A block as it comes back: at the working rate, through the response where that is not in it yet."""
        return self.through(self._at_working_rate(dense))

    def _at_working_rate(self, dense):
        from bounceproof.audio import resample

        return resample(dense, self.factor, 1) if self.factor > 1 else dense

    def _products(self, parts):
        """(blocks, parts + 1, parts + 1) sums of products of each block's parts and its return, dropouts and the ends, where the
        response has not settled, left out.
        """
        return np.array([_product(*one) for one in zip(parts, self.returned, self.clear, strict=True)])

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
        return all_in, spectra.jackknife_sd(without)

    def _curve(self, start):
        """(slope s of the tape's curve tanh(s u) / s, its relative sd), from around `start`; inf where no slope is best.

        A response between stem and return has taken part of the overload for its own. Each slope is therefore judged with the
        factor per bin to that response that suits it best, and the response is fitted anew between curve and return.
        """
        slope, _ = self._searched(start, _FIRST)
        self.through = spectra.Convolver(self._response_behind(slope))
        return self._searched(slope, _LATER)

    def _searched(self, slope, grids):
        """(slope that leaves least, its relative sd) by grids, each about the lowest point of the one before."""
        squares, sd = [self._heard(dense * dense) for dense in self.dense], np.inf
        known = [_Known(self._segments(k, [square, self.returned[k]])) for k, square in enumerate(squares)]
        for grid in grids:
            slope, sd = self._lowest(slope, known, *grid)
        return slope, sd

    def _lowest(self, about, known, ratio, first, last):
        """(slope that leaves least, its relative sd by jackknife): of a grid, by a parabola through its lowest point."""
        slopes = about * ratio ** np.arange(float(first), last + 1.0)
        left = np.array([self._left_by(slope, known) for slope in slopes])
        k = int(np.clip(left[:, 0].argmin(), 1, len(left) - 2))
        bend = left[k - 1] - 2 * left[k] + left[k + 1]
        if bend.min() <= 0:
            return float(slopes[k]), np.inf
        shifts = np.clip(0.5 * (left[k - 1] - left[k + 1]) / bend, -2, 2)
        return float(slopes[k] * ratio ** shifts[0]), float(np.log(ratio) * spectra.jackknife_sd(shifts[1:]))

    def _left_by(self, slope, known):
        """(blocks + 1,) power that the curve of a slope and the square, each times the best factor per bin, leave of the return:
        of all blocks, then without each. known: per block its _Known.
        """
        sums = []
        for k, (dense, rest) in enumerate(zip(self.dense, known, strict=True)):
            curve = self._segments(k, [self._heard(np.tanh(slope * dense) / slope)])[..., 0]
            along = [_summed(curve, other) for other in (curve, rest.square, rest.returned)]
            sums.append([along[0], rest.square_own, rest.returned_own, *along[1:], rest.square_returned])
        sums = np.moveaxis(sums, 1, 0)
        whole = sums.sum(axis=1, keepdims=True)
        return _left_of(*np.concatenate((whole, whole - sums), axis=1)).sum(axis=1)

    def _segments(self, k, parts):
        """(segments, bins, parts) spectra of the clear segments of what belongs to block k."""
        segment, inner = spectra.segment_samples(self.rate_hz), _settled(min(len(self.clear[k]), *map(len, parts)))
        clear = np.lib.stride_tricks.sliding_window_view(self.clear[k][inner], segment)[:: segment // 2].all(axis=1)
        blocks = spectra.transforms([part[inner] for part in parts], segment)
        return np.concatenate(list(blocks))[: len(clear)][clear]

    def _response_behind(self, slope):
        """Taps of the response between the tape's curve and the return."""
        from bounceproof.condition.explained import response_taps

        tape = (self._at_working_rate(np.tanh(slope * dense) / slope) for dense in self.dense)
        laid = np.concatenate([self._segments(k, [part, self.returned[k]]) for k, part in enumerate(tape)])
        powers = np.einsum("sfi,sfj->fij", np.conj(laid), laid)
        freq_hz = spectra.bin_hz(spectra.segment_samples(self.rate_hz), self.rate_hz)
        averages = np.full(len(freq_hz), spectra.INDEPENDENT_SHARE * len(laid))
        return response_taps(spectra.SpectralMatrix(freq_hz, powers / len(laid), averages), self.rate_hz, 1)

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
        slope, sd = self._curve(np.sqrt(3.0 * -third)) if third < -_BELIEVED_SD * third_sd else (None, np.inf)
        if np.isfinite(sd):
            # tanh(s u): third harmonic of a sine of peak u is (s u)^2 / 12 as long as it is small; 3 % are reached at s u = 0.62.
            out["over_db"] = float(amplitude_db(slope / _full_slope()))
            out["sigma_db"] = float(np.hypot(DB_PER_NEPER * sd, _BAND_SD_DB if _BEFORE[self.name] else 0.0))
        else:
            most = max(-third, 0.0) + 1.96 * third_sd
            out["room_at_least_db"] = float(-amplitude_db(np.sqrt(3.0 * most) / _full_slope())) if most > 0 else None
        return out


def _product(parts, returned, clear):
    inner = _settled(min(len(returned), *map(len, parts)))
    rows = np.array([*(part[inner] for part in parts), returned[inner]])
    rows = rows if clear[inner].all() else rows[:, clear[inner]]
    return rows @ rows.T


def _settled(count):
    """The samples of a block of so many at which what lies beyond its ends is no longer heard."""
    edge = min(count // 8, 600)
    return slice(edge, count - edge)


class _Known:
    """What no slope changes: the segments of a block's square and of its return, and the sums of their products per bin."""

    def __init__(self, segments):
        self.square, self.returned = np.moveaxis(segments, -1, 0)
        self.square_own, self.returned_own = _summed(self.square, self.square), _summed(self.returned, self.returned)
        self.square_returned = _summed(self.square, self.returned)


def _summed(one, other):
    return np.sum(np.conj(one) * other, axis=0)


def _left_of(curve, square, returned, curve_square, curve_returned, square_returned):
    """Power that two sounds leave of a third, bin by bin, from the sums of their products (conj of the first named)."""
    least = 1e-9 * returned.real + 1e-30
    curve, square = curve.real + least, square.real + least
    told = square * spectra.squared(curve_returned) + curve * spectra.squared(square_returned)
    told -= 2.0 * (np.conj(curve_returned) * curve_square * square_returned).real
    return returned.real - told / (curve * square - spectra.squared(curve_square))


def _full_slope():
    """Slope s at which tanh(s sin) has 3 % third harmonic, by bisection over its Fourier series."""
    low, high = 0.1, 2.0
    wave = np.sin(2.0 * np.pi * np.arange(128) / 128)
    for _ in range(40):
        middle = 0.5 * (low + high)
        sizes = np.abs(np.fft.rfft(np.tanh(middle * wave)))
        low, high = (middle, high) if sizes[3] / sizes[1] < _THIRD_AT_FULL else (low, middle)
    return 0.5 * (low + high)
