"""The quasi-peak detector against ITU-R BS.468-4: bursts, repeated bursts, steady tones. The table's values are from memory."""

import numpy as np
import pytest
from bounceproof.condition.quasipeak import BURSTS, REPEATED_BURSTS, detected, quasi_peak_dbfs

RATE_HZ = 48000
TIME_S = np.arange(int(1.6 * RATE_HZ)) / RATE_HZ
TONE = np.sin(2 * np.pi * 5000 * TIME_S)
STEADY = detected(TONE, RATE_HZ)[-1]


@pytest.mark.parametrize("length_ms", BURSTS)
def test_single_bursts(length_ms):
    """BS.468-4, Table 2 (from memory): reading of one burst of 5 kHz in per cent of the steady tone's, with its limits."""
    _, lowest, highest = BURSTS[length_ms]
    reading = 100 * detected(TONE * (length_ms / 1000 > TIME_S), RATE_HZ).max() / STEADY
    assert lowest <= reading <= highest


@pytest.mark.parametrize("per_second", REPEATED_BURSTS)
def test_repeated_bursts(per_second):
    """BS.468-4, Table 3 (from memory): bursts of 5 ms."""
    _, lowest, highest = REPEATED_BURSTS[per_second]
    reading = 100 * detected(TONE * (TIME_S % (1 / per_second) < 0.005), RATE_HZ).max() / STEADY
    assert lowest <= reading <= highest


@pytest.mark.parametrize(("freq_hz", "gain_db"), [(1000.0, 0.0), (6300.0, 12.2), (200.0, -13.8)])
def test_a_steady_sine_reads_its_rms_through_the_weighting(freq_hz, gain_db):
    """BS.468-4, Table 1: 0 dB at 1 kHz, +12.2 at 6.3 kHz, -13.8 at 200 Hz."""
    reading = quasi_peak_dbfs(np.sin(2 * np.pi * freq_hz * TIME_S), RATE_HZ)
    assert reading == pytest.approx(-3.01 + gain_db, abs=0.1)


def test_another_rate_and_too_short():
    assert quasi_peak_dbfs(np.sin(2 * np.pi * 1000 * np.arange(70000) / 44100), 44100) == pytest.approx(-3.01, abs=0.1)
    assert quasi_peak_dbfs(TONE[: RATE_HZ // 2], RATE_HZ) is None
