"""A tape's overload, told from the cube of what was sent, on signals made for it."""

import numpy as np
import pytest
from bounceproof.follow import bending, estimate, response, sweep
from bounceproof.follow.material import WORK_HZ, Return, Sent, bin_times

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
    share = bending.first(_there(sent, came.astype(np.float32)), np.zeros(sent.bins))
    assert -0.33 < share < -0.1
    # With that much in what was sent, what is still missing is asked for, pass after pass.
    for _ in range(4):
        share = bending.refined(share, _there(sent.bent(share), came.astype(np.float32)), np.zeros(sent.bins))
    assert share == pytest.approx(-0.3, abs=0.06)


@pytest.mark.parametrize("gain", [1.0, 0.3])
def test_a_clean_return_is_not_called_bent(gain):
    sent = _sent()
    assert bending.first(_there(sent, gain * sent.samples, gain), np.zeros(sent.bins)) == 0.0


def test_the_cube_is_the_cube_and_nothing_folds_back():
    t = np.arange(2 * WORK_HZ) / WORK_HZ
    low = (0.5 * np.sin(2 * np.pi * 500 * t)).astype(np.float32)
    np.testing.assert_allclose(Sent(low, WORK_HZ).cube(0, low.size)[200:-200], low[200:-200] ** 3, atol=2e-4)
    # sin^3 has a quarter of its third harmonic: 9 kHz, which is none of the working band's.
    high = (0.5 * np.sin(2 * np.pi * 3000 * t)).astype(np.float32)
    spectrum = np.abs(np.fft.rfft(Sent(high, WORK_HZ).cube(0, high.size))) / high.size * 2
    assert spectrum[6000] == pytest.approx(0.75 * 0.125, rel=0.01)
    assert spectrum[14000] < 1e-3
    bent = Sent(low, WORK_HZ).bent(-0.4).samples
    np.testing.assert_allclose(bent[200:-200], (low - 0.4 * low**3)[200 : bent.size - 200], atol=2e-4)
