"""Decibels, speeds and third-octave bands. The weightings' tables are checked in outside/test_weightings.py."""

import itertools

import numpy as np
import pytest
from bounceproof import quantities as q
from hypothesis import given
from hypothesis import strategies as st

levels = st.floats(-150, 60)


@given(levels)
def test_decibels_there_and_back(level_db):
    assert q.amplitude_db(q.amplitude_from_db(level_db)) == pytest.approx(level_db, abs=1e-9)
    assert q.power_db(q.power_from_db(level_db)) == pytest.approx(level_db, abs=1e-9)
    assert q.power_db(q.amplitude_from_db(level_db) ** 2) == pytest.approx(level_db, abs=1e-9)


def test_decibels_of_known_ratios():
    # 20 lg 2 and 10 lg 2: arithmetic.
    assert q.amplitude_db(2.0) == pytest.approx(6.0206, abs=1e-4)
    assert q.power_db(2.0) == pytest.approx(3.0103, abs=1e-4)
    assert q.amplitude_db(-0.5) == pytest.approx(-6.0206, abs=1e-4), "polarity has no part in a level"
    assert isinstance(q.amplitude_from_db(-20), float), "a scalar stays one"
    np.testing.assert_allclose(q.amplitude_from_db([0, -20, -40]), [1, 0.1, 0.01])


def test_silence_is_minus_infinity_without_a_warning(recwarn):
    assert q.amplitude_db(0.0) == -np.inf
    assert q.power_db(0.0) == -np.inf
    assert q.rms_dbfs(np.zeros(8)) == -np.inf
    assert q.peak_dbfs(np.zeros(0)) == -np.inf
    assert not recwarn.list


def test_a_full_scale_sine_reads_minus_3_01():
    # AES17 would call it 0; the project's own convention is the plain rms re full scale 1: 10 lg(1/2).
    sine = np.sin(2 * np.pi * np.arange(48000) * 1000 / 48000)
    assert q.rms_dbfs(sine) == pytest.approx(-3.0103, abs=1e-3)
    assert q.peak_dbfs(sine) == pytest.approx(0.0, abs=1e-6)
    assert q.rms_dbfs(np.stack([sine, sine])) == pytest.approx(-3.0103, abs=1e-3)


def test_rms_goes_along_an_axis_and_takes_nothing():
    samples = np.array([[3.0, 4.0], [0.0, 0.0]])
    np.testing.assert_allclose(q.rms(samples), [np.sqrt(12.5), 0.0])
    np.testing.assert_allclose(q.rms(samples, axis=0), [np.sqrt(4.5), np.sqrt(8.0)])
    assert q.rms(np.zeros(0)) == 0.0
    np.testing.assert_array_equal(q.rms(np.zeros((3, 0))), np.zeros(3))


def test_integers_do_not_overflow():
    assert q.rms(np.array([30000, -30000], dtype=np.int16)) == pytest.approx(30000)


def test_one_percent_of_speed_is_17_cents():
    # 1200 log2 1.01 = 17.23 cents, 3 % = 51.17 cents: arithmetic of the equal-tempered scale.
    assert q.speed_percent(2 ** (17.226 / 1200)) == pytest.approx(1.0, abs=1e-4)
    assert q.speed_percent(2 ** (51.17 / 1200)) == pytest.approx(3.0, abs=1e-3)
    assert q.speed_percent(0.5) == -50.0


def test_bands_of_iec_61260():
    # IEC 61260-1:2014, base ten, mid bands and edges.
    bands = {band.nominal_hz: band for band in q.third_octave_bands(300, 5100)}
    assert sorted(bands) == [315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000]
    for nominal_hz, mid_hz, low_hz, high_hz in (
        (400, 398.107, 354.813, 446.684),
        (1000, 1000.0, 891.251, 1122.018),
        (4000, 3981.072, 3548.134, 4466.836),
    ):
        np.testing.assert_allclose(bands[nominal_hz][1:], (mid_hz, low_hz, high_hz), atol=1e-3)


@given(st.floats(1, 20000), st.floats(1.01, 100))
def test_bands_meet_and_their_middles_lie_inside(low_hz, times):
    bands = q.third_octave_bands(low_hz, low_hz * times)
    for band in bands:
        assert low_hz * (1 - 1e-6) <= band.mid_hz <= low_hz * times * (1 + 1e-6)
        assert band.low_hz < band.mid_hz < band.high_hz
        assert band.nominal_hz == pytest.approx(band.mid_hz, rel=0.013), "IEC 61260-1 Annex E: nominal values are rounded"
    for one, after in itertools.pairwise(bands):
        assert one.high_hz == pytest.approx(after.low_hz, rel=1e-12)


@pytest.mark.parametrize(("low_hz", "high_hz"), [(0, 100), (-1, 100), (200, 100), (100, 100), (float("nan"), 100)])
def test_bands_refuse_a_range_that_is_none(low_hz, high_hz):
    with pytest.raises(ValueError, match="bands need"):
        q.third_octave_bands(low_hz, high_hz)
