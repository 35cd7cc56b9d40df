"""How a source reaches a stem: distance, colour, bleed, floor.

Conventions: one channel, float64, `RATE_HZ`; distances in metres at 343 m/s. Delays and colours act on the whole song's spectrum
(padded), so that they are exact to a fraction of a sample.
"""

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from bounceproof.demo_song.score import RATE_HZ

SOUND_M_S = 343.0


def heard(source, *, distance_m=0.0, low_hz=None, high_hz=None, resonances=()):
    """The source at a microphone: later by distance / 343 m/s, first-order edges, and resonances (mid_hz, gain_db, quality).

    Responses are those of the analogue circuits: 1 / (1 + jf/fc), jf/fl / (1 + jf/fl), and
    (1 + A jx/Q - x^2) / (1 + jx/Q - x^2) with x = f / mid.
    """
    count = next_fast_len(source.size + RATE_HZ // 4, real=True)
    freq_hz = np.arange(count // 2 + 1) * (RATE_HZ / count)
    response = np.exp(-2j * np.pi * freq_hz * (distance_m / SOUND_M_S))
    if low_hz:
        response *= 1j * freq_hz / (low_hz + 1j * freq_hz)
    if high_hz:
        response /= 1.0 + 1j * freq_hz / high_hz
    for mid_hz, gain_db, quality in resonances:
        x = freq_hz / mid_hz
        wide = 1j * x / quality
        response *= (1.0 + 10.0 ** (gain_db / 20.0) * wide - x**2) / (1.0 + wide - x**2)
    return irfft(rfft(source, count) * response, count)[: source.size]


def bleed(source, own, *, distance_m, below_db):
    """Another instrument in this microphone: so far away, its peak so far under the own one's."""
    gain = float(np.max(np.abs(own))) / max(float(np.max(np.abs(source))), 1e-12) * 10.0 ** (-below_db / 20.0)
    return gain * heard(source, distance_m=distance_m, high_hz=6000.0)


def at_level(samples, peak_dbfs, generator, *, floor_dbfs=-78.0):
    """The samples ((frames,) or (frames, channels)) at a peak level, over the noise of microphone and preamplifier."""
    gain = 10.0 ** (peak_dbfs / 20.0) / float(np.max(np.abs(samples)))
    return gain * samples + 10.0 ** (floor_dbfs / 20.0) * generator.standard_normal(samples.shape)
