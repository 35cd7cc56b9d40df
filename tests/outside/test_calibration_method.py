"""The calibration's methods against published values.

Exponential sweep: A. Farina, AES 108th convention (2000), 5093; A. Novak et al., J. Audio Eng. Soc. 63(10) (2015): the N-th
harmonic arrives L ln N early. Third harmonic of 3 % = -30.5 dB: DIN 45500-4. Cube law: sin^3 x = (3 sin x - sin 3x) / 4.
"""

import numpy as np
import pytest
from bounceproof.planning import level_law, sweeps, tones

RATE_HZ = 48000


@pytest.mark.parametrize(("order", "early_s"), [(2, 1.0034), (3, 1.5904), (4, 2.0069)])
def test_harmonics_arrive_early_as_published(order, early_s):
    assert sweeps.rise_s(20, 20000, 10.0) * np.log(order) == pytest.approx(early_s, abs=1e-4)


def bent(samples, third):
    """A cubic with this third harmonic for a sine of peak 1: y = x - a x^3 has (a / 4) / (1 - 3 a / 4)."""
    a = 4 * third / (1 + 3 * third)
    return samples - a * samples**3


def test_sweep_and_steps_find_the_harmonic_of_a_cubic():
    third = 0.03
    sweep = sweeps.exponential_sweep(50, 12000, 10.0, RATE_HZ)
    before, after = (np.zeros(int(s * RATE_HZ)) for s in (sweeps.BEFORE_S, sweeps.AFTER_S))
    found = sweeps.responses(np.concatenate((before, bent(sweep, third), after)), sweep, RATE_HZ, 50, 12000)
    ratio = np.sqrt(found[3].power_near(1000) / found[1].power_near(1000))
    assert 20 * np.log10(ratio) == pytest.approx(-30.46, abs=0.15)
    tone = np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ // 2) / RATE_HZ)
    step = tones.read_step(bent(tone, third), RATE_HZ, 1000)
    assert 20 * np.log10(step.harmonics[3]) == pytest.approx(-30.46, abs=0.02)
    assert 20 * np.log10(ratio) == pytest.approx(20 * np.log10(step.harmonics[3]), abs=0.15)


def test_response_of_a_known_filter():
    from scipy import signal

    sos = signal.butter(2, [300, 4000], "band", fs=RATE_HZ, output="sos")
    sweep = sweeps.exponential_sweep(80, 12000, 10.0, RATE_HZ)
    before, after = (np.zeros(int(s * RATE_HZ)) for s in (sweeps.BEFORE_S, sweeps.AFTER_S))
    found = sweeps.responses(signal.sosfilt(sos, np.concatenate((before, sweep, after))), sweep, RATE_HZ, 80, 12000)[1]
    _, due = signal.freqz_sos(sos, worN=found.freq_hz, fs=RATE_HZ)
    assert found.level_db == pytest.approx(20 * np.log10(np.abs(due)), abs=0.25)


def test_full_is_3_percent_and_the_law_is_quadratic_below():
    assert 20 * np.log10(level_law.FULL_THIRD) == pytest.approx(-30.46, abs=0.01)
    assert level_law.over_full_db(0.03) == pytest.approx(0.0, abs=1e-6)
    for over_db in (-20.0, -40.0, -60.0):
        expected = 20 * np.log10(0.03) + 2 * over_db
        assert 20 * np.log10(level_law.third_at(over_db)) == pytest.approx(expected, abs=1.2)
        assert level_law.over_full_db(level_law.third_at(over_db)) == pytest.approx(over_db, abs=0.05)


def test_loss_of_the_fundamental_is_three_times_the_third_harmonic_while_small():
    for third in (0.001, 0.003, 0.01):
        assert level_law.loss_db(third) == pytest.approx(-20 * np.log10(1 - 3 * third), rel=0.1)


def test_what_lies_before_the_tape_is_told_from_what_lies_behind_it():
    """Filters of scipy before and after a cubic; the lows before it known where their third harmonic is long under the hiss."""
    from bounceproof.planning.before_tape import before_tape
    from scipy import signal

    rate_hz, third = 24000, 0.02
    sweep = sweeps.exponential_sweep(40, 11000, 10.0, rate_hz)
    before, after = (np.zeros(int(s * rate_hz)) for s in (sweeps.BEFORE_S, sweeps.AFTER_S))
    hiss = 1e-4 * np.random.default_rng(1).normal(size=before.size + sweep.size + after.size)
    for first, then in (((1, 150), (3, 280)), ((2, 270), (1, 200))):
        on, off = (signal.butter(order, edge_hz, "high", fs=rate_hz, output="sos") for order, edge_hz in (first, then))
        played = signal.sosfilt(off, hiss + bent(signal.sosfilt(on, np.concatenate((before, sweep, after))), third))
        found = sweeps.responses(played, sweep, rate_hz, 40, 11000)
        shape = found[1]._replace(level_db=found[1].level_db - found[1].level_near(800))
        told = before_tape(shape, found, 800.0)
        for freq_hz in (100.0, 150.0, 300.0):
            due = np.abs(signal.freqz_sos(on, worN=[freq_hz, 800.0], fs=rate_hz)[1])
            assert told.at(freq_hz)[0] == pytest.approx(20 * np.log10(due[0] / due[1]), abs=1.0), (first, freq_hz)
