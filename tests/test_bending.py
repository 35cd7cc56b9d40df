"""A tape's overload, told from the powers of what was sent, on signals made for it."""

import numpy as np
import pytest
from bounceproof.follow import bending, estimate, joint, response, sweep
from bounceproof.follow.material import BIN, WORK_HZ, Return, Sent, bin_times
from bounceproof.follow.speed import Noise, SpeedModel

RATE_HZ = 16000
SECONDS = 6


def _sent():
    """Low notes of several partials, half a second each."""
    random = np.random.default_rng(1)
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    notes = []
    for hz in random.uniform(80, 300, 2 * SECONDS):
        partials = sum(np.sin(2 * np.pi * k * hz * t + random.uniform(0, 6)) / k for k in range(1, 7))
        notes.append(partials * np.exp(-t / 0.2))
    return Sent((0.25 * np.concatenate(notes)).astype(np.float32), RATE_HZ)


def _there(sent, came, gain=1.0):
    random = np.random.default_rng(2)
    back = Return(came + (3e-3 * random.normal(size=came.size)).astype(np.float32), RATE_HZ)
    theta = response.pulse(gain)
    seen = sweep.look(sent, back, bin_times(sent.bins), theta)
    return estimate.There(sent, back, (0.0, 1.0), theta, 0.0, seen)


def test_an_overloaded_tape_takes_off_some_of_the_cube():
    """Smooth overload is tanh in the recorder of these tests: x - x^3 / 3 + ..., here with a slope that makes the share -0.3."""
    sent = _sent()
    steep = np.sqrt(0.9)
    came = np.tanh(steep * sent.samples) / steep
    square, cube = bending.first(_there(sent, came.astype(np.float32)), np.zeros(sent.bins))
    assert square == 0
    assert -0.36 < cube < -0.1


def test_map_response_and_overload_are_solved_together():
    """tanh about a bias b: tanh(s x + b), less its value at 0 and by its slope there, is x - s t x^2 - s^2 (1 - 3 t^2) / 3 x^3 +
    ..., t = tanh(b)."""
    sent, steep, t = _sent(), np.sqrt(0.9), np.tanh(0.1)
    came = (np.tanh(steep * sent.samples + 0.1) - t) / (steep * (1 - t**2))
    there = _there(sent, came.astype(np.float32))
    anchor, edges = response.Anchor([np.eye(1, 64)[0]]), joint.groups(sent.bins)
    model, unknowns = SpeedModel(1.0, (Noise(100.0, 20.0),)), np.append(there.theta, (0.0, 0.0))
    for _ in range(6):
        seen = sweep.look(sent.bent(unknowns[-2:]), there.back, bin_times(sent.bins), there.theta, edges=edges, want_bend=True)
        equations = joint.Elimination(seen, unknowns, anchor, model, edges=edges)
        shares = equations.step(np.zeros(sent.bins)).unknowns[-2:]
        change, unknowns = shares - unknowns[-2:], np.append(there.theta, shares)
    np.testing.assert_allclose(unknowns[-2:], [-steep * t, -0.3 * (1 - 3 * t**2)], atol=0.04)
    assert bending.stands(shares, change, 1.0)


@pytest.mark.parametrize("gain", [1.0, 0.3])
def test_a_clean_return_is_not_called_bent(gain):
    sent = _sent()
    assert bending.first(_there(sent, gain * sent.samples, gain), np.zeros(sent.bins)).tolist() == [0, 0]


def test_the_powers_are_powers_and_nothing_folds_back():
    t = np.arange(2 * WORK_HZ) / WORK_HZ
    low = (0.5 * np.sin(2 * np.pi * 500 * t)).astype(np.float32)
    inside = slice(200, -200)
    powers = Sent(low, WORK_HZ).powers(0, low.size)
    np.testing.assert_allclose(powers[:, inside], [low[inside] ** 2, low[inside] ** 3], atol=2e-4)
    # sin^3 has a quarter of its third harmonic: 9 kHz, which is none of the working band's.
    high = (0.5 * np.sin(2 * np.pi * 3000 * t)).astype(np.float32)
    spectrum = np.abs(np.fft.rfft(Sent(high, WORK_HZ).powers(0, high.size)[1])) / high.size * 2
    assert spectrum[6000] == pytest.approx(0.75 * 0.125, rel=0.01)
    assert spectrum[14000] < 1e-3
    bent = Sent(low, WORK_HZ).bent([0.1, -0.4])
    np.testing.assert_allclose(bent.samples[inside], (low + 0.1 * low**2 - 0.4 * low**3)[inside], atol=2e-4)
    # What more is added later is of what was not bent yet.
    np.testing.assert_allclose(bent.powers(0, low.size)[1][inside], low[inside] ** 3, atol=2e-4)


def test_bins_are_grouped_in_long_returns_but_where_each_counts():
    assert joint.groups(1000).tolist() == list(range(1001))
    fine = np.zeros(200_001, bool)
    fine[101:104] = True
    edges = joint.groups(200_001, fine=fine)
    assert edges[48:56].tolist() == [96, 98, 100, 101, 102, 103, 104, 106]
    assert edges[-2:].tolist() == [200_000, 200_001]


def test_the_power_that_comes_back_is_that_of_each_bin():
    sent = _sent()
    found = sweep.heard_power(sent, response.pulse(0.5))
    np.testing.assert_allclose(found, 0.25 * np.mean(sent.samples.reshape(-1, BIN) ** 2, axis=1), rtol=1e-3, atol=1e-9)
