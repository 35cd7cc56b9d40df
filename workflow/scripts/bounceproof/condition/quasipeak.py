"""The quasi-peak detector of ITU-R BS.468-4: weighted noise as that recommendation reads it.

Conventions: samples re full scale; a steady sine reads its own rms level, so quasi-peak and rms are told by the same scale. The
recommendation gives the ballistics by what bursts of 5 kHz have to read; two followers in a row, each with a rise and a fall, are
fitted here to those readings, which were taken from memory (see `BURSTS`).
"""

import numpy as np

from bounceproof.quantities import amplitude_db, amplitude_from_db, bs468_weighting_db

# Single bursts of 5 kHz: length in ms -> (reading in % of the steady one, lowest, highest); from memory of BS.468-4, Table 2.
BURSTS = {
    1: (17.0, 13.5, 21.4),
    2: (26.6, 22.4, 31.6),
    5: (40.0, 34.0, 46.0),
    10: (48.0, 41.0, 55.0),
    20: (52.0, 44.0, 60.0),
    50: (59.0, 50.0, 68.0),
    100: (68.0, 58.0, 78.0),
    200: (80.0, 68.0, 92.0),
}
# Bursts of 5 ms, so many a second; from memory of BS.468-4, Table 3.
REPEATED_BURSTS = {2: (48.0, 43.0, 53.0), 10: (77.0, 72.0, 82.0), 100: (97.0, 94.0, 100.0)}

# (rise, fall) in s of the two followers, by least squares over the two tables, each reading in units of its tolerance.
_FOLLOWERS_S = ((1.594e-3, 0.4148), (0.1771, 0.3331))
# What a steady sine of rms 1 (rectified) comes to.
_SINE_READS = 1.3687
_SETTLED_S = 0.8


def weighted(samples, rate_hz):
    """The samples through the 468 weighting, by their spectrum: no delay, nothing outside 20 Hz to 20 kHz."""
    count = len(samples)
    spectrum = np.fft.rfft(samples)
    freq_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    gain = amplitude_from_db(bs468_weighting_db(np.maximum(freq_hz, 1.0))) * ((freq_hz >= 20.0) & (freq_hz <= 20000.0))
    return np.fft.irfft(spectrum * gain, count)


def detected(samples, rate_hz):
    """The detector's reading (amplitude, a steady sine reads its rms) at each sample; it starts from rest."""
    shares = -np.expm1(-1.0 / (rate_hz * np.array(_FOLLOWERS_S)))
    return _followed(np.abs(np.asarray(samples, dtype=float)), shares) / _SINE_READS


def _followed(sizes, shares):
    """Two followers in a row; shares: (2, 2), what each takes up and lets go a sample. Plain numbers: to load the compiler takes
    longer than the two seconds of hiss that are read.
    """
    (rise, fall), (second_rise, second_fall) = shares.tolist()
    first, second, out = 0.0, 0.0, []
    for size in sizes.tolist():
        first += (size - first) * rise if size > first else -first * fall
        second += (first - second) * second_rise if first > second else -second * second_fall
        out.append(second)
    return np.array(out)


def quasi_peak_dbfs(samples, rate_hz):
    """Quasi-peak level in dBFS of a stretch of noise, weighted: the mean of the reading once it has settled (0.8 s).

    None for a stretch of less than 1 s, -inf for silence.
    """
    samples = np.asarray(samples, dtype=float)
    if len(samples) < rate_hz:
        return None
    reading = detected(weighted(samples - samples.mean(), rate_hz), rate_hz)
    return float(amplitude_db(reading[int(_SETTLED_S * rate_hz) :].mean()))
