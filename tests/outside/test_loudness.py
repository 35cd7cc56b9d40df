"""Loudness through the library in use against ITU-R BS.1770 and EBU Tech 3341.

Recipes of the Tech 3341 signals from memory, agreeing with their published expected values.
"""

import numpy as np
import pytest
from bounceproof.loudness import loudness, peaks

RATE_HZ = 48000


def loudness_lufs(samples, rate_hz):
    return loudness(samples, rate_hz).integrated_lufs


def sine(freq_hz, level_dbfs, seconds):
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


@pytest.mark.parametrize(
    ("freq_hz", "level_dbfs", "channels", "expected_lufs"),
    # ITU-R BS.1770-4 with the 48 kHz coefficients: 997 Hz at full scale on one channel -3.01 LKFS, on both 0.
    [(997, 0.0, 1, -3.0103), (1000, 0.0, 1, -3.0036), (997, 0.0, 2, 0.0), (1000, -20.0, 1, -23.004)],
)
def test_sines_of_bs1770(freq_hz, level_dbfs, channels, expected_lufs):
    tone = sine(freq_hz, level_dbfs, 5)
    samples = np.stack([tone, tone if channels == 2 else 0 * tone], axis=1)
    assert loudness_lufs(samples, RATE_HZ) == pytest.approx(expected_lufs, abs=0.002)


@pytest.mark.parametrize(
    ("freq_hz", "gain_db"),
    # K weighting of ITU-R BS.1770-4: computed from its 48 kHz coefficients, which were read in a library's reference data.
    [(50, -3.934), (100, -1.133), (200, -0.265), (500, 0.042), (1000, 0.698), (2000, 3.071), (4000, 3.968), (10000, 4.042)],
)
def test_k_weighting(freq_hz, gain_db):
    tone = sine(freq_hz, -20.0, 5)
    # A sine's loudness on one channel: -0.691 + weighting + its mean square.
    assert loudness_lufs(np.stack([tone, 0 * tone], axis=1), RATE_HZ) == pytest.approx(-23.0103 - 0.691 + gain_db, abs=0.01)


@pytest.mark.parametrize(
    "steps",
    # EBU Tech 3341, cases 1 to 5: 1 kHz stereo sines, (dBFS, seconds); expected -23, -33, -23, -23, -23 LUFS, +-0.1 LU.
    [
        ([(-23, 20)], -23.0),
        ([(-33, 20)], -33.0),
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
        ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
    ],
    ids=["case1", "case2", "case3", "case4", "case5"],
)
def test_tech_3341(steps):
    recipe, expected_lufs = steps
    tone = np.concatenate([sine(1000, level_dbfs, seconds) for level_dbfs, seconds in recipe])
    assert loudness_lufs(np.stack([tone, tone], axis=1), RATE_HZ) == pytest.approx(expected_lufs, abs=0.1)


def test_silence_and_scraps_have_no_loudness():
    """BS.1770 needs one gating block of 0.4 s above -70 LKFS."""
    assert loudness_lufs(np.zeros((RATE_HZ, 2)), RATE_HZ) is None
    assert loudness_lufs(np.ones((100, 2)), RATE_HZ) is None
    assert loudness_lufs(np.full((RATE_HZ, 2), 1e-5) * np.sin(np.arange(RATE_HZ))[:, None], RATE_HZ) is None


@pytest.mark.parametrize(
    ("levels_dbfs", "range_lu"),
    # EBU Tech 3342, minimum requirements 1 to 4 (from memory): 1 kHz stereo sines of 20 s each, loudness range +-1 LU.
    [((-20, -30), 10.0), ((-20, -15), 5.0), ((-40, -20), 20.0), ((-50, -35, -20, -35, -50), 15.0)],
)
def test_tech_3342(levels_dbfs, range_lu):
    tone = np.concatenate([sine(1000, level_dbfs, 20) for level_dbfs in levels_dbfs])
    assert loudness(np.stack([tone, tone], axis=1), RATE_HZ).range_lu == pytest.approx(range_lu, abs=1.0)


@pytest.mark.parametrize(
    ("divisor", "amplitude", "phase_deg", "expected_dbtp"),
    # Tones of EBU Tech 3341's true-peak cases (ITU-R BS.1770 Annex 2): tolerance +0.2, -0.4 dB.
    [(4, 0.50, 0, -6.0), (4, 0.50, 45, -6.0), (6, 0.50, 60, -6.0), (8, 0.50, 67.5, -6.0), (4, 1.41, 45, 3.0)],
)
def test_true_peak(divisor, amplitude, phase_deg, expected_dbtp):
    n = np.arange(RATE_HZ)
    fade = np.minimum(1.0, np.minimum(n, n[::-1]) / 2000)
    tone = amplitude * fade * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
    found = peaks(np.stack([tone, 0 * tone], axis=1), RATE_HZ).true_dbtp
    assert expected_dbtp - 0.4 < found < expected_dbtp + 0.2


def test_true_peak_of_silence():
    assert peaks(np.zeros((10, 2)), RATE_HZ).true_dbtp == -np.inf
