"""Butterworth filters as responses, applied to a whole signal by its spectrum.

Conventions: one channel; edges and frequencies in Hz. Not scipy.signal's filters: importing that takes longer than filtering a
song. The responses are those of its digital filters (bilinear transform with pre-warped edges); a test holds them together.
"""

import math

import numpy as np

from bounceproof import at_once

# What a response may reach back or ahead of a sample; the ring of a 30 Hz edge of third order is 100 dB down by then.
_REACH_S = 0.25
BLOCK = 1 << 17


def prototype(x, order):
    """Complex response of the analogue Butterworth low-pass with edge 1 at the frequencies x (real, either sign).

    Source: S. Butterworth, Wireless Engineer 7 (1930) 536 (from memory). The poles lie on the unit circle's left half; with
    D(jx) = even(x^2) + j x odd(x^2) and |D|^2 = 1 + x^(2 order), one over D takes real arithmetic only.
    """
    poles = np.exp(1j * math.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    # D's coefficients from s^0 on; s = jx turns the even powers' signs one after the other, and the odd powers' too.
    coefficients = np.poly(poles).real[::-1]
    signed = coefficients * (-1.0) ** (np.arange(order + 1) // 2)
    x = np.asarray(x, dtype=float)
    square = x * x
    response = np.empty(x.shape, complex)
    response.real = np.polynomial.polynomial.polyval(square, signed[0::2])
    response.imag = -x * np.polynomial.polynomial.polyval(square, signed[1::2])
    response /= 1.0 + square**order
    return response


def edges_response(freq_hz, rate_hz, low_hz=None, high_hz=None, *, order):
    """Complex response of a high-pass at low_hz followed by a low-pass at high_hz, `order` each; None leaves an edge out."""
    at = _warped(freq_hz, rate_hz)
    response = np.ones(at.shape, complex)
    if high_hz:
        response *= prototype(at / _warped(high_hz, rate_hz), order)
    if low_hz:
        response *= prototype(-_warped(low_hz, rate_hz) / np.maximum(at, 1e-12), order)
    return response


def bandpass_response(freq_hz, rate_hz, low_hz, high_hz, *, order):
    """Complex response of the band-pass of 2 `order` poles whose edges (-3 dB) are low_hz and high_hz."""
    at, low, high = (_warped(value, rate_hz) for value in (freq_hz, low_hz, high_hz))
    at = np.maximum(at, 1e-12)
    return prototype((at**2 - low * high) / ((high - low) * at), order)


def filtered(samples, response_at, rate_hz):
    """The samples (frames,) through response_at(freq_hz), float64 of the same length; silence lies before and after them."""
    response, size, shape = _blocks_of(samples.size, response_at, rate_hz)
    return in_blocks(samples, response, size, **shape)


def filtered_pieces(samples, response_at, rate_hz):
    """As `filtered`, piece by piece; samples: an array, or what has a `size` and slices into arrays."""
    response, size, shape = _blocks_of(samples.size, response_at, rate_hz)
    for first in range(0, samples.size, shape["hop"]):
        yield _piece(samples, response, size, first, **shape)


def _blocks_of(count, response_at, rate_hz):
    """(response, size, all else) of the `in_blocks` for so many samples."""
    reach = math.ceil(_REACH_S * rate_hz)
    size = min(max(BLOCK, 8 * reach), 1 << (count + 2 * reach - 1).bit_length())
    response = response_at(np.arange(size // 2 + 1) * (rate_hz / size))
    return response, size, {"before": reach, "skipped": reach, "hop": size - 2 * reach, "dtype": float}


def in_blocks(samples, response, size, *, before, skipped, hop, dtype):
    """The samples (frames,) through a response of size // 2 + 1 bins, block by block (overlap-save), of the same length.

    A block starts `before` samples before the `hop` ones it is for, and they come out after `skipped` ones that wrap round.
    Small transforms stay in the processor's cache, and the plan of one as long as an hour of song takes more memory than the
    song.
    """
    out = np.empty(samples.size, dtype)

    def fill(first):
        piece = _piece(samples, response, size, first, before=before, skipped=skipped, hop=hop, dtype=dtype)
        out[first : first + hop] = piece

    at_once.each(fill, range(0, samples.size, hop))
    return out


def _piece(samples, response, size, first, *, before, skipped, hop, dtype):
    """The `hop` samples from `first` on, or what is left of them, of in_blocks."""
    rfft, irfft = transforms_of(dtype)
    block, low = np.zeros(size, dtype), first - before
    there = samples[max(low, 0) : low + size]
    block[max(-low, 0) : max(-low, 0) + there.size] = there
    return irfft(rfft(block) * response, size)[skipped : skipped + min(hop, samples.size - first)]


def transforms_of(dtype):
    """(rfft, irfft) for a type: NumPy's for double precision, whose bits are scipy.fft's and which is loaded anyway (a job that
    makes one transfer would spend most of its time on loading the other); scipy.fft's for single, which it does twice as fast.
    """
    if np.dtype(dtype) == np.float64:
        return np.fft.rfft, np.fft.irfft
    from scipy import fft

    return fft.rfft, fft.irfft


def _warped(freq_hz, rate_hz):
    """Analogue frequency of the bilinear transform, (rate / pi) tan(pi f / rate) without its constant."""
    return np.tan(math.pi * np.minimum(np.asarray(freq_hz, dtype=float) / rate_hz, 0.499999))
