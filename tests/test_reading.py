"""Reading between the samples: exact where it must be, below -115 dB elsewhere."""

import numpy as np
import pytest
from bounceproof import reading
from bounceproof.quantities import amplitude_db, rms
from bounceproof.reading import Reader, _along, read_through
from bounceproof.timemap import TimeMap
from hypothesis import given, settings
from hypothesis import strategies as st

RATE_HZ = 48000


def sine(tone_hz, positions, rate_hz=RATE_HZ):
    return np.sin(2 * np.pi * tone_hz * np.asarray(positions) / rate_hz + 0.4)


def error_db(got, expected):
    return amplitude_db(rms(got - expected) / rms(expected))


@pytest.mark.parametrize("tone_hz", [20, 1000, 8000, 20000])
def test_a_sine_is_read_between_its_samples(tone_hz):
    # The figure is the project's own: see the module's docstring. Outside: the sampling theorem (Shannon 1949).
    samples = sine(tone_hz, np.arange(20000))
    positions = np.random.default_rng(1).uniform(200, 19800, 30000)
    assert error_db(Reader(samples).at(positions), sine(tone_hz, positions)) < -115


@pytest.mark.parametrize("dtype", [np.float32, np.float64, np.int16])
def test_whole_positions_give_the_samples_themselves(dtype):
    samples = (1000 * np.random.default_rng(2).normal(size=3000)).astype(dtype)
    np.testing.assert_allclose(Reader(samples).at(np.arange(3000)), samples.astype(float), rtol=1e-12, atol=1e-9)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 2**31), start=st.floats(-3000, 3000), speed=st.floats(0.2, 4.0), cut=st.integers(1, 399))
def test_in_blocks_equals_at_once(seed, start, speed, cut):
    samples = np.random.default_rng(seed).normal(size=2000)
    positions = start + speed * np.arange(400)
    reader = Reader(samples)
    pieces = np.concatenate([reader.at(positions[:cut]), reader.at(positions[cut:])])
    np.testing.assert_array_equal(pieces, reader.at(positions))


def test_outside_is_silence_and_ends_are_continuous():
    samples = np.ones(100)
    reader = Reader(samples)
    np.testing.assert_array_equal(reader.at([-1e9, -0.001, 99.001, 1e9, np.nan, np.inf]), 0)
    assert reader.at([0.0, 99.0]).tolist() == [1.0, 1.0]
    assert Reader(np.array([0.5])).at([0.0]).tolist() == [0.5]
    assert Reader(np.zeros(0)).at([0.0, 1.0]).tolist() == [0.0, 0.0]


def test_shape_is_kept_and_two_channels_are_refused():
    assert Reader(np.ones(100)).at(np.full((3, 4), 50.0)).shape == (3, 4)
    with pytest.raises(ValueError, match="one channel"):
        Reader(np.zeros((100, 2)))


def test_reading_is_linear():
    random = np.random.default_rng(3)
    one, two = random.normal(size=(2, 2000))
    positions = random.uniform(0, 1999, 500)
    np.testing.assert_allclose(
        Reader(2 * one - 3 * two).at(positions), 2 * Reader(one).at(positions) - 3 * Reader(two).at(positions), atol=1e-12
    )


@pytest.mark.parametrize("start_s", [0.0, -1.0, 1.7])
@pytest.mark.parametrize("first", [0, 5000])
def test_places_along_a_map_are_those_that_the_map_tells(start_s, first):
    knots_s = np.linspace(0.5, 2.0, 751)
    time_map = TimeMap(knots_s, 2.1 + 1.003 * knots_s + 1e-4 * np.sin(9 * knots_s), 1.0)
    places = np.empty(30000)
    _along(time_map.stem_s, time_map.return_s, 1 / time_map.mean_speed_ratio, start_s, first, float(RATE_HZ), places)
    assert np.array_equal(places, time_map.at(start_s + np.arange(first, first + places.size) / RATE_HZ))


