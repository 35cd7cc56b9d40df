"""Spectra of signals that share one time base, and their errors.

Conventions: samples are one-dimensional, full scale = 1; a power is a mean square (full-scale sine 0.5 = -3.01 dBFS). Segments
are Hann-windowed and overlap by half; the powers of a segment's bins add up to its mean square. Cross powers are conj(X) Y: a
second signal that is late by tau has the phase -2 pi f tau. A `bands` argument is a list of quantities.Band.
"""

import itertools
from functools import cache

import numpy as np

from bounceproof.filters import BLOCK, in_blocks, transforms_of
from bounceproof.quantities import DB_PER_POWER_RATIO

SEGMENT_S = 0.17
_BLOCK_SEGMENTS = 48
# So few segments stay in the processor's cache from their samples to the sums that are made of them; a block is a whole number
# of such pieces.
_PIECE_SEGMENTS = 6
# Hann segments that overlap by half are worth 1.89 times the segments laid end to end (Carter, Knapp, Nuttall 1973), so
# 0.945 of their own number.
INDEPENDENT_SHARE = 1.89 / 2
# The mean power of half-overlapping Hann segments weighs the samples by cos^4 + sin^4 = 3/4 + cos(4x)/4: its variance is 1/(B T)
# times the mean square of that over its squared mean, in a wide band; in a single bin 1 + 2/36 comes to the same.
OVERLAP_LOSS = 19.0 / 18.0
# Of fewer averages any two signals look coherent: one alone gives 1 whatever they are.
LEAST_AVERAGES = 4.0


def segment_samples(rate_hz, *, seconds=SEGMENT_S):
    """The power of two nearest to `seconds` at rate_hz, at least 64."""
    return max(64, 2 ** round(np.log2(seconds * rate_hz)))


def bin_hz(segment, rate_hz):
    """Frequency in Hz of each bin of a segment of so many samples."""
    return np.fft.rfftfreq(segment, 1.0 / rate_hz)


