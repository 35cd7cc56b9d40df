"""What following works on: stem and return at their working rates."""

import weakref

import numpy as np
import pytest
from bounceproof.aligning.channels import channel_samples
from bounceproof.aligning.kept import Kept
from bounceproof.follow import material
from bounceproof.follow.material import Return, Sent

RATE_HZ = 44100


def noise(seconds=1.0):
    return np.random.default_rng(1).normal(scale=0.1, size=int(seconds * RATE_HZ)).astype(np.float32)


@pytest.mark.parametrize("kind", [Sent, Return])
def test_samples_handed_over_give_the_same_and_are_let_go_before_the_rest_is_made(kind, monkeypatch):
    kept, seen, alive = Kept(noise), [], []
    given = kind(noise(), RATE_HZ)

    def handed():
        samples = kept.taken()
        seen.append(weakref.ref(samples))
        return samples

    after = {Sent: (np, "zeros"), Return: (material, "_coefficients")}[kind]
    ordinary = getattr(*after)

    def watched(*args, **options):
        alive.extend(one() is not None for one in seen)
        return ordinary(*args, **options)

    monkeypatch.setattr(*after, watched)
    handed_over = kind(handed, RATE_HZ)
    assert len(seen) == 1
    assert alive
    assert not any(alive)
    assert handed_over.seconds == given.seconds == 1.0
    name = {Sent: "samples", Return: "coefficients"}[kind]
    assert np.array_equal(getattr(handed_over, name), getattr(given, name))


def test_a_returns_power_is_its_mean_square_without_its_constant_offset():
    samples = noise()
    at_work = material.to_rate(samples, RATE_HZ, material.WORK_HZ).astype(float)
    assert Return(samples, RATE_HZ).power == pytest.approx(at_work.var(), rel=1e-5)
    # The resampler's edges know of the offset.
    assert Return(samples + np.float32(0.25), RATE_HZ).power == pytest.approx(at_work.var(), rel=1e-3)
    assert Return(np.zeros(0, np.float32), RATE_HZ).power == 0.0


@pytest.mark.parametrize("channels", [1, 2])
def test_a_channels_mean_is_taken_off_in_its_own_memory_only_where_nobody_needs_it_any_more(channels):
    capture = np.stack([noise(0.1) + np.float32(0.25)] * channels, axis=1)
    before = capture.copy()
    samples, mean = channel_samples(capture, channels)
    assert np.array_equal(capture, before)
    in_place, same_mean = channel_samples(capture, channels, in_place=True)
    assert mean == same_mean == pytest.approx(0.25, abs=0.01)
    assert np.array_equal(in_place, samples)
    assert np.shares_memory(in_place, capture) == (channels == 1)
