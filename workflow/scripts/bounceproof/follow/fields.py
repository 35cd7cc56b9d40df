"""Time and frequency: how loud the unexplained part is at each moment and frequency, and how much of the music came through.

Conventions: frames of FRAME samples every HOP at the working rate, root-Hann windows at both ends (they overlap and add to 1,
J. Allen and L. Rabiner, Proc. IEEE 65 (1977) 1558); fields are (frames, bands) in float32. Powers are per frame bin of a
signal framed so: white noise of variance v reads v * HOP.
"""

import numpy as np
from scipy import fft

from bounceproof.compiling import compiled

from .material import HOP, WORK_HZ

FRAME = 2 * HOP
BANDS = FRAME // 2 + 1
# Transformed so many at a time, they stay in the processor's cache from one step to the next.
AT_ONCE = 128
WINDOW = np.sqrt(np.hanning(FRAME + 1)[:-1]).astype(np.float32)
FREQ_HZ = np.arange(BANDS) * WORK_HZ / FRAME
# Outside these the working rate's own filters, direct current and rumble would speak.
LOW_HZ, HIGH_HZ = 40.0, 7000.0
IN_BAND = ((FREQ_HZ >= LOW_HZ) & (FREQ_HZ <= HIGH_HZ)).astype(np.float32)


def framed(samples):
    """Spectra (frames, BANDS), complex64, of a float32 signal whose length is whole hops; frame k starts at hop k."""
    frames = samples.size // HOP - 1
    out, pieces = np.empty((frames, BANDS), np.complex64), np.empty((min(AT_ONCE, frames), FRAME), np.float32)
    for first in range(0, frames, AT_ONCE):
        some = pieces[: min(AT_ONCE, frames - first)]
        _windowed(samples[first * HOP :], WINDOW, some)
        out[first : first + len(some)] = fft.rfft(some, axis=1)
    return out


@compiled()
def _windowed(samples, window, out):
    for k in range(out.shape[0]):
        frame, row = samples[k * HOP : k * HOP + FRAME], out[k]
        for i in range(FRAME):
            row[i] = frame[i] * window[i]


def medians(rows):
    """The median of each row: by sorting, which goes many at a time, where picking the middle one does not."""
    ordered = np.sort(rows, axis=-1)
    count = ordered.shape[-1]
    return ordered[..., count // 2] if count % 2 else (ordered[..., count // 2 - 1] + ordered[..., count // 2]) / 2


def power(spectra):
    """|spectra|^2, float32."""
    out = np.empty(spectra.shape, np.float32)
    _squared(spectra, out)
    return out


@compiled()
def _squared(spectra, out):
    for k in range(out.shape[0]):
        one, row = spectra[k], out[k]
        for j in range(row.size):
            row[j] = one[j].real * one[j].real + one[j].imag * one[j].imag


def joined(spectra, weight=None):
    """The signal of `spectra`, each weighted (frames, BANDS) where that is asked for, overlapped and added: (frames + 1) hops,
    correct but for the first and last hop."""
    frames = len(spectra)
    out, weighted = np.zeros((frames + 1) * HOP, np.float32), np.empty((min(AT_ONCE, frames), BANDS), np.complex64)
    for first in range(0, frames, AT_ONCE):
        some = spectra[first : first + AT_ONCE]
        if weight is not None:
            _weighted(some, weight[first : first + AT_ONCE], weighted)
            some = weighted[: len(some)]
        _add_overlapped(fft.irfft(some, FRAME, axis=1), WINDOW, out[first * HOP :])
    return out


@compiled()
def _weighted(spectra, weight, out):
    for k in range(weight.shape[0]):
        one, by, row = spectra[k], weight[k], out[k]
        for j in range(by.size):
            row[j] = complex(one[j].real * by[j], one[j].imag * by[j])


@compiled()
def _add_overlapped(pieces, window, out):
    for k in range(pieces.shape[0]):
        row, at = pieces[k], out[k * HOP : k * HOP + FRAME]
        for i in range(FRAME):
            at[i] += row[i] * window[i]


def smeared(field, frames, bands):
    """Moving mean over an odd number of frames and of bands (float32), edges held."""
    along, out = np.empty_like(field), np.empty_like(field)
    _along_bands(field, bands, along)
    _along_frames(along, frames, out)
    return out


@compiled()
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


@compiled()
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
