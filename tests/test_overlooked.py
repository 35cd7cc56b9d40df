"""Jumps over a rest, told by what its two sides say: on maps of a simulated machine with known jumps."""

from types import SimpleNamespace

import numpy as np
import pytest
from bounceproof.follow import jumps, overlooked
from bounceproof.follow.material import BIN_S, bin_times
from bounceproof.follow.speed import Noise, SpeedModel

SECONDS, REST_S = 12.0, (5.5, 6.4)
SPEED = 300.0  # ppm


def followed(by_us, seed=3, known_us=5.0):
    """An estimate's figures for a machine that wanders and, within a rest, jumps by so many us."""
    random = np.random.default_rng(seed)
    bins = round(SECONDS / BIN_S)
    t = bin_times(bins)
    corner_hz = 4.0
    kept = np.exp(-2 * np.pi * corner_hz * BIN_S)
    speed_ppm = np.zeros(bins)
    for k in range(1, bins):
        speed_ppm[k] = kept * speed_ppm[k - 1] + SPEED * np.sqrt(1 - kept**2) * random.normal()
    true_us = np.cumsum(speed_ppm) * BIN_S + by_us * (t > np.mean(REST_S))
    rest = (t > REST_S[0]) & (t < REST_S[1])
    info = np.where(rest, 0.0, 1 / known_us**2)
    z_us = np.where(rest, 0.0, true_us + known_us * random.normal(size=bins))
    model = SpeedModel(10.0, (Noise(SPEED, corner_hz),))
    x_us = np.interp(t, t[~rest], true_us[~rest])
    return SimpleNamespace(x_us=x_us, z_us=z_us, info=info, model=model)


def told(found, events=()):
    t = bin_times(found.x_us.size)
    rests = list(overlooked._leapt_over(found, list(events), 0.0))
    return [event for rest in rests if (event := overlooked._as_rest(found, rest, list(events), 0.0, t)[0])]


@pytest.mark.parametrize("by_us", [-4000.0, -2000.0, 3000.0])
def test_a_jump_within_a_rest_is_told_from_its_two_sides(by_us):
    (event,) = told(followed(by_us))
    assert abs(event.by_us - by_us) < 500
    assert REST_S[0] < event.middle_s < REST_S[1]
    assert jumps.kind(event, event.by_us, 0.0) == "jump"


@pytest.mark.parametrize("seed", range(8))
def test_a_machine_that_only_wanders_has_not_jumped(seed):
    assert told(followed(0.0, seed)) == []


def test_a_jump_that_is_known_is_not_told_again():
    known = jumps.Event(*REST_S, 3000.0, 0.0)
    assert told(followed(3000.0), [known]) == []


def test_a_stroke_whose_start_is_not_explained_is_looked_at_though_the_one_before_is_half_explained():
    """A machine that slips within a stroke: the map, drawn off there, spoils the stroke before as well."""
    t = bin_times(round(6.0 / BIN_S))
    power = np.where(t % 1.0 < 0.2, 1.0, 0.0)
    share = np.where(power > 0, np.select([np.floor(t) == 2, (t > 3.0) & (t < 3.1)], [0.55, 0.01], 1.0), 0.0)
    (one,) = overlooked._unexplained(power, share)
    assert 2.0 < t[one.first] < 3.0 and 3.1 < t[one.last] < 3.3
