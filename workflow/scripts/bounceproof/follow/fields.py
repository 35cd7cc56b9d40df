"""Time and frequency: how loud the unexplained part is at each moment and frequency, and how much of the music came through.

Conventions: frames of FRAME samples every HOP at the working rate, root-Hann windows at both ends (they overlap and add to 1,
J. Allen and L. Rabiner, Proc. IEEE 65 (1977) 1558); fields are (frames, bands) in float32. Powers are per frame bin of a
signal framed so: white noise of variance v reads v * HOP.
"""

import numpy as np
from numba import njit
from scipy import fft

from .material import HOP, WORK_HZ

FRAME = 2 * HOP
BANDS = FRAME // 2 + 1
WINDOW = np.sqrt(np.hanning(FRAME + 1)[:-1]).astype(np.float32)
FREQ_HZ = np.arange(BANDS) * WORK_HZ / FRAME
# Outside these the working rate's own filters, direct current and rumble would speak.
LOW_HZ, HIGH_HZ = 40.0, 7000.0
IN_BAND = ((FREQ_HZ >= LOW_HZ) & (FREQ_HZ <= HIGH_HZ)).astype(np.float32)


def framed(samples):
    """Spectra (frames, BANDS), complex64, of a float32 signal whose length is whole hops; frame k starts at hop k."""
    pieces = np.lib.stride_tricks.sliding_window_view(samples, FRAME)[::HOP]
    return fft.rfft(pieces * WINDOW, axis=1)


def joined(spectra, weight=None):
    """The signal of `spectra`, each weighted (frames, BANDS) where that is asked for, overlapped and added: (frames + 1) hops,
    correct but for the first and last hop."""
    pieces = fft.irfft(spectra if weight is None else weight * spectra, FRAME, axis=1)
    out = np.empty((len(pieces) + 1) * HOP, np.float32)
    _overlapped(pieces, WINDOW, out)
    return out


@njit(cache=True, nogil=True)
def _overlapped(pieces, window, out):
    for k in range(pieces.shape[0] + 1):
        at = out[k * HOP : (k + 1) * HOP]
        if k == pieces.shape[0]:
            for i in range(HOP):
                at[i] = pieces[k - 1, HOP + i] * window[HOP + i]
        elif k == 0:
            for i in range(HOP):
                at[i] = pieces[0, i] * window[i]
        else:
            one, other = pieces[k], pieces[k - 1]
            for i in range(HOP):
                at[i] = one[i] * window[i] + other[HOP + i] * window[HOP + i]


def smeared(field, frames, bands):
    """Moving mean over an odd number of frames and of bands (float32), edges held."""
    along, out = np.empty_like(field), np.empty_like(field)
    _along_bands(field, bands, along)
    _along_frames(along, frames, out)
    return out


@njit(cache=True, nogil=True)
def _along_bands(field, width, out):
    rows, bands = field.shape
    half = width // 2
    for k in range(rows):
        total = 0.0
        for j in range(-half, half + 1):
            total += field[k, min(max(j, 0), bands - 1)]
        out[k, 0] = total / width
        for j in range(1, bands):
            total += field[k, min(j + half, bands - 1)]
            total -= field[k, max(j - half - 1, 0)]
            out[k, j] = total / width


@njit(cache=True, nogil=True)
def _along_frames(field, width, out):
    rows, bands = field.shape
    half = width // 2
    total = np.zeros(bands)
    for k in range(-half, half + 1):
        row = field[min(max(k, 0), rows - 1)]
        for j in range(bands):
            total[j] += row[j]
    # Whole slices assigned here would take the compiler seconds.
    for j in range(bands):
        out[0, j] = total[j] / width
    for k in range(1, rows):
        new, old = field[min(k + half, rows - 1)], field[max(k - half - 1, 0)]
        for j in range(bands):
            total[j] += np.float64(new[j]) - np.float64(old[j])
            out[k, j] = total[j] / width
