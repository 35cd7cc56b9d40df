"""The machine's response: from what was sent to what came back, as a finite impulse response at the working rate.

Conventions: h = BASIS @ theta, lags LAGS in working samples (positive = later). Near lag 0 every lag has a tap of its own;
further out
cubic B-splines stand further and further apart, since only low notes ring so long. A delay of the response and of the map
are one and the same thing: `Anchor` says which delay counts as none.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from scipy import fft

from bounceproof.compiling import compiled

from . import pieces
from .fields import HIGH_HZ
from .material import WORK_HZ
from .pieces import FIRST_LAG, LAST_LAG, padded

LAGS = np.arange(FIRST_LAG, LAST_LAG + 1)
RIDGE = 1e-9
_FINE = (-24, 64)
_RINGS = ((64, 256, 8), (256, 640, 32))


@cache
def basis():
    """(lags, functions) and the middle lag of each function."""
    columns, middles = [], []
    for lag in range(_FINE[0], _FINE[1] + 1):
        columns.append((lag == LAGS).astype(float))
        middles.append(lag)
    for first, last, spacing in _RINGS:
        for lag in range(first + spacing, last - spacing, spacing):
            columns.append(_cubic((LAGS - lag) / spacing))
            middles.append(lag)
    for lag in range(_FINE[0] - 16, FIRST_LAG + 32, -16):
        columns.append(_cubic((LAGS - lag) / 16))
        middles.append(lag)
    return np.array(columns).T, np.array(middles)


@cache
def kernels():
    """The basis by kernels: (transfer of the kernel, complex64, or None for single taps; columns that are its copies at their
    lags)."""
    _, middles = basis()
    spacing = np.array([_spacing(lag) for lag in middles])
    return [(None if s == 1 else _kernel(s), np.flatnonzero(spacing == s)) for s in np.unique(spacing)]


def _kernel(spacing):
    lags = np.arange(-2 * spacing + 1, 2 * spacing)
    return pieces.transfer(_cubic(lags / spacing), lags).astype(np.complex64)


def _spacing(lag):
    if _FINE[0] <= lag <= _FINE[1]:
        return 1
    return next((s for first, last, s in _RINGS if first < lag < last), 16)


def _cubic(x):
    x = np.abs(x)
    inner = 2 / 3 - x**2 + x**3 / 2
    return np.where(x < 1, inner, np.where(x < 2, (2 - x) ** 3 / 6, 0.0))


class Normal(NamedTuple):
    """Normal equations of the taps: autocorrelation of the whitened stem (lags 0 ..), its correlation with the whitened
    return."""

    auto: np.ndarray
    cross: np.ndarray

    def plus(self, other):
        return Normal(self.auto + other.auto, self.cross + other.cross)


def correlations(stem, others, first, last, *, reach=0):
    """(autocorrelation of stem[first:last], its correlation with each of `others`) at all lags (float64), the second to
    `reach` lags more."""
    span = LAST_LAG - FIRST_LAG
    most = span + 2 * reach
    size = min(pieces.SIZE, fft.next_fast_len(last - first + most, real=True))
    step = size - most
    count = -(-(last - first) // step)
    # Double precision: the stem may be 60 dB louder where the machine passes nothing than where it counts.
    own = np.zeros((count, step))
    own.ravel()[: last - first] = stem[first:last]
    # What lies beyond the stretch counts too: what is lost there would pass for knowledge of a delay of the response alone.
    starts = [first, *(first + FIRST_LAG - reach for _ in others)]
    laid = [padded(one, start, start + (count - 1) * step + size) for one, start in zip((stem, *others), starts, strict=True)]
    laid = [np.lib.stride_tricks.sliding_window_view(one, size)[::step] for one in laid]
    sums = np.zeros((len(laid), size // 2 + 1), np.complex128)
    for k in range(0, count, pieces.AT_ONCE):
        some = fft.rfft(own[k : k + pieces.AT_ONCE], size, axis=1)
        for one, total in zip(laid, sums, strict=True):
            _add_products(some, fft.rfft(one[k : k + pieces.AT_ONCE].astype(np.float64), axis=1), total)
    auto, *crossed = fft.irfft(sums, size, axis=1)
    return auto[: span + 1], [one[: most + 1] for one in crossed]


@compiled()
def _add_products(one, other, out):
    """Add the sum over the rows of conj(one) * other."""
    for k in range(one.shape[0]):
        for j in range(one.shape[1]):
            a, b = one[k, j], other[k, j]
            out[j] += complex(a.real * b.real + a.imag * b.imag, a.real * b.imag - a.imag * b.real)


@cache
def _supports():
    """(first sample, taps) of the stretch in which each function of the basis is not 0."""
    return [(at[0], one[at[0] : at[-1] + 1]) for one in basis()[0].T for at in [np.flatnonzero(one)]]


def _heard(auto):
    """T basis, T the symmetric Toeplitz matrix of an autocorrelation (lags 0 ..): most functions are single taps, all short."""
    count = LAGS.size
    both, out = np.concatenate((auto[:0:-1], auto)), np.empty_like(basis()[0])
    for column, (first, taps) in enumerate(_supports()):
        out[:, column] = np.convolve(both[count - taps.size - first : 2 * count - 1 - first], taps, mode="valid")
    return out


def gram(normal):
    """(basis' T basis, basis' b)."""
    b, _ = basis()
    t = b.T @ _heard(normal.auto)
    # What single precision leaves unsure of the sums.
    return t + np.diag(RIDGE * np.max(np.diag(t), initial=0.0) * np.ones(len(t))), b.T @ normal.cross


def prior_precision(gain):
    """Precision of each theta about 0: as large as the gain near lag 0, less and less further out."""
    _, middles = basis()
    spread = gain / (1 + np.abs(middles) / 16)
    return 1 / (3 * spread) ** 2


def solve(normal, gain=None):
    """theta that fits best, with the prior of `gain` (None: the gain of the best single tap)."""
    t, b = gram(normal)
    if gain is None:
        gain = np.abs(normal.cross).max() / max(normal.auto[0], 1e-30)
    if gain == 0:
        return np.zeros(len(b))
    return np.linalg.solve(t + np.diag(prior_precision(gain)), b)


def explained(normal, theta):
    """How much of the whitened return the stem explains through a theta fitted to it (nats, up to what the prior takes)."""
    return 0.5 * float(normal.cross @ (basis()[0] @ theta))


def pulse(gain):
    """The theta of a plain gain without delay."""
    return gain * (basis()[1] == 0).astype(float)


def spectrum(theta, size):
    """Transfer function of theta on fft's rfft grid of `size`, lag 0 at time 0."""
    taps = basis()[0] @ theta
    ring = np.zeros(size)
    ring[LAGS % size] = taps
    return fft.rfft(ring)


