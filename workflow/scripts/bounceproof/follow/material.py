"""Stem and return as the following works on them.

Conventions: the working rate is WORK_HZ; sent time counts from the first sample of what was sent; a *bin* is BIN samples (2 ms)
and the map has one knot at the middle of each. The return is kept as quintic B-spline coefficients at READ_HZ, so that it
can be read through any map. Method of the reading: M. Unser et al., IEEE Trans. Signal Processing 41 (1993) 821 and 834.
Memory: one float32 array and its spectra in blocks at WORK_HZ for the stem, one array at READ_HZ for the return.
"""

from copy import copy

import numpy as np
import soxr
from scipy import fft

from bounceproof import at_once
from bounceproof.compiling import compiled
from bounceproof.runs import held_runs

from . import pieces
from .pieces import padded

WORK_HZ = 16000
READ_HZ = 32000
BIN = 32
BIN_S = BIN / WORK_HZ
HOP = 256
BLOCK = 1 << 18
MARGIN = 1 << 13
# Places in the return are made so many at a time, to stay in the processor's cache until they are read.
AT_ONCE = 1 << 13
# Samples held at a signal's extreme that make it clipped there, and how often that has to happen.
HELD, LEAST_HELD = 3, 6


class Sent:
    """What was sent, at the working rate, padded to whole hops; `seconds` is its true length, `rate_hz` its own rate.

    samples: array, or a call that hands it over: an hour of it is 0.7 GB, and let go as soon as it is at the working rate.
    """

    def __init__(self, samples, rate_hz):
        samples = _handed_over(samples)
        self.seconds, self.rate_hz = len(samples) / rate_hz, rate_hz
        at_work = to_rate(samples, rate_hz, WORK_HZ)
        del samples
        self.samples = np.zeros(-(-at_work.size // HOP) * HOP, np.float32)
        self.samples[: at_work.size] = at_work
        self.bins = self.samples.size // BIN
        # None: itself, which would keep it in memory after its last use until the collector comes by.
        self._spectra, self._unbent = {}, None

    def block(self, first, last):
        """Samples first .. last - 1, with silence outside."""
        return padded(self.samples, first, last)

    def ridden(self, log_gain):
        """The same with a gain (natural logarithm, per bin) through time."""
        gain = np.exp(np.interp(np.arange(self.samples.size), (np.arange(self.bins) + 0.5) * BIN - 0.5, log_gain))
        return self._with(self.samples * gain.astype(np.float32))

    def powers(self, first, last):
        """Second and third power, float32 (2, last - first), of samples first .. last - 1 as they were before any `bent`; made at
        twice the rate, so that nothing folds back."""
        size = fft.next_fast_len(last - first, real=True)
        # Both transforms divide by their own length: half the samples.
        unbent = self if self._unbent is None else self._unbent
        dense = 2 * fft.irfft(fft.rfft(unbent.block(first, last), size), 2 * size)
        raised = fft.rfft([dense**2, dense**3])[:, : size // 2 + 1]
        return 0.5 * fft.irfft(raised, size)[:, : last - first].astype(np.float32)

    def bent(self, shares):
        """The same with these shares of its second and third power added."""
        samples, shares = self.samples.copy(), np.asarray(shares, np.float32)
        for first, last, start, stop in blocks(self.samples.size):
            samples[first:last] += shares @ self.powers(start, stop)[:, first - start : last - start]
        other = self._with(samples)
        other._unbent = self
        return other

    def _with(self, samples):
        other = copy(self)
        other.samples, other._spectra, other._unbent = samples, {}, None
        return other

    def spectra(self, first, last):
        """The `pieces.spectra` of that block, kept: every pass needs them."""
        if (first, last) not in self._spectra:
            self._spectra[first, last] = pieces.spectra(self.block(first, last))
        return self._spectra[first, last]


class Return:
    """The capture, free of its constant offset, ready to be read anywhere; `seconds` is its length, `power` its mean square.

    samples: array, or a call that hands it over, as for Sent.
    clipped: (from, to) of each stretch held at the converter's ceiling, return s, in order: two arrays.
    """

    def __init__(self, samples, rate_hz):
        samples = _handed_over(samples)
        self.seconds = len(samples) / rate_hz
        self.clipped = _held(np.asarray(samples), rate_hz)
        at_work = to_rate(samples, rate_hz, WORK_HZ)
        del samples
        at_work -= np.float32(at_work.mean(dtype=np.float64)) if at_work.size else np.float32(0)
        # Not a mean of squares: as doubles an hour of them is 0.9 GB.
        self.power = float(np.einsum("k,k->", at_work, at_work, dtype=float)) / max(1, at_work.size)
        self.coefficients = _coefficients(to_rate(at_work, WORK_HZ, READ_HZ))

    def at(self, return_s):
        """Values (float32) at these return times, silence outside the capture."""
        out = np.empty(return_s.size, np.float32)
        for k in range(0, out.size, AT_ONCE):
            _read(self.coefficients, return_s[k : k + AT_ONCE] * float(READ_HZ), out[k : k + AT_ONCE])
        return out

    def without(self, stretches):
        """The same return, silent in stretches (from, to) of return time; itself where there are none."""
        if not stretches:
            return self
        other = copy(self)
        other.coefficients = self.coefficients.copy()
        for first_s, last_s in stretches:
            other.coefficients[max(0, int(first_s * READ_HZ)) : max(0, int(last_s * READ_HZ))] = 0
        return other

    def clipped_through(self, knots_u, first, last):
        """Which of the samples `through` gives (bool) were clipped, or None if none was."""
        begins, ends = self.clipped
        if not begins.size:
            return None
        at = (np.arange(first, last) - 0.5 * (BIN - 1)) / BIN
        u = np.interp(at, np.arange(knots_u.size), knots_u)
        a, b = np.searchsorted(begins, u[-1]), np.searchsorted(ends, u[0])
        if b >= a:
            return None
        out = np.zeros(u.size, bool)
        for begin, end in zip(np.searchsorted(u, begins[b:a]), np.searchsorted(u, ends[b:a], side="right"), strict=True):
            out[begin:end] = True
        return out

    def through(self, knots_u, first, last):
        """The return through a map given at the bins' middles (s), for the working samples first .. last - 1."""
        out, places = np.empty(last - first, np.float32), np.empty(min(AT_ONCE, last - first))
        for k in range(0, out.size, AT_ONCE):
            some = out[k : k + AT_ONCE]
            _places(knots_u, float(READ_HZ), BIN, first + k, places[: some.size])
            _read(self.coefficients, places[: some.size], some)
        return out


def _handed_over(samples):
    """The samples, called for where they are handed over: then whoever lets go of them is the last."""
    return samples() if callable(samples) else samples


def _held(samples, rate_hz):
    """(from, to) in seconds of each run of HELD samples or more at the highest or lowest value, where there are enough of them
    to be a ceiling."""
    both = [held_runs(samples, sign, HELD) for sign in (1, -1)]
    starts, lengths = (np.concatenate([getattr(one, name) for one in both]) for name in ("starts", "lengths"))
    if starts.size < LEAST_HELD:
        return np.zeros(0), np.zeros(0)
    return np.sort(starts - 1) / rate_hz, np.sort(starts + lengths) / rate_hz


def to_rate(samples, from_hz, to_hz):
    """A mono signal at another rate, float32, band-limited by soxr's VHQ filter."""
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    if from_hz == to_hz or samples.size == 0:
        return samples.copy()
    return soxr.resample(samples, from_hz, to_hz, quality="VHQ")


def _coefficients(samples):
    """Quintic B-spline coefficients of float32 samples, in blocks whose edges overlap by more than the filter remembers."""
    from scipy.ndimage import spline_filter1d

    out = np.empty(samples.size, np.float32)

    def fill(first):
        a, b = max(0, first - 64), min(samples.size, first + BLOCK + 64)
        part = spline_filter1d(samples[a:b].astype(np.float64), order=5, mode="mirror")
        out[first : min(first + BLOCK, samples.size)] = part[first - a : min(first + BLOCK, samples.size) - a]

    at_once.each(fill, range(0, samples.size, BLOCK))
    return out


@compiled(fastmath={"reassoc", "contract"})
def _read(c, places, out):
    """The spline of coefficients c at these places (samples), 0 where it is not known: the coefficients about each are gathered
    first, then all are summed, several at a time.
    """
    about, between = np.empty((6, out.size), np.float32), np.empty(out.size, np.float32)
    for k in range(out.size):
        i = int(np.floor(places[k]))
        inside = i >= 2 and i + 3 < c.size
        between[k] = np.float32(places[k] - i)
        for j in range(6):
            about[j, k] = c[i - 2 + j] if inside else np.float32(0)
    c0, c1, c2, c3, c4, c5 = about[0], about[1], about[2], about[3], about[4], about[5]
    one, five, ten = np.float32(1), np.float32(5), np.float32(10)
    for k in range(out.size):
        t = between[k]
        u = one - t
        t2, u2 = t * t, u * u
        near_u = one + u * (five + u * (ten + u * (ten + u * (five - five * u))))
        near_t = one + t * (five + t * (ten + t * (ten + t * (five - five * t))))
        mid_t = np.float32(66) + t2 * (np.float32(-60) + t2 * (np.float32(30) - ten * t))
        mid_u = np.float32(66) + u2 * (np.float32(-60) + u2 * (np.float32(30) - ten * u))
        early = u2 * u2 * u * c0[k] + near_u * c1[k] + mid_t * c2[k]
        late = mid_u * c3[k] + near_t * c4[k] + t2 * t2 * t * c5[k]
        out[k] = (early + late) / np.float32(120)


@compiled()
def _places(knots_u, rate_hz, width, first, out):
    """Where (samples of the return) the working samples from `first` on come from."""
    last = knots_u.size - 1
    half = 0.5 * width - 0.5
    k = 0
    # All up to the next knot at once.
    while k < out.size:
        place = (first + k - half) / width
        i = min(max(int(np.floor(place)), 0), last - 1)
        p1, p2 = knots_u[i], knots_u[i + 1]
        a0, a1, a2, a3 = p1, p2 - p1, 0.0, 0.0
        ahead = 0 if place < 0.0 else i + 1
        if 0.0 <= place <= last:
            # Cubic through four knots (Catmull and Rom): at 25 Hz its error is a fiftieth of a straight line's, which does beyond
            # the first and the last.
            p0 = knots_u[i - 1] if i > 0 else 2 * p1 - p2
            p3 = knots_u[i + 2] if i < last - 1 else 2 * p2 - p1
            a1 = 0.5 * (p2 - p0)
            a2 = p0 - 2.5 * p1 + 2 * p2 - 0.5 * p3
            a3 = 0.5 * (p3 - p0) + 1.5 * (p1 - p2)
        end = out.size if place > last else min(out.size, max(k + 1, int(np.ceil(ahead * width + half - first))))
        part, begin = out[k:end], first + k - half
        for j in range(part.size):
            t = (begin + j) / width - i
            part[j] = (a0 + t * (a1 + t * (a2 + t * a3))) * rate_hz
        k = end


def bin_times(bins):
    """Sent time of each knot: the middle of its bin's samples."""
    return (np.arange(bins) * BIN + 0.5 * (BIN - 1)) / WORK_HZ


def blocks(samples, *, size=BLOCK, margin=MARGIN):
    """(first, last, from, to): stretches first .. last, whole hops long, and the same with a margin on both sides."""
    return [(a, min(a + size, samples), a - margin, min(a + size, samples) + margin) for a in range(0, samples, size)]
