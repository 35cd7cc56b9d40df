"""Timing between all tracks, from maps whose truth is made."""

import numpy as np
import pytest
from bounceproof import between_tracks
from bounceproof.timemap import TimeMap, knot_times, read_time_map, write_time_map

SONG_S = 20.0
CLICKS_S = (-3.0, 23.0)


def track(name, sigma_us, wander_us, *, plays=((0.0, SONG_S),), by_clicks=False):
    knots = knot_times(SONG_S)
    late_s = 1e-6 * wander_us * np.sin(2 * np.pi * knots / 5.0)
    time_map = TimeMap(knots, 10.0 + knots + late_s, sigma_us)
    ends_s = [10.0 + one for one in CLICKS_S]
    return between_tracks.course(name, time_map, CLICKS_S, ends_s, plays, SONG_S, by_clicks=by_clicks)


def test_two_maps_leave_both_their_sigmas_and_two_clicks_the_wander_too():
    (row,) = between_tracks.rows([track("a", 3.0, 800.0), track("b", 4.0, -400.0)])
    assert row["aligned_rms_us"] == pytest.approx(5.0)
    assert row["clicks_rms_us"] == pytest.approx(np.hypot(5.0, 1200.0 / np.sqrt(2)), rel=0.01)
    assert row["together_s"] == pytest.approx(SONG_S)


def test_tracks_that_never_play_together_are_not_compared():
    courses = [track("a", 3.0, 0.0, plays=[(0, 5)]), track("b", 4.0, 0.0, plays=[(6, 9)]), track("c", 12.0, 0.0)]
    table = between_tracks.rows(courses)
    assert [(row["first"], row["second"]) for row in table] == [("a", "b"), ("a", "c"), ("b", "c")]
    assert table[0]["aligned_rms_us"] is None
    found = between_tracks.summed_up(table)
    assert found["worst"] == ["b", "c"]
    assert found["worst_us"] == pytest.approx(np.hypot(4.0, 12.0))
    assert between_tracks.summed_up(table[:1])["median_us"] is None


def test_a_track_laid_through_its_clicks_has_one_figure():
    (row,) = between_tracks.rows([track("a", 600.0, 0.0, by_clicks=True), track("b", 3.0, 900.0)])
    assert row["aligned_rms_us"] == pytest.approx(600.0, rel=0.01)
    assert row["clicks_rms_us"] == pytest.approx(np.hypot(600.0, 900.0 / np.sqrt(2)), rel=0.01)


@pytest.mark.parametrize("every", [1, 7, 100, 100000])
def test_some_knots_of_a_map_are_read_first_and_last_among_them(tmp_path, every):
    knots = knot_times(1.0)
    write_time_map(tmp_path / "map.tsv", TimeMap(knots, 2.0 + knots, 1.0))
    found = read_time_map(tmp_path / "map.tsv", every=every)
    assert (found.stem_s[0], found.stem_s[-1]) == (0.0, 1.0)
    assert len(found.stem_s) == len(np.unique([*range(0, len(knots), every), len(knots) - 1]))