@pytest.mark.parametrize("speed", [0.88, 0.97, 1.0, 1.05, 1.12])
def test_a_capture_read_through_its_map_is_the_stem(speed):
    stem_s = np.arange(RATE_HZ) / RATE_HZ
    time_map = TimeMap.straight(0.3123456, speed, 1.0)
    capture = sine(1000, (np.arange(2 * RATE_HZ) / RATE_HZ - 0.3123456) * speed * RATE_HZ)
    got = read_through(capture, RATE_HZ, time_map, start_s=0.0, count=RATE_HZ, rate_hz=RATE_HZ)
    inner = slice(100, -100)
    assert error_db(got[inner], sine(1000, stem_s * RATE_HZ)[inner]) < -100


def test_a_map_that_wanders_is_undone():
    stem_s = np.arange(0, 2.001, 0.002)
    wander_s = 0.002 * np.sin(2 * np.pi * 0.5 * stem_s)
    time_map = TimeMap(stem_s, 0.2 + stem_s + wander_s, 1.0)
    at = np.arange(3 * RATE_HZ) / RATE_HZ
    capture = sine(2000, time_map.stem_at(at) * RATE_HZ)
    got = read_through(capture, RATE_HZ, time_map, start_s=0.0, count=2 * RATE_HZ, rate_hz=RATE_HZ)
    # Both ways go through the same straight lines between knots, so only the reading itself is left; kinks cost a little.
    assert error_db(got[500:-500], sine(2000, np.arange(2 * RATE_HZ))[500:-500]) < -80


def test_blocks_of_a_long_reading_join_without_a_seam(monkeypatch):
    samples = np.random.default_rng(4).normal(size=30000)
    time_map = TimeMap.straight(0.01, 1.03, 0.5)
    ways = []
    for block in (1 << 18, 777):
        monkeypatch.setattr(reading, "BLOCK", block)
        ways.append(read_through(samples, RATE_HZ, time_map, start_s=0.1, count=20000, rate_hz=RATE_HZ))
    np.testing.assert_array_equal(*ways)


@pytest.mark.parametrize("capture_hz", [16000, 44100, 96000, 192000])
def test_any_rate_of_capture_lands_on_the_stems_samples(capture_hz):
    capture = sine(1000, np.arange(2 * capture_hz) - 0.25 * capture_hz, capture_hz)
    time_map = TimeMap.straight(0.25, 1.0, 1.0)
    got = read_through(capture, capture_hz, time_map, start_s=0.0, count=RATE_HZ, rate_hz=RATE_HZ)
    assert error_db(got[500:-500], sine(1000, np.arange(RATE_HZ))[500:-500]) < -100


def test_what_the_result_cannot_hold_is_left_out():
    """96 kHz to 48 kHz: 30 kHz would fold to 18 kHz (Shannon 1949); a tone of 10 kHz beside it stays."""
    positions = np.arange(2 * 96000)
    capture = sine(30000, positions, 96000) + 0.1 * sine(10000, positions, 96000)
    got = read_through(capture, 96000, TimeMap.straight(0.25, 1.0, 1.0), start_s=0.0, count=RATE_HZ, rate_hz=RATE_HZ)
    expected = 0.1 * sine(10000, np.arange(RATE_HZ) + 0.25 * RATE_HZ)
    assert error_db(got[500:-500], expected[500:-500]) < -80


def test_a_return_that_runs_slow_is_limited_before_it_is_read_fast():
    """Half speed: the return is read twice as fast, so that its 20 kHz would come out as 40."""
    capture = sine(20000, np.arange(3 * RATE_HZ))
    got = read_through(capture, RATE_HZ, TimeMap.straight(0.1, 0.5, 1.0), start_s=0.1, count=RATE_HZ // 2, rate_hz=RATE_HZ)
    assert amplitude_db(np.max(np.abs(got[500:-500]))) < -80