def stretch_spectrum(theta, size):
    """What `spectrum` changes by per unit of speed, if the whole response keeps its own times: -w dH/dw."""
    ring = np.zeros(size)
    ring[LAGS % size] = LAGS * (basis()[0] @ theta)
    return 2j * np.pi / size * np.arange(size // 2 + 1) * fft.rfft(ring)


class Machine:
    """The response as it acts on a signal: `model`, its rate of change per us (`slope`) and its change per unit of speed
    (`stretch`), each from the signal's `pieces.spectra` and its length; silent: nothing is known yet."""

    def __init__(self, theta):
        self.silent = not np.any(theta)
        plain = spectrum(theta, pieces.SIZE)
        freq_hz = np.arange(plain.size) * WORK_HZ / pieces.SIZE
        # A factor that rises up to the highest frequency rings for ever; above the band nothing is asked of it.
        above = np.clip((freq_hz - HIGH_HZ) / (WORK_HZ / 2 - HIGH_HZ), 0, 1)
        ends = 0.5 + 0.5 * np.cos(np.pi * above)
        both = plain, plain * 2j * np.pi * 1e-6 * freq_hz * ends, stretch_spectrum(theta, pieces.SIZE) * ends
        self._plain, self._per_us, self._per_speed = (one.astype(np.complex64) for one in both)

    def model(self, parts, frames):
        return pieces.filtered(parts, self._plain, frames)

    def slope(self, parts, frames):
        return pieces.filtered(parts, self._per_us, frames)

    def stretch(self, parts, frames):
        return pieces.filtered(parts, self._per_speed, frames)


class Anchor:
    """The reference that defines no delay: the signal whose matched-filter instant has to stay where it was sent.

    reference: that signal at the working rate (the clicks; without clicks a pulse of the stem's own spectrum). sign: the
    polarity at that instant where it is known (1 or -1): a machine that turns the phase can make the lobe beside it larger.
    """

    SIZE = 1 << 13

    def __init__(self, references):
        power = np.zeros(self.SIZE // 2 + 1)
        for reference in references:
            power += np.abs(fft.rfft(np.asarray(reference, dtype=np.float64), self.SIZE)) ** 2
        self.power, self.sign = power, None
        self.omega = 2 * np.pi * np.arange(power.size) / self.SIZE

    def delay(self, theta, *, within=None):
        """Delay (working samples, fractional) of the matched-filter peak, and the polarity there (1 or -1).

        within: look only so many samples to both sides of none.
        """
        transfer, c = self._matched(theta)
        tall = self.sign * c if self.sign else np.abs(c)
        if within is not None:
            tall = np.where(np.abs(LAGS) > within, -np.inf, tall)
        lag = int(np.argmax(tall))
        sign = self.sign or (1 if c[lag] >= 0 else -1)
        tau = float(lag + FIRST_LAG)
        for _ in range(20):
            turn = np.exp(1j * self.omega * tau)
            slope = np.sum(np.real(1j * self.omega * transfer * turn))
            bend = np.sum(np.real(-(self.omega**2) * transfer * turn))
            move = -slope / bend if bend * sign < 0 else 0.0
            tau += float(np.clip(move, -0.5, 0.5))
            if abs(move) < 1e-9:
                break
        return tau, sign

    def lobe(self, theta, *, within):
        """The largest value, of the known polarity, within so many samples of none, as a share of the largest anywhere."""
        c = self._matched(theta)[1]
        c = self.sign * c if self.sign else np.abs(c)
        return float(max(c[np.abs(LAGS) <= within].max(), 0.0) / max(c.max(), 1e-30))

    def _matched(self, theta):
        """The reference's spectrum behind the response, and its matched filter's output at LAGS."""
        transfer = spectrum(theta, self.SIZE) * self.power
        c = fft.irfft(transfer, self.SIZE)
        return transfer, np.concatenate((c[FIRST_LAG:], c[: LAST_LAG + 1]))

    def dispersion(self, theta):
        """How far (working samples, rms) the delays of the reference's frequencies lie from its own, weighted as a matched
        filter weighs them."""
        tau, sign = self.delay(theta, within=2)
        turned = sign * spectrum(theta, self.SIZE) * np.exp(1j * self.omega * tau) * self.power
        size = np.abs(turned)
        bend = np.sum(size * self.omega**2)
        return float(np.sqrt(np.sum(size * np.angle(turned) ** 2) / bend)) if bend > 0 else 0.0

    def gain(self, theta):
        """The response's gain at the anchor's matched-filter instant (positive)."""
        tau, _ = self.delay(theta, within=2)
        passed = np.real(spectrum(theta, self.SIZE) * np.exp(1j * self.omega * tau))
        return float(abs(np.sum(passed * self.power)) / max(np.sum(self.power), 1e-30))

    def slope(self, theta):
        """d(delay)/d(theta), working samples."""
        tau, _ = self.delay(theta, within=2)
        turn = np.exp(1j * self.omega * tau)
        transfer = spectrum(theta, self.SIZE) * self.power
        bend = np.sum(np.real(-(self.omega**2) * transfer * turn))
        per_lag = fft.irfft(np.conj(1j * self.omega * self.power * turn), self.SIZE) * self.SIZE / 2
        # Real part of sum over w of (i w) P e^{i w tau} e^{-i w lag}, one value for each lag.
        values = per_lag[LAGS % self.SIZE]
        return -(basis()[0].T @ values) / bend


def reshaped(theta, normal, *, delay_samples=0.0, gain=None):
    """theta' whose response is that of theta, delayed, and multiplied by a real `gain` given evenly from 0 to half the rate.

    Nearest to it in what the stem of `normal` hears of it.
    """
    size = 1 << 13
    wanted = spectrum(theta, size) * np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size * delay_samples)
    if gain is not None:
        wanted = wanted * np.interp(np.linspace(0, 1, size // 2 + 1), np.linspace(0, 1, gain.size), gain)
    taps = fft.irfft(wanted, size)[LAGS % size]
    functions, heard = basis()[0], _heard(normal.auto)
    left = functions.T @ heard
    left += np.diag(1e-8 * np.max(np.diag(left)) * np.ones(len(left)))
    first = np.linalg.lstsq(functions, taps, rcond=None)[0]
    return first + np.linalg.solve(left, heard.T @ (taps - functions @ first))


def in_us(working_samples):
    return working_samples * 1e6 / WORK_HZ
