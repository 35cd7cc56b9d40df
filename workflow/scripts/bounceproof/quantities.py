"""Decibels, speeds, standard bands and weightings.

Conventions: amplitudes are re full scale = 1; `_dbfs` of an rms reads -3.01 for a full-scale sine;
speed = replay speed over record speed, so that +1 % makes a return short and sharp; frequencies in Hz.
"""

from typing import NamedTuple

import numpy as np

# 20 / ln 10: what a small relative error of an amplitude is in dB.
DB_PER_NEPER = 8.685889638
# 10 / ln 10: what a small relative error of a power is in dB.
DB_PER_POWER_RATIO = 4.342944819
# Crest factor of a sine: its peak over its rms.
SINE_CREST_DB = 3.0103


def amplitude_db(ratio):
    """20 lg of an amplitude ratio (scalar or array); 0 gives -inf."""
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.abs(ratio))


def power_db(ratio):
    """10 lg of a power ratio (scalar or array); 0 gives -inf."""
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(ratio)


def amplitude_from_db(level_db):
    """The amplitude ratio of a level in dB (scalar or array)."""
    return 10.0 ** (np.asarray(level_db, dtype=float)[()] / 20.0)


def power_from_db(level_db):
    """The power ratio of a level in dB (scalar or array)."""
    return 10.0 ** (np.asarray(level_db, dtype=float)[()] / 10.0)


def rms(samples, axis=-1):
    """Root mean square along `axis`; 0 for an empty array."""
    samples = np.asarray(samples, dtype=float)
    if samples.shape[axis] == 0:
        return np.zeros(np.delete(samples.shape, axis))[()]
    return np.sqrt(np.mean(np.square(samples), axis=axis))


_PIECE = 1 << 20


def rms_dbfs(samples):
    """Rms level in dBFS; a full-scale sine reads -3.01, silence -inf."""
    samples = np.ravel(samples)
    # Piece by piece: an hour in double precision is 1.4 GB.
    pieces = [np.square(samples[k : k + _PIECE], dtype=float).sum() for k in range(0, samples.size, _PIECE)]
    return float(amplitude_db(np.sqrt(sum(pieces) / samples.size) if samples.size else 0.0))


def peak_dbfs(samples):
    """Sample peak in dBFS; silence or an empty array gives -inf."""
    return float(amplitude_db(highest(samples)))


def highest(samples):
    """The largest size of a sample, 0 for none. samples: an array, or what slices into arrays; read piece by piece."""
    pieces = (samples[k : k + _PIECE] for k in range(0, len(samples), _PIECE))
    return float(np.max([max(np.max(piece), -np.min(piece)) for piece in pieces], initial=0.0))


def speed_percent(ratio):
    """Speed deviation in percent of a speed ratio (replay over record)."""
    return 100.0 * (ratio - 1.0)


class Band(NamedTuple):
    """One band: its nominal name, exact mid-band frequency and edges, all in Hz."""

    nominal_hz: float
    mid_hz: float
    low_hz: float
    high_hz: float


_NOMINAL_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def third_octave_bands(low_hz, high_hz):
    """Third-octave bands whose exact mid-band frequency lies in low_hz .. high_hz.

    Source: IEC 61260-1:2014, base ten: G = 10^0.3, mid bands 1000 G^(x/3) Hz, edges at mid x G^(-1/6) and G^(+1/6).
    Raises ValueError unless 0 < low_hz < high_hz.
    """
    if not 0 < low_hz < high_hz:
        raise ValueError(f"bands need 0 < low < high; got {low_hz} to {high_hz} Hz")
    first = int(np.ceil(10 * np.log10(low_hz / 1000) - 1e-9))
    last = int(np.floor(10 * np.log10(high_hz / 1000) + 1e-9))
    return [_third_octave(x) for x in range(first, last + 1)]


def _third_octave(x):
    mid_hz = 1000.0 * 10.0 ** (x / 10)
    decade, place = divmod(x, 10)
    nominal_hz = round(1000.0 * _NOMINAL_DECADE[place] * 10.0**decade, 6)
    return Band(nominal_hz, mid_hz, mid_hz * 10.0**-0.05, mid_hz * 10.0**0.05)


