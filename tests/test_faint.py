"""Faint stretches looked at again, and what the constant of such returns rests on, each on signals made for it."""

import numpy as np
import pytest
from bounceproof.follow import estimate, faint, response, sweep
from bounceproof.follow.material import Return, Sent, bin_times
from bounceproof.follow.speed import Noise, SpeedModel

RATE_HZ = 16000
SECONDS = 6
UNSTEADY = SpeedModel(100.0, (Noise(4000.0, 4.0), Noise(4000.0, 25.0)))


@pytest.fixture(scope="module")
def faded():
    """A stroke each second whose tail sinks under the hiss: sent, return, and which bins are tail."""
    random = np.random.default_rng(1)
    t = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    loudness = np.where(t % 1.0 < 0.25, np.maximum(np.exp(-(t % 1.0) / 0.018), 3e-3), 0.0)
    sent = Sent((0.3 * loudness * random.normal(size=t.size)).astype(np.float32), RATE_HZ)
    came = sent.samples + (2e-3 * random.normal(size=sent.samples.size)).astype(np.float32)
    second = bin_times(sent.bins) % 1.0
    return sent, Return(came, RATE_HZ), (second > 0.16) & (second < 0.24)


def _looked(faded, off_us, **options):
    sent, back, _ = faded
    theta = response.pulse(1.0)
    seen = sweep.look(sent, back, estimate.knots((0.0, 1.0), off_us), theta)
    there = estimate.There(sent, back, (0.0, 1.0), theta, 0.0, seen)
    found, _ = faint.look_again(there, off_us, estimate.measured(off_us, seen), UNSTEADY, None, **options)
    return found


def test_a_faint_tail_that_settled_elsewhere_is_brought_back(faded):
    _, _, tail = faded
    second = bin_times(tail.size) % 1.0
    off_us = 150.0 * np.clip((second - 0.12) / 0.03, 0, 1) * (second < 0.3)
    found = _looked(faded, off_us)
    assert np.median(np.abs(found + off_us)[tail]) < 40.0
    loud = second < 0.05
    assert not found[loud].any()


def test_a_map_that_is_right_stays(faded):
    assert _looked(faded, np.zeros(faded[0].bins)) is None


def test_a_tail_that_settled_beyond_a_jump_leaps_back_only_when_asked(faded):
    _, _, tail = faded
    second = bin_times(tail.size) % 1.0
    off_us = 2200.0 * np.clip((second - 0.12) / 0.01, 0, 1) * (second < 0.3)
    found = _looked(faded, off_us, nearby=False, leaps=True)
    assert np.median(np.abs(found + off_us)[tail]) < 60.0
    assert _looked(faded, np.zeros(tail.size), nearby=False, leaps=True) is None


@pytest.mark.parametrize(("off_us", "taken"), [(0.0, False), (400.0, True)])
def test_settling_is_taken_only_where_it_pays(faded, monkeypatch, off_us, taken):
    """A correction that puts every second stroke off, or right, by a period of its music."""
    sent, back, _ = faded
    second = (bin_times(sent.bins).astype(int) % 2).astype(float)
    moves = off_us * second if taken else -400.0 * second
    monkeypatch.setattr(estimate.settle, "settle", lambda *_: (-moves, np.full(sent.bins, 3.0)))
    watched = []
    x_us, sd_us, _ = estimate._settled(sent, back, (0.0, 1.0), off_us * second, [], 1, watched.append)
    assert len(watched) == taken
    assert not x_us.any()
    assert np.all(sd_us == (3.0 if taken else estimate.START_SD_US[1]))


def test_pairs_of_samples_across_the_blocks_count():
    """Otherwise the blocks' edges pass for knowledge: against the correlations of the whole."""
    random = np.random.default_rng(2)
    stem, other = random.normal(size=(2, 6000)).astype(np.float32)
    inside = np.zeros(6000, np.float32)
    inside[1500:4000] = stem[1500:4000]
    parts = [response.correlations(inside, (other,), first, first + 600, reach=3) for first in range(1200, 4800, 600)]
    auto, cross = sum(part[0] for part in parts), sum(part[1][0] for part in parts)
    stem, other = inside.astype(float), other.astype(float)
    lags = np.arange(response.LAST_LAG - response.FIRST_LAG + 1)
    np.testing.assert_allclose(auto, [stem[: 6000 - lag] @ stem[lag:] for lag in lags], atol=1e-6 * auto[0])
    shifted = [stem[1500:4000] @ other[1500 + lag : 4000 + lag] for lag in range(response.FIRST_LAG - 3, response.LAST_LAG + 4)]
    np.testing.assert_allclose(cross, shifted, atol=1e-6 * auto[0])


def test_a_small_lobe_beside_the_largest_is_told():
    click = np.sin(np.cumsum(np.linspace(350, 4200, 8000)) * 2 * np.pi / RATE_HZ) * np.hanning(8000)
    anchor = response.Anchor([click])
    taps = response.basis()[1]
    anchor.sign = 1
    theta = 1.0 * (taps == 17) + 0.3 * (taps == 0)
    assert anchor.lobe(theta, within=3) == pytest.approx(0.3, abs=0.05)
    assert anchor.lobe(response.pulse(0.5), within=3) == pytest.approx(1.0)


def test_a_delay_is_looked_for_no_further_than_asked():
    """Where the polarity known is found nowhere near, something near it is the answer all the same."""
    anchor = response.Anchor([np.random.default_rng(3).normal(size=2000)])
    anchor.sign = 1
    assert abs(anchor.delay(response.pulse(-1.0), within=2)[0]) < 15
