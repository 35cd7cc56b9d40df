"""Two channels of one pass share one motion: what the second adds to the first, and the skew between them."""

import numpy as np
import pytest
from bounceproof.aligning.together import shared_map
from bounceproof.timemap import TimeMap, knot_times

SONG_S = 60.0
KNOTS = knot_times(SONG_S)


def smooth(random, corner_s=0.05):
    """Noise of unit variance that hangs together over corner_s."""
    from scipy.ndimage import gaussian_filter1d

    out = gaussian_filter1d(random.normal(size=len(KNOTS)), corner_s / (KNOTS[1] - KNOTS[0]))
    return out / np.std(out)


def two_maps(seed, sigmas_us, *, skew_us=0.0, common_us=0.0, speed=1.01):
    """(truth, first, second): maps of one pass whose errors are separate but for a common part."""
    random = np.random.default_rng(seed)
    truth = 3.0 + KNOTS / speed + 1e-3 * np.sin(2 * np.pi * 0.7 * KNOTS)
    common = common_us * smooth(random)
    maps = []
    for k, sigma_us in enumerate(sigmas_us):
        sigma = np.broadcast_to(sigma_us, KNOTS.shape)
        error_us = sigma * smooth(random) + common + k * skew_us
        maps.append(TimeMap(KNOTS, truth + 1e-6 * error_us / speed, np.hypot(sigma, common_us)))
    return truth, *maps


def error_us(time_map, truth):
    left = 1e6 * (time_map.return_s - truth) * 1.01
    return left - left.mean()


def test_two_alike_witnesses_halve_the_variance():
    for seed in range(3):
        truth, first, second = two_maps(seed, (6.0, 6.0), skew_us=68.8)
        found = shared_map(first, second)
        assert np.std(error_us(found.time_map, truth)) == pytest.approx(6.0 / np.sqrt(2), rel=0.12)
        assert found.skew_us == pytest.approx(68.8, abs=2.0)


def test_who_agrees_in_everything_moves_nothing():
    _, first, _ = two_maps(1, (6.0, 6.0))
    shared = shared_map(first, first)
    assert np.array_equal(shared.time_map.return_s, first.return_s)
    assert shared.skew_us == 0


def test_what_errs_alike_is_not_gained_twice():
    """All of the error common: the second witness adds nothing, and the shared map does not claim it."""
    truth, first, second = two_maps(4, (0.5, 0.5), common_us=6.0)
    found = shared_map(first, second)
    assert np.std(error_us(found.time_map, truth)) == pytest.approx(6.0, rel=0.15)
    assert np.sqrt(np.mean(found.time_map.sigma_us**2)) > 4.5


def test_where_one_is_silent_the_other_leads():
    sigma_us = np.where((KNOTS > 20) & (KNOTS < 30), 300.0, 4.0)
    truth, first, second = two_maps(5, (sigma_us, 4.0))
    found = shared_map(first, second)
    gap = (KNOTS > 21) & (KNOTS < 29)
    assert np.std(error_us(found.time_map, truth)[gap]) < 10.0
    assert np.sqrt(np.mean(found.time_map.sigma_us[gap] ** 2)) < 12.0
    assert found.gain > 3.0


def test_where_one_is_not_known_at_all_the_other_stands_for_it():
    truth, first, second = two_maps(6, (4.0, 4.0), skew_us=-30.0)
    cut = first.sigma_us.copy()
    cut[KNOTS > 40] = np.inf
    found = shared_map(TimeMap(KNOTS, first.return_s, cut), second)
    assert np.isfinite(found.time_map.sigma_us).all()
    assert np.abs(error_us(found.time_map, truth)).max() < 30.0
    nothing = TimeMap(KNOTS, first.return_s, np.inf)
    assert shared_map(nothing, second) is None


def test_the_constant_stays_each_channels_own():
    """A constant known to 5 us in either channel is not known better for being two: its share of sigma stays."""
    _, first, second = two_maps(8, (3.0, 3.0))
    wide = [TimeMap(KNOTS, one.return_s, np.hypot(3.0, 5.0)) for one in (first, second)]
    found = shared_map(*wide, offsets_us=(5.0, 5.0))
    assert np.sqrt(np.mean(found.time_map.sigma_us**2)) == pytest.approx(np.hypot(3.0 / np.sqrt(2), 5.0), rel=0.05)
    assert found.skew_sigma_us == pytest.approx(np.hypot(5.0, 5.0))


def test_sigma_holds_over_many_draws():
    """Mean squared error over stated variance about 1: separate, unequal, half common."""
    for sigmas, common in (((5.0, 5.0), 0.0), ((3.0, 9.0), 0.0), ((4.0, 4.0), 4.0)):
        ratios = []
        for seed in range(6):
            truth, first, second = two_maps(10 + seed, sigmas, common_us=common)
            found = shared_map(first, second)
            ratios.append(np.mean((error_us(found.time_map, truth) / found.time_map.sigma_us) ** 2))
        assert 0.7 < np.mean(ratios) < 1.3, (sigmas, common, np.mean(ratios))
