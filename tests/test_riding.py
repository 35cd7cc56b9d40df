"""The level control's ride, what was clipped, and what the music vouches for, each on signals made for it."""

import numpy as np
import pytest
from bounceproof.follow import riding, slips, sweep
from bounceproof.follow.material import BIN, Return, Sent, bin_times

RATE_HZ = 16000
BINS = 1000


def test_a_fall_stays_a_fall_and_noise_between_goes():
    random = np.random.default_rng(1)
    true = np.where(np.arange(BINS) < 400, 2.0, -0.5)
    found = riding.smoothed(true + 0.2 * random.normal(size=BINS), np.full(BINS, 25.0))
    assert np.abs(found - true)[np.abs(np.arange(BINS) - 400) > 3].max() < 0.45
    assert np.std(found[500:900]) < 0.12


def test_no_gain_rises_faster_than_a_level_control_lets_go():
    # A chirp through a response that is wrong looks like this: up by 20 dB within some bins, and down again.
    swing = 2.3 * np.exp(-(((np.arange(BINS) - 500) / 5.0) ** 2))
    found = riding.smoothed(swing, np.full(BINS, 100.0))
    assert np.diff(found).max() < 1.1 * riding.MOST_RISE


def test_a_pass_tells_the_gain_that_straight_lines_between_the_bins_have():
    """Against dense least squares on the hat functions."""
    random = np.random.default_rng(2)
    model = random.normal(size=40 * BIN)
    places = (np.arange(model.size) - 0.5 * (BIN - 1)) / BIN
    hats = np.maximum(1 - np.abs(places[:, None] - np.arange(-1, 41)), 0)
    error = model * (hats @ random.normal(size=42))
    score, info = np.zeros(41), np.zeros((2, 41))
    sweep._hats(error, model, score, info)
    part = hats[:, :41] * model[:, None]
    normal = part.T @ part
    np.testing.assert_allclose(score, part.T @ error, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(info[1], np.diag(normal), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(info[0, 1:], np.diag(normal, 1), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("ridden", [True, False])
def test_a_ride_is_found_where_there_is_one_only(ridden):
    random = np.random.default_rng(3)
    stem = random.normal(size=8 * RATE_HZ) * (np.arange(8 * RATE_HZ) % RATE_HZ < 0.7 * RATE_HZ) * 0.1
    sent = Sent(stem.astype(np.float32), RATE_HZ)
    # Lets go by 20 dB over each second, falls within 10 ms at its end.
    second = bin_times(sent.bins) % 1.0
    gain = np.where(second < 0.01, 2.3 * (1 - second / 0.01), 2.3 * second) if ridden else np.zeros(sent.bins)
    came = sent.ridden(gain).samples + 1e-3 * random.normal(size=sent.samples.size).astype(np.float32)
    found = riding.first(sent, Return(came, RATE_HZ), bin_times(sent.bins))
    if not ridden:
        assert found is None
        return
    plays = (second > 0.03) & (second < 0.65)
    off = (found - gain)[plays]
    assert np.std(off) < 0.1


def test_only_what_is_held_at_the_extreme_is_clipped():
    t = np.arange(RATE_HZ) / RATE_HZ
    plain = 0.9 * np.sin(2 * np.pi * 50 * t)
    assert Return(plain.astype(np.float32), RATE_HZ).clipped[0].size == 0
    begins, ends = Return(np.clip(2 * plain, -1, 1).astype(np.float32), RATE_HZ).clipped
    assert begins.size == 100
    assert np.all(np.diff(begins) > 0)
    # sin is above 1 / 1.8 for .3125 of each period.
    assert np.mean(ends - begins) == pytest.approx(np.arccos(1 / 1.8) / np.pi / 50, abs=2.5 / RATE_HZ)


def test_the_music_keeps_a_suspect_that_it_would_lose_elsewhere():
    suspect = np.zeros(BINS, bool)
    suspect[100:150] = suspect[300:350] = True
    lost = np.where(np.arange(BINS) < 200, 1.0, -0.1)
    kept = slips.not_vouched(suspect, lost)
    assert not kept[100:150].any()
    assert kept[300:350].all()
