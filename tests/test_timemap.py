"""Time maps: evaluated, inverted, written and read."""

import numpy as np
import pytest
from bounceproof.aligning.maps import under_chords
from bounceproof.timemap import TimeMap, knot_times, read_time_map, write_time_map
from hypothesis import given, settings
from hypothesis import strategies as st


@st.composite
def maps(draw):
    steps = st.lists(st.floats(1e-3, 0.01), min_size=1, max_size=40)
    stem_steps = draw(steps)
    speeds = draw(st.lists(st.floats(0.25, 4.0), min_size=len(stem_steps), max_size=len(stem_steps)))
    stem_s = np.concatenate(([0.0], np.cumsum(stem_steps)))
    return_s = draw(st.floats(-5, 500)) + np.concatenate(([0.0], np.cumsum(np.divide(stem_steps, speeds))))
    return TimeMap(stem_s, return_s, draw(st.floats(0, 1e5)))


@settings(deadline=None)
@given(maps(), st.floats(-3, 3))
def test_there_and_back(time_map, stem_s):
    assert time_map.stem_at(time_map.at(stem_s)) == pytest.approx(stem_s, abs=1e-9)


@settings(deadline=None)
@given(maps(), st.lists(st.floats(-1, 2), min_size=2, max_size=20, unique=True))
def test_order_is_kept_everywhere(time_map, moments):
    moments = np.sort(np.round(moments, 6))
    assert np.all(np.diff(time_map.at(moments))[np.diff(moments) > 0] > 0)


@settings(deadline=None, max_examples=50)
@given(maps())
def test_a_file_comes_back_to_a_nanosecond_and_writes_the_same_again(tmp_path_factory, time_map):
    folder = tmp_path_factory.mktemp("map")
    write_time_map(folder / "a.tsv", time_map)
    back = read_time_map(folder / "a.tsv")
    np.testing.assert_allclose(back.stem_s, time_map.stem_s, atol=0.6e-9)
    np.testing.assert_allclose(back.return_s, time_map.return_s, atol=0.6e-9)
    np.testing.assert_allclose(back.sigma_us, time_map.sigma_us, rtol=1e-5)
    write_time_map(folder / "b.tsv", back)
    assert (folder / "a.tsv").read_bytes() == (folder / "b.tsv").read_bytes()


def test_the_file_is_the_tables_three_columns(tmp_path):
    path = tmp_path / "time-map.tsv"
    write_time_map(path, TimeMap([0.0, 1.0], [0.25, 1.125], [2.5, np.inf]))
    assert path.read_text() == "stem_s\treturn_s\tsigma_us\n0.000000000\t0.250000000\t2.5\n1.000000000\t1.125000000\tinf\n"


def test_no_map_is_a_header_alone(tmp_path):
    path = tmp_path / "time-map.tsv"
    write_time_map(path, None)
    assert path.read_text() == "stem_s\treturn_s\tsigma_us\n"
    assert read_time_map(path) is None


def test_another_table_is_refused(tmp_path):
    (tmp_path / "a.tsv").write_text("a\tb\n1\t2\n")
    with pytest.raises(ValueError, match="header reads"):
        read_time_map(tmp_path / "a.tsv")


@pytest.mark.parametrize(
    ("stem_s", "return_s", "sigma_us", "says"),
    [
        ([0, 1, 1], [0, 1, 2], 1, "stem time does not increase after knot 1"),
        ([0, 1, 2], [0, 1, 0.5], 1, "return time does not increase after knot 1"),
        ([0, 1, 2], [0, np.nan, 2], 1, "return time"),
        ([0, 1], [0, 1, 2], 1, "equally long"),
        ([0], [0], 1, "two"),
        ([0, 1], [0, 1], -1, "sigma"),
        ([0, 1], [0, 1], [1, np.nan], "sigma"),
    ],
)
def test_what_is_no_map_is_refused(stem_s, return_s, sigma_us, says):
    with pytest.raises(ValueError, match=says):
        TimeMap(stem_s, return_s, sigma_us)


def test_speed_is_stem_over_return():
    # +1 % means the return is short: 100 s of stem come back in 100 / 1.01 s.
    time_map = TimeMap.straight(3.0, 1.01, 100.0)
    assert time_map.speed_percent == pytest.approx(1.0, abs=1e-9)
    assert time_map.at(0.0) == pytest.approx(3.0)
    assert time_map.at(100.0) == pytest.approx(3.0 + 100 / 1.01)
    assert np.isinf(time_map.sigma_us).all(), "a map is not known until somebody says how well"


