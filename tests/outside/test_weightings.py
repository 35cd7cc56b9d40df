"""Weightings and bands against the published tables.

Tables marked L were read in a library's reference data of the named standard, N computed from the named formula.
"""

from itertools import pairwise

import numpy as np
import pytest
from bounceproof.condition.hiss import measure_hiss
from bounceproof.quantities import a_weighting_db, bs468_weighting_db, power_db, power_from_db, third_octave_bands

# IEC 61672-1:2013, Table 3 (L), nominal Hz: dB. It holds at the exact base-10 frequencies.
A_TABLE = {
    31.5: -39.4,
    63: -26.2,
    100: -19.1,
    125: -16.1,
    200: -10.9,
    250: -8.6,
    400: -4.8,
    500: -3.2,
    800: -0.8,
    1000: 0.0,
    1250: 0.6,
    2000: 1.2,
    3150: 1.2,
    4000: 1.0,
    5000: 0.5,
    6300: -0.1,
    8000: -1.1,
    10000: -2.5,
    12500: -4.3,
    16000: -6.6,
}

# ITU-R BS.468-4, Table 1 (L), Hz: (dB, tolerance).
BS468_TABLE = {
    31.5: (-29.9, 2.0),
    63: (-23.9, 1.4),
    100: (-19.8, 1.0),
    200: (-13.8, 0.85),
    400: (-7.8, 0.7),
    800: (-1.9, 0.55),
    1000: (0, 0.5),
    2000: (5.6, 0.5),
    3150: (9.0, 0.5),
    4000: (10.5, 0.5),
    5000: (11.7, 0.5),
    6300: (12.2, 0.0),
    7100: (12.0, 0.2),
    8000: (11.4, 0.4),
    9000: (10.1, 0.6),
    10000: (8.1, 0.8),
    12500: (0.0, 1.2),
    14000: (-5.3, 1.4),
    16000: (-11.7, 1.6),
    20000: (-22.2, 2.0),
}


def exact_hz(nominal_hz):
    """The exact base-10 frequency that a nominal one stands for (IEC 61260-1)."""
    return 1000.0 * 10.0 ** (round(10 * np.log10(nominal_hz / 1000)) / 10)


@pytest.mark.parametrize(("nominal_hz", "expected_db"), A_TABLE.items())
def test_a_weighting_rounds_to_the_table_at_exact_frequencies(nominal_hz, expected_db):
    # The table is rounded to 0.1 dB, so half of that is the most the formula may differ.
    assert abs(a_weighting_db(exact_hz(nominal_hz)) - expected_db) <= 0.0501


@pytest.mark.parametrize(("freq_hz", "expected"), BS468_TABLE.items())
def test_bs468_lies_within_the_tolerances(freq_hz, expected):
    level_db, tolerance_db = expected
    assert abs(bs468_weighting_db(freq_hz) - level_db) <= tolerance_db + 1e-9


def test_bs468_between_the_tables_points_stays_between_them():
    """The network is smooth: between neighbouring points of Table 1 its response lies between theirs, bar the peak at 6.3 kHz."""
    points = list(BS468_TABLE)
    for low, high in pairwise(points):
        between = bs468_weighting_db(np.geomspace(low, high, 9))
        ends = sorted((BS468_TABLE[low][0], BS468_TABLE[high][0]))
        assert between.min() >= ends[0] - 0.05
        assert between.max() <= ends[1] + 0.05


@pytest.mark.parametrize(
    ("nominal_hz", "mid_hz", "low_hz", "high_hz"),
    # IEC 61260-1:2014, base 10 (L, N).
    [(400, 398.107, 354.813, 446.684), (1000, 1000.0, 891.251, 1122.018), (4000, 3981.072, 3548.134, 4466.836)],
)
def test_third_octaves_have_the_standards_middles_and_edges(nominal_hz, mid_hz, low_hz, high_hz):
    band = next(band for band in third_octave_bands(20, 20000) if band.nominal_hz == nominal_hz)
    assert (band.mid_hz, band.low_hz, band.high_hz) == pytest.approx((mid_hz, low_hz, high_hz), abs=6e-4)


def test_third_octaves_tile_the_axis():
    """IEC 61260-1: neighbouring bands share an edge; thirty-one of them from 20 Hz to 20 kHz."""
    bands = third_octave_bands(19.9, 20000)
    assert len(bands) == 31
    assert [band.high_hz for band in bands[:-1]] == pytest.approx([band.low_hz for band in bands[1:]])


def white_difference_db(weighting_db, low_hz, high_hz):
    """Weighted less flat level of white noise, from the weighting's curve on a fine linear grid."""
    freq_hz = np.linspace(low_hz, high_hz, 200001)
    return power_db(np.mean(power_from_db(weighting_db(freq_hz))))


@pytest.mark.parametrize(
    ("weighting_db", "low_hz", "high_hz", "expected_db", "tolerance_db"),
    # Computed from the named curves (N); the 468 curve to 0.04 dB by the way its table is interpolated.
    [
        (a_weighting_db, 300, 4000, 0.64, 0.01),
        (a_weighting_db, 20, 20000, -2.05, 0.01),
        (bs468_weighting_db, 300, 4000, 6.66, 0.05),
        (bs468_weighting_db, 20, 20000, 7.25, 0.05),
    ],
)
def test_white_noise_differences_of_the_curves(weighting_db, low_hz, high_hz, expected_db, tolerance_db):
    assert abs(white_difference_db(weighting_db, low_hz, high_hz) - expected_db) <= tolerance_db


def test_white_noise_differences_as_measured():
    """The same differences (N) out of 20 s of noise through the hiss measure: 300 to 4000 Hz A +0.64 dB, 468 +6.66 dB."""
    rate_hz = 48000
    spectrum = np.fft.rfft(np.random.default_rng(3).normal(size=20 * rate_hz))
    freq_hz = np.fft.rfftfreq(20 * rate_hz, 1 / rate_hz)
    spectrum[(freq_hz < 300) | (freq_hz > 4000)] = 0
    noise = 0.01 * np.fft.irfft(spectrum)
    hiss = measure_hiss(noise, rate_hz, 1.0, third_octave_bands(50, 16000), (300, 4000))
    assert abs(hiss.a_weighted_dbfs - hiss.flat_dbfs - 0.64) < 0.05
    assert abs(hiss.bs468_rms_dbfs - hiss.flat_dbfs - 6.66) < 0.08
