"""Filtering by responses of FIRST_LAG to LAST_LAG samples, in pieces whose transforms stay in the processor's cache.

Conventions: float32 signals, silence outside; transfers are on fft's rfft grid of SIZE, lag 0 at time 0. Overlap-save method
(A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing, chapter on the discrete Fourier transform), which
`filters.in_blocks` uses too; here a signal's transforms are kept, for the many filters it goes through.
"""

import numpy as np
from scipy import fft

FIRST_LAG, LAST_LAG = -160, 640
SIZE = 1 << 13
# Of each piece's transform this many samples are free of what wraps around.
STEP = SIZE - (LAST_LAG - FIRST_LAG)
# So many pieces at a time stay in the cache from one step to the next.
AT_ONCE = 8


def spectra(samples):
    """Transforms, complex64 (pieces, SIZE // 2 + 1), of a float32 signal: what `filtered` takes."""
    count = -(-samples.size // STEP)
    laid = padded(samples, -LAST_LAG, (count - 1) * STEP + SIZE - LAST_LAG)
    return fft.rfft(np.lib.stride_tricks.sliding_window_view(laid, SIZE)[::STEP], axis=1)


def filtered(parts, transfer, frames):
    """The first `frames` samples of the signal with these `spectra` through a filter with this transfer (complex64)."""
    out = np.empty((len(parts), STEP), np.float32)
    for first in range(0, len(parts), AT_ONCE):
        some = parts[first : first + AT_ONCE]
        out[first : first + len(some)] = fft.irfft(some * transfer, SIZE, axis=1)[:, LAST_LAG : LAST_LAG + STEP]
    return out.ravel()[:frames]


def transfer(taps, lags):
    """Transfer of a filter with these taps at these lags (samples, FIRST_LAG to LAST_LAG)."""
    ring = np.zeros(SIZE)
    ring[lags % SIZE] = taps
    return fft.rfft(ring)


def padded(samples, first, last):
    """samples[first:last], with zeros where that reaches outside."""
    out = np.zeros(last - first, samples.dtype)
    a, b = max(first, 0), min(last, samples.size)
    if b > a:
        out[a - first : b - first] = samples[a:b]
    return out