def test_beyond_its_ends_a_map_goes_on_at_its_mean_speed():
    time_map = TimeMap([0.0, 1.0, 2.0], [10.0, 10.5, 12.0], 1.0)
    np.testing.assert_allclose(time_map.at([-1.0, 3.0]), [9.0, 13.0])
    np.testing.assert_allclose(time_map.stem_at([9.0, 13.0]), [-1.0, 3.0])


@given(st.floats(1e-4, 50))
def test_knots_reach_from_0_to_the_end_at_most_2_ms_apart(stem_seconds):
    knots = knot_times(stem_seconds)
    assert knots[0] == 0
    assert knots[-1] == stem_seconds
    assert np.diff(knots).min() > 0
    assert np.diff(knots).max() <= 0.002 * (1 + 1e-6)


@pytest.mark.parametrize("seconds", [0, -1, float("nan")])
def test_a_stem_without_length_has_no_knots(seconds):
    with pytest.raises(ValueError, match="length"):
        knot_times(seconds)


def test_sigma_between_a_known_and_an_unknown_knot_is_unknown():
    time_map = TimeMap([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0], [1.0, 3.0, np.inf, np.inf])
    assert time_map.sigma_at([0.0, 0.5, 1.0]).tolist() == [1.0, 2.0, 3.0]
    assert np.isinf(time_map.sigma_at([1.5, 2.0, 2.5])).all()


def test_resampled_and_shifted_maps_are_the_same_map():
    time_map = TimeMap([0.0, 1.0, 2.0], [10.0, 10.5, 12.0], [1.0, 2.0, 3.0])
    finer = time_map.resampled(np.linspace(0, 2, 9))
    np.testing.assert_allclose(finer.at([0.3, 1.7]), time_map.at([0.3, 1.7]))
    assert finer.sigma_us[4] == 2.0
    np.testing.assert_allclose(time_map.shifted(0.5).at([0.0, 1.0]), time_map.at([0.5, 1.5]))


def test_a_map_keeps_no_hold_of_what_it_was_made_from():
    stem_s = np.array([0.0, 1.0])
    time_map = TimeMap(stem_s, [0.0, 1.0], 1.0)
    stem_s[1] = -1
    assert time_map.stem_s[1] == 1.0


def test_straight_lines_between_knots_of_2_ms_follow_flutter_of_25_hz():
    # Chord of a sine: peak error (step^2 / 8) x curvature; 0.1 % at 25 Hz, knots 2 ms apart: rms 0.06 to 0.08 us.
    stem_s = knot_times(4.0)

    def true_map(t):
        return t + 0.001 / (2 * np.pi * 25) * np.sin(2 * np.pi * 25 * t)

    fine_s = np.linspace(0, 4, 200001)
    error_us = 1e6 * (TimeMap(stem_s, true_map(stem_s), 1.0).at(fine_s) - true_map(fine_s))
    assert 0.02 < np.sqrt(np.mean(error_us**2)) < 0.09


def test_what_was_sent_faster_strays_as_many_times_further_in_the_song():
    time_map = TimeMap([0.0, 1.0, 2.0], [5.0, 5.25, 5.5], [1.0, 2.0, np.inf])
    assert time_map.sigma_in_song_us([0.0, 1.0, 2.0]) == pytest.approx([4.0, 8.0, np.inf])


def test_straight_lines_lie_as_near_to_a_wandering_map_as_they_can():
    """A chord of a parabola strays h^2 u'' / sqrt(120) from it (rms), and less its mean h^2 u'' / sqrt(720): .41 times as far."""
    knots_s, fine_s = np.arange(0, 1.001, 0.002), np.linspace(0.01, 0.99, 10_001)

    def wandering(t):
        return t + 1e-5 * np.sin(2 * np.pi * 25 * t)

    def stray(return_s):
        return np.sqrt(np.mean(np.square(np.interp(fine_s, knots_s, return_s) - wandering(fine_s))))

    assert stray(under_chords(wandering(knots_s))) == pytest.approx(stray(wandering(knots_s)) / np.sqrt(6), rel=0.05)


def test_a_jump_of_the_map_stays_where_it_is():
    jumping = np.r_[np.arange(0, 0.02, 0.002), np.arange(0.05, 0.07, 0.002)]
    np.testing.assert_array_equal(under_chords(jumping)[[9, 10]], jumping[[9, 10]])


@given(maps())
def test_no_knot_passes_another(time_map):
    assert (np.diff(under_chords(time_map.return_s)) > 0).all()