def segment_count(frames, segment):
    """How many half-overlapping segments cover `frames` samples (the last one padded with zeros)."""
    return max(1, -(-(frames - segment) // (segment // 2)) + 1)


def segment_times_s(frames, segment, rate_hz):
    """The middle of each segment in seconds."""
    return (np.arange(segment_count(frames, segment)) * (segment // 2) + segment / 2) / rate_hz


def transforms(signals, segment, *, kind=np.float64, together=_BLOCK_SEGMENTS):
    """Yield (segments, bins, signals) complex blocks of the signals' Hann-windowed segments, scaled to powers; in memory one
    signal lies after the other.

    signals: equally long one-dimensional arrays; kind: precision of the transforms. Single is twice as fast, and leaves in each
    bin what is some 140 dB under the loudest; together: segments of a block, 48 or a whole part or multiple of that.
    """
    count, window, (rfft, _) = segment_count(len(signals[0]), segment), _window(segment, kind), transforms_of(kind)
    step = max(together, _BLOCK_SEGMENTS)
    for first in range(0, count, step):
        last = min(count, first + step)
        framed = [_framed(signal, first, last, segment) for signal in signals]
        for low in range(0, last - first, together):
            block = rfft(_windowed([one[low : low + together] for one in framed], window), axis=-1)
            block[..., 0] /= np.sqrt(2.0)
            block[..., -1] /= np.sqrt(2.0)
            yield np.moveaxis(block, 0, -1)


@cache
def _window(segment, kind):
    """Hann, so high that the powers of a segment's bins add up to its mean square."""
    window = np.hanning(segment + 1)[:-1]
    return (window * np.sqrt(2.0 / (segment * np.sum(window**2)))).astype(kind)


def _windowed(framed, window):
    """(signals, segments, samples) of the window's kind, from the (segments, samples) of each signal."""
    out = np.empty((len(framed), *framed[0].shape), window.dtype)
    for one, there in zip(framed, out, strict=True):
        np.multiply(one, window, out=there, casting="same_kind")
    return out


def _framed(signal, first, last, segment):
    hop = segment // 2
    start, stop = first * hop, (last - 1) * hop + segment
    piece = np.asarray(signal[start:stop])
    if len(piece) < stop - start:
        piece = np.pad(piece, (0, stop - start - len(piece)))
    step = piece.strides[0]
    return np.lib.stride_tricks.as_strided(piece, (last - first, segment), (hop * step, step), writeable=False)


def band_matrix(bands, segment, rate_hz):
    """(bins, bands): the share of each bin that lies inside each band, so that power @ matrix = power per band."""
    step = rate_hz / segment
    mids = bin_hz(segment, rate_hz)[:, None]
    low, high = np.array([band.low_hz for band in bands]), np.array([band.high_hz for band in bands])
    return np.clip(np.minimum(mids + step / 2, high) - np.maximum(mids - step / 2, low), 0.0, step) / step


def band_powers(signals, rate_hz, bands, *, segment=None, kind=np.float64):
    """Power per segment, signal and band: (segments, signals, bands); kind: as in `transforms`."""
    segment = segment or segment_samples(rate_hz)
    matrix = band_matrix(bands, segment, rate_hz).astype(kind)
    powers = [squared(np.moveaxis(block, -1, 0)) @ matrix for block in transforms(signals, segment, kind=kind)]
    return np.swapaxes(np.concatenate(powers, axis=1), 0, 1)


def squared(values):
    """|values|^2 of complex values, without the root that the absolute value takes on the way."""
    return values.real**2 + values.imag**2


def density_at(powers, bands, freq_hz):
    """Power per Hz at frequencies, from powers per band: straight lines over the logarithm of frequency, flat beyond the ends."""
    mids, widths = (np.array([value(band) for band in bands]) for value in (lambda b: b.mid_hz, lambda b: b.high_hz - b.low_hz))
    return np.interp(np.log(np.maximum(freq_hz, 1e-3)), np.log(mids), np.asarray(powers) / widths)


def playing(powers, *, within_db=30.0):
    """Where a signal plays: True in segments (axis 0) whose power is within `within_db` of the loudest in that column."""
    loudest = powers.max(axis=0, keepdims=True)
    return (powers > 0) & (powers >= loudest * 10.0 ** (-within_db / 10))


class SpectralMatrix:
    """Averaged powers and cross powers of several signals.

    matrix: (bins, signals, signals), matrix[f, i, j] = mean of conj(X_i) X_j; freq_hz: (bins,); averages: (bins,) effective
    number of independent segments behind each bin.
    """

    def __init__(self, freq_hz, matrix, averages):
        self.freq_hz, self.matrix, self.averages = freq_hz, matrix, averages

    def power(self, i):
        """Mean power of signal i per bin."""
        return self.matrix[:, i, i].real

    def coherence(self, i, j):
        """Magnitude-squared coherence of two signals per bin, its bias still in it; 0 where either has no power."""
        return _ratio(np.abs(self.matrix[:, i, j]) ** 2, self.power(i) * self.power(j))


def spectral_matrix(signals, rate_hz, *, segment=None, weights=None, seen=None, against=None):
    """The SpectralMatrix of equally long signals.

    weights: None (every segment counts in every bin), or (segments, bins) of True and False; seen: called with the powers
    (signals, segments, bins) of one block of segments after the other, where these are wanted, too; against: the signal whose
    cross powers are wanted, all others being left 0; None for every two signals'.
    """
    segment = segment or segment_samples(rate_hz)
    bins, number, count = segment // 2 + 1, len(signals), segment_count(len(signals[0]), segment)
    total, counts = np.zeros((number, number, bins), dtype=complex), np.zeros(bins)
    pieces = transforms(signals, segment, together=_PIECE_SEGMENTS)
    for first in range(0, count, _BLOCK_SEGMENTS):
        last = min(count, first + _BLOCK_SEGMENTS)
        share = None if weights is None else weights[first:last]
        powers = None if seen is None else np.empty((number, last - first, bins))
        counts += last - first if share is None else share.sum(axis=0)
        block = itertools.islice(pieces, _BLOCK_SEGMENTS // _PIECE_SEGMENTS)
        total += _block_sums(block, number, bins, share, against, powers)
        if seen is not None:
            seen(powers)
    for i in range(number):
        total[i, :i] = np.conj(total[:i, i])
    total = np.moveaxis(total, -1, 0)
    averages = np.maximum(1.0, INDEPENDENT_SHARE * counts)
    return SpectralMatrix(bin_hz(segment, rate_hz), total / np.maximum(counts, 1.0)[:, None, None], averages)


def _block_sums(pieces, number, bins, share, against, powers):
    """(signals, signals, bins): of a block that comes in `transforms`, the sums over its segments of conj(X_i) X_j for j >= i.

    share, against: of the block, as in `spectral_matrix`; powers: None, or (signals, segments, bins) to be filled.
    """
    own, cross, low = np.zeros((number, bins)), np.zeros((number, number, bins), dtype=complex), 0
    for piece in pieces:
        each, part = np.moveaxis(piece, -1, 0), slice(low, low + len(piece))
        for i in range(number):
            power = squared(each[i])
            if powers is not None:
                powers[i, part] = power
            _add(own[i], power if share is None else power * share[part])
            if i == number - 1:
                break
            turned = np.conj(each[i])
            if share is not None:
                np.copyto(turned, 0.0, where=~share[part])
            for j in range(i + 1, number):
                if against in (None, i, j):
                    _add(cross[i, j], turned * each[j])
        low += len(piece)
    cross[range(number), range(number)] = own
    return cross


def _add(total, rows):
    """Add one row after the other: to the last bit what the rows of a whole block added up give, however it comes in pieces."""
    for row in rows:
        total += row


def bin_weights(mask, bands, segment, rate_hz):
    """(segments, bins) from a (segments, bands) mask: each bin takes the mask of the band it lies in, or 1 outside all."""
    matrix = band_matrix(bands, segment, rate_hz)
    column = np.where(matrix.max(axis=1) > 0, matrix.argmax(axis=1), mask.shape[1])
    return np.take(np.concatenate((mask, np.ones((len(mask), 1), dtype=bool)), axis=1), column, axis=1)


def without_bias(coherence, averages, *, floor=0.0):
    """Magnitude-squared coherence less its bias (1 - C)^2 / n, never under `floor`. Source: Carter, Knapp, Nuttall 1973.

    Where estimates are averaged afterwards, a floor of -1 keeps those under zero: cut off one by one, they would leave a bias.
    """
    return np.clip(coherence - (1.0 - coherence) ** 2 / averages, floor, 1.0)


def zero_coherence_level(averages, *, confidence=0.95):
    """The estimate that incoherent signals stay under with this confidence: 1 - (1 - confidence)^(1/(n-1)); 1 for n <= 1."""
    averages = np.asarray(averages, dtype=float)
    return np.where(averages > 1, 1.0 - (1.0 - confidence) ** (1.0 / np.maximum(averages - 1.0, 1e-9)), 1.0)[()]


def h1_relative_sd(coherence, averages):
    """Relative sd of |H1| (and sd of its phase in rad): sqrt((1 - C) / (2 C n)). Source: Bendat and Piersol, Random Data."""
    coherence = np.asarray(coherence, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.sqrt((1.0 - coherence) / (2.0 * coherence * averages))
    return np.where(coherence > 0, sd, np.inf)[()]


def jackknife_sd(without):
    """Sd of an estimate, from the same without one block each (axis 0), made wider so that 1.96 of it hold for 95 % however few
    the blocks are. Sources: J. Tukey, Ann. Math. Stat. 29 (1958) 614; Student's distribution.
    """
    from scipy.special import stdtrit

    without = np.asarray(without)
    count = len(without)
    spread = np.sum((without - without.mean(axis=0)) ** 2, axis=0)
    return stdtrit(count - 1, 0.975) / 1.96 * np.sqrt((count - 1) / count * spread)


def level_sd_db(bandwidth_hz, seconds):
    """Sd in dB of the level of a band of noise: 4.34 / sqrt(B T); inf for nothing heard."""
    return DB_PER_POWER_RATIO / np.sqrt(np.maximum(np.asarray(bandwidth_hz) * np.asarray(seconds), 1e-12))


def _ratio(over, under):
    return np.where(under > 0, over / np.where(under > 0, under, 1.0), 0.0)


def convolved(samples, impulse):
    """samples * impulse (one-dimensional), as long as samples and centred on the impulse's middle; float32 stays float32."""
    return Convolver(impulse)(samples)


class Convolver:
    """`convolved` with one impulse: a function of the samples, which makes the impulse's response once for samples as long.

    Not scipy.signal's: importing that takes longer than all that a job convolves.
    """

    def __init__(self, impulse):
        self.impulse, self._response, self._made_for = impulse, None, None

    def __call__(self, samples):
        length, kind = self.impulse.size, np.result_type(samples, self.impulse, np.float32)
        (rfft, _), fast = transforms_of(kind), _fast_size_of(kind)
        size = min(fast(max(BLOCK, 8 * length)), fast(samples.size + length - 1))
        if self._made_for != (size, kind):
            self._response, self._made_for = rfft(self.impulse, size), (size, kind)
        skipped = length - 1
        shape = {"before": skipped - skipped // 2, "skipped": skipped, "hop": size - skipped}
        return in_blocks(samples, self._response, size, **shape, dtype=kind)


def _fast_size_of(kind):
    """A function that finds the next size that transforms quickly; for double precision a power of two, with nothing loaded."""
    if kind == np.float64:
        return lambda size: 1 << (size - 1).bit_length()
    from scipy import fft

    return lambda size: fft.next_fast_len(size, real=True)