def shares_within(bands, band_hz):
    """(bands,) the share of each Band's width that lies within band_hz, (low, high)."""
    low_hz, high_hz = band_hz
    return np.array(
        [max(0.0, min(band.high_hz, high_hz) - max(band.low_hz, low_hz)) / (band.high_hz - band.low_hz) for band in bands]
    )


_A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


def a_weighting_db(freq_hz):
    """A weighting in dB at freq_hz (scalar or array, > 0). Source: IEC 61672-1:2013, annex E."""
    f2 = np.square(np.asarray(freq_hz, dtype=float))
    f1, f2_pole, f3, f4 = np.square(_A_POLES_HZ)
    gain = f4 * f2**2 / ((f2 + f1) * np.sqrt((f2 + f2_pole) * (f2 + f3)) * (f2 + f4))
    return amplitude_db(gain) + 1.9997


# ITU-R BS.468-4, Table 1: frequency in Hz, response in dB.
_BS468_HZ = (
    31.5,
    63,
    100,
    200,
    400,
    800,
    1000,
    2000,
    3150,
    4000,
    5000,
    6300,
    7100,
    8000,
    9000,
    10000,
    12500,
    14000,
    16000,
    20000,
)
_BS468_DB = (-29.9, -23.9, -19.8, -13.8, -7.8, -1.9, 0, 5.6, 9.0, 10.5, 11.7, 12.2, 12.0, 11.4, 10.1, 8.1, 0, -5.3, -11.7, -22.2)


def bs468_weighting_db(freq_hz):
    """Noise weighting of ITU-R BS.468-4 in dB: its Table 1, straight lines over the logarithm of frequency.

    Outside the table the end slopes go on (6 dB per octave below, that of the last two points above).
    """
    log_f = np.log2(np.asarray(freq_hz, dtype=float))
    log_table, table_db = np.log2(_BS468_HZ), np.asarray(_BS468_DB)
    inside = np.interp(log_f, log_table, table_db)
    below = table_db[0] + 6.02 * (log_f - log_table[0])
    slope = (table_db[-1] - table_db[-2]) / (log_table[-1] - log_table[-2])
    above = table_db[-1] + slope * (log_f - log_table[-1])
    return np.where(log_f < log_table[0], below, np.where(log_f > log_table[-1], above, inside))[()]


def power_weights(bands, band_hz):
    """{"flat", "a_weighted", "bs468_rms": (bands,) weight of each Band's power in such a level}: flat covers band_hz, the
    weightings count each band at its middle.
    """
    mids_hz = np.array([band.mid_hz for band in bands])
    return {
        "flat": shares_within(bands, band_hz),
        "a_weighted": power_from_db(a_weighting_db(mids_hz)),
        "bs468_rms": power_from_db(bs468_weighting_db(mids_hz)),
    }


# Weighting of speed deviations, dB re 4 Hz: AES6-2008 (the same as IEC 60386), from memory, agreeing with two public
# transcriptions; the standard itself was not seen.
_FLUTTER_HZ = (0.1, 0.2, 0.315, 0.4, 0.63, 0.8, 1, 1.6, 2, 4, 6.3, 10, 20, 40, 63, 100, 200)
_FLUTTER_DB = (-48, -30.6, -19.7, -15.0, -8.4, -6.0, -4.2, -1.8, -0.9, 0, -0.9, -2.1, -5.9, -10.4, -14.2, -17.3, -23.0)


def flutter_weighting_db(rate_hz):
    """Weighting of wow and flutter by AES6-2008 in dB re 4 Hz, at modulation rates rate_hz (scalar or array, > 0).

    Straight lines over the logarithm of the rate between the table's points; the end slopes go on outside.
    """
    log_rate, log_table = np.log2(np.asarray(rate_hz, dtype=float)), np.log2(_FLUTTER_HZ)
    table_db = np.asarray(_FLUTTER_DB, dtype=float)
    below, above = (np.diff(table_db[part])[0] / np.diff(log_table[part])[0] for part in (slice(0, 2), slice(-2, None)))
    beyond_db = below * np.minimum(log_rate - log_table[0], 0.0) + above * np.maximum(log_rate - log_table[-1], 0.0)
    return (np.interp(log_rate, log_table, table_db) + beyond_db)[()]
