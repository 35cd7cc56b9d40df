"""The speed process of a machine, learned from measurements of a simulated one."""

import numpy as np
import pytest
from bounceproof.follow import learn
from bounceproof.follow.speed import Line, Noise
from scipy.signal import lfilter

STEP_S, SECONDS = 0.002, 40.0


@pytest.fixture(scope="module")
def evidence():
    """One line and noise with a corner at 60 Hz, measured to 1 us."""
    random, count = np.random.default_rng(3), int(SECONDS / STEP_S)
    pole = np.exp(-2 * np.pi * 60.0 * STEP_S)
    wander = lfilter([1.0], [1.0, -2 * pole, pole**2], random.normal(size=count))
    wander *= 1000.0 / wander.std()
    speed_ppm = wander + 1100.0 * np.sin(2 * np.pi * 3.4 * STEP_S * np.arange(count))
    z_us = np.cumsum(speed_ppm) * STEP_S + random.normal(size=count)
    return learn.Evidence(z_us, np.ones(count), STEP_S)


@pytest.fixture(scope="module")
def learned(evidence):
    return learn.learn(evidence, learn.UNKNOWN)


def test_what_was_learned_is_what_was_simulated(learned):
    loudest = max(learned.lines, key=lambda line: line.level_ppm)
    assert loudest.rate_hz == pytest.approx(3.4, abs=0.02)
    assert loudest.level_ppm == pytest.approx(1100.0 / np.sqrt(2), rel=0.6)
    assert max(noise.level_ppm for noise in learned.noises) == pytest.approx(1000.0, rel=0.25)


def test_a_model_that_the_evidence_agrees_with_is_left_as_it_is(evidence, learned):
    assert learn.up_to_date(evidence, learned) is learned


def test_one_learned_from_quite_another_map_is_learned_anew(evidence, learned):
    """As a map full of errors taught it: next to no fast wandering."""
    stuck = learned._replace(noises=(Noise(570.0, 8.0), Noise(38.0, 65.0)), lines=(Line(3.4, 800.0, 0.004),))
    anew = learn.up_to_date(evidence, stuck)
    assert anew == learned
    assert evidence.of(anew) > evidence.of(learn.climb(evidence, stuck)) + learn.OUTDATED


def test_where_there_is_none_it_is_learned(evidence, learned):
    assert learn.up_to_date(evidence, None) == learned
