"""Hum and whine in silences, alone and stacked, against tones whose frequency and level are known."""

import numpy as np
import pytest
from bounceproof import stack
from bounceproof.condition.lines import find_lines
from bounceproof.files import finite
from simulated import lay, music

RATE_HZ = 48000
SECONDS = 4.5


def noise(seed, *, seconds=SECONDS):
    """White, rms 1: its density is 2 / RATE_HZ per Hz."""
    return np.random.default_rng(seed).normal(size=int(seconds * RATE_HZ))


def tone(freq_hz, *, over_hiss_db, phase=0.0, wander=0.0):
    """A tone so many dB over the hiss in a Hann bin of half a second (3 Hz wide), its frequency wandering at 2.3 Hz."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    amplitude = np.sqrt(2 * 10 ** (over_hiss_db / 10) * 3.0 * 2 / RATE_HZ)
    return amplitude * np.sin(2 * np.pi * freq_hz * t + phase + freq_hz * wander / 2.3 * np.sin(2 * np.pi * 2.3 * t))


def nearest(lines, freq_hz):
    return min(lines, key=lambda line: abs(line["frequency_hz"] - freq_hz))


@pytest.mark.parametrize(("mains_hz", "speed"), [(50.0, 1.0), (60.0, 1.0), (50.0, 0.96), (60.0, 0.96), (50.0, 1.05)])
def test_hum_6_db_over_the_hiss(mains_hz, speed):
    """Four of the family's lines, recorded at another speed or picked up at replay: found within 0.2 %, and told apart."""
    for seed in range(4):
        wanted = [mains_hz * speed * order for order in (1, 2, 3, 5)]
        heard = noise(seed) + sum(tone(f, over_hiss_db=6, phase=seed + f) for f in wanted)
        lines = find_lines([heard], RATE_HZ, 0.96 if speed == 1.0 else speed)
        assert len(lines) == 4
        for freq_hz, order in zip(wanted, (1, 2, 3, 5), strict=True):
            line = nearest(lines, freq_hz)
            assert line["frequency_hz"] == pytest.approx(freq_hz, rel=2e-3)
            assert (line["kind"], line["family_hz"], line["order"]) == ("hum", mains_hz, order)
            assert line["recorded"] == (speed != 1.0)


@pytest.mark.parametrize("wander", [0.0, 0.003])
def test_whine_is_one_line_even_when_it_wanders(wander):
    for seed, freq_hz in enumerate((780.0, 1230.0, 2710.0)):
        lines = find_lines([noise(seed) + tone(freq_hz, over_hiss_db=6 if not wander else 12, wander=wander)], RATE_HZ, 1.012)
        assert [line["kind"] for line in lines] == ["whine"]
        assert lines[0]["frequency_hz"] == pytest.approx(freq_hz, rel=2e-3)
        assert lines[0]["notch_width_hz"] >= 2.0
        if wander:
            assert lines[0]["notch_width_hz"] > freq_hz * wander


def test_level_of_a_line():
    (line,) = find_lines(
        [noise(5) + 0.2 * np.sin(2 * np.pi * 1000.3 * np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ)], RATE_HZ, 1.0
    )
    assert line["level_dbfs"] == pytest.approx(20 * np.log10(0.2 / np.sqrt(2)), abs=0.3)


def test_nothing_is_claimed_in_noise_or_in_too_little_of_it():
    """One false line in about a hundred stretches is what the limit allows; 40 are looked at."""
    assert sum(bool(find_lines([noise(100 + seed)], RATE_HZ, 0.98)) for seed in range(40)) <= 2
    assert find_lines([noise(1, seconds=0.3)], RATE_HZ, 1.0) == []
    assert find_lines([np.zeros(RATE_HZ)], RATE_HZ, 1.0) == []


def test_motor_and_mains_of_a_simulated_recorder():
    recorder = {
        "replay_band": {},
        "hiss": {"below_signal_db": 30},
        "whine": {"rate_hz": 780.0, "level_dbfs": -55.0},
        "hum": {"mains_hz": 60.0, "level_dbfs": -60.0},
    }
    condition, _ = lay(music(8.0, 1), recorder, 1).measured()
    assert {line["order"] for line in condition["hum"]} == {1, 2, 3, 4, 5}
    assert {line["family_hz"] for line in condition["hum"]} == {60.0}
    (whine,) = condition["whine"]
    assert whine["frequency_hz"] == pytest.approx(780.0 * 1.012, rel=2e-3)
    assert whine["level_dbfs"] == pytest.approx(-55.0 - 3.01, abs=0.5)
    assert finite(condition) == condition


@pytest.mark.parametrize(("tracks", "worst_dbfs"), [(1, -60.0), (2, -54.0), (4, -48.0), (8, -42.0), (16, -36.0)])
def test_hum_of_equal_tracks_adds_in_amplitude_at_worst(tracks, worst_dbfs):
    """6.02 dB each doubling in phase, 3.01 dB with any phases; two equal ones can cancel."""
    layers = [layer_with(((50.0, -60.0), (150.0, -70.0))) for _ in range(tracks)]
    first, second = stack.stacked_hum(layers)
    assert first["worst_dbfs"] == pytest.approx(worst_dbfs, abs=0.5)
    assert second["worst_dbfs"] == pytest.approx(worst_dbfs - 10.0, abs=0.5)
    assert first["mean_dbfs"] == pytest.approx(-60.0 + 10 * np.log10(tracks), abs=0.01)
    assert (first["best_dbfs"] is None) == (tracks > 1)


def layer_with(hum):
    levels = dict.fromkeys(stack.MEASURES, -60.0)
    return stack.Layer("a", "take1", False, 0.0, 0.0, levels, {}, [(0.0, 1.0)], -30.0, "silence", hum)
