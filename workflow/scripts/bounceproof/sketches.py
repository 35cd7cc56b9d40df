"""A sketch of a sound: its power through time in narrow bands, small enough to be kept beside each stem.

Conventions: rows are half-overlapping segments a hop of about 21 ms apart (row k = its middle at (k + 1) hops), columns the
bands of `sketch_bands`; values are mean squares. A hop is the same time at a session's rate and at its half, quarter and eighth.
"""

import numpy as np

from bounceproof import spectra
from bounceproof.files import write_atomically
from bounceproof.quantities import Band

HOP_S = 1024 / 48000
LOWEST_HZ, HIGHEST_HZ = 250.0, 8000.0
PER_OCTAVE = 6
_SILENT_DB = -140.0


def hop_samples(rate_hz):
    """Samples of a hop at a session's rate; a whole number at its half, quarter and eighth too."""
    return 8 * max(1, round(HOP_S * rate_hz / 8))


def sketch_bands(rate_hz):
    """Bands a sixth of an octave wide from 250 Hz on, as far as 8 kHz and the rate reach."""
    half = 2.0 ** (0.5 / PER_OCTAVE)
    mids_hz = LOWEST_HZ * 2.0 ** (np.arange(round(PER_OCTAVE * np.log2(HIGHEST_HZ / LOWEST_HZ)) + 1) / PER_OCTAVE)
    return [Band(mid, mid, mid / half, mid * half) for mid in mids_hz.tolist() if mid * half < 0.45 * rate_hz]


def sketch(samples, rate_hz, *, factor=1, kind=np.float64):
    """(segments, bands) float32 of samples at rate_hz / factor, rate_hz being the session's rate; kind: as in `transforms`."""
    own_hz = rate_hz / factor
    segment = 2 * hop_samples(rate_hz) // factor
    powers = spectra.band_powers([samples], own_hz, sketch_bands(own_hz), segment=segment, kind=kind)
    return powers[:, 0].astype(np.float32)


def write_sketch(path, powers):
    """Keep a sketch as a NumPy file of half floats in dB, which hold a sketch's levels within 0.03 dB."""
    with np.errstate(divide="ignore"), write_atomically(path) as temporary:
        np.save(temporary, np.maximum(10.0 * np.log10(powers), _SILENT_DB).astype(np.float16))


def read_sketch(path):
    """(segments, bands) float32 mean squares of a sketch that was kept."""
    level_db = np.load(path).astype(np.float32)
    return np.where(level_db <= _SILENT_DB, np.float32(0.0), 10.0 ** (level_db / 10))
