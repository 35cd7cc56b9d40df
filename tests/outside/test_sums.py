"""Sums, coherence and response errors against formulas of handbooks and papers.

N marks what follows from the formula itself.
"""

import numpy as np
import pytest
from bounceproof import pairs, spectra, stack
from bounceproof.quantities import amplitude_db

RATE_HZ = 16000


def layers(count, level_dbfs, *, pan=0.0):
    levels = dict.fromkeys(stack.MEASURES, level_dbfs)
    return [
        stack.Layer(f"t{k}", "take1", False, 0.0, pan, levels, {1000.0: level_dbfs}, [[0.0, 10.0]], None) for k in range(count)
    ]


@pytest.mark.parametrize(
    ("count", "gain_db"),
    # 10 lg N: powers of incoherent noises add (N).
    [(2, 3.01), (3, 4.77), (4, 6.02), (6, 7.78), (8, 9.03), (12, 10.79), (16, 12.04), (24, 13.80)],
)
@pytest.mark.parametrize("pan", [-1.0, 0.0, 0.37])
def test_equal_hisses_add_by_ten_lg_n(count, gain_db, pan):
    summary = stack.stacked(layers(count, -48.0, pan=pan), song_s=10.0)
    assert summary["total"]["flat_dbfs"] == pytest.approx(-48.0 + gain_db, abs=0.006)
    assert summary["ten_lg_n_db"] == pytest.approx(gain_db, abs=0.006)
    assert summary["bands"][0]["hiss_dbfs"] == pytest.approx(-48.0 + gain_db, abs=0.006)


@pytest.mark.parametrize(("count", "total_dbfs"), [(1, -48.0), (2, -45.0), (4, -42.0), (8, -39.0), (16, -36.0)])
def test_stack_tells_what_the_actual_sum_of_noises_reads(count, total_dbfs):
    """Each doubling of layers of hiss at -48 dBFS rms adds 3 dB (common practice, and N); the mix itself is measured too."""
    noises = np.random.default_rng(count).normal(scale=10 ** (-48 / 20), size=(count, 10 * RATE_HZ))
    measured = [float(amplitude_db(np.sqrt(np.mean(noise**2)))) for noise in noises]
    predicted = stack.stacked([layers(1, level)[0] for level in measured], song_s=10.0)["total"]["flat_dbfs"]
    assert predicted == pytest.approx(total_dbfs, abs=0.05)
    assert predicted == pytest.approx(float(amplitude_db(np.sqrt(np.mean(noises.sum(axis=0) ** 2)))), abs=0.05)


def one_tone_pair(turn):
    """A pair of noises in one narrow place whose second return is turned by a phase (radians) against its stem."""
    random = np.random.default_rng(5)
    spectrum = np.zeros(10 * RATE_HZ // 2 + 1, dtype=complex)
    spectrum[9500:10500] = random.normal(size=1000) + 1j * random.normal(size=1000)
    stem, turned = np.fft.irfft(spectrum), np.fft.irfft(spectrum * np.exp(1j * turn))
    side = pairs.Side(stem, turned)
    nothing = np.zeros(len(pairs.analysis_bands(RATE_HZ)))
    pair = pairs.PairInput(pairs.Side(stem, stem), side, pairs.Side(stem, stem), nothing, nothing)
    return pairs.check(pair, RATE_HZ, (800, 1300), kind="one-source")


@pytest.mark.parametrize(
    ("degrees", "sum_db"),
    # Two equal signals, sum re one of them: 10 lg(2 + 2 cos phi) (N).
    [(0, 6.02), (60, 4.77), (90, 3.01), (120, 0.00), (150, -5.72)],
)
def test_two_equal_signals_turned_by_a_phase(degrees, sum_db):
    _, rows = one_tone_pair(np.radians(degrees))
    loss = next(row["loss_aligned_db"] for row in rows if row["nominal_hz"] == 1000)
    assert 6.02 - loss == pytest.approx(sum_db, abs=0.02)


def noise_pair(delay_us, *, seconds=20):
    """Two equal returns of one noise stem, the second late by delay_us (a linear phase, exact)."""
    stem = np.random.default_rng(8).normal(size=seconds * RATE_HZ)
    freq_hz = np.fft.rfftfreq(len(stem), 1 / RATE_HZ)
    late = np.fft.irfft(np.fft.rfft(stem) * np.exp(-2j * np.pi * freq_hz * delay_us * 1e-6), len(stem))
    nothing = np.zeros(len(pairs.analysis_bands(RATE_HZ)))
    same = pairs.Side(stem, stem)
    return pairs.check(
        pairs.PairInput(same, pairs.Side(stem, late), same, nothing, nothing), RATE_HZ, (100, 6000), kind="one-source"
    )


@pytest.mark.parametrize(
    ("delay_us", "notch_hz", "one_db_hz", "three_db_hz"),
    # First notch 1/(2 tau), -1 dB at 0.1498/tau, -3 dB at 0.2496/tau (N).
    [(100, 5000, 1498, 2496), (1000, 500, 150, 250), (250, 2000, 599, 998)],
)
def test_delay_between_equal_signals(delay_us, notch_hz, one_db_hz, three_db_hz):
    summary, _ = noise_pair(delay_us)
    ours = summary["aligned"]
    assert ours["delay_us"] == pytest.approx(delay_us, abs=0.05)
    assert ours["first_notch_hz"] == pytest.approx(notch_hz, rel=0.002)
    # Read from third-octaves: a band's mean loss stands at its middle, so a few percent of frequency is what may be asked.
    assert ours["adds_up_to_hz"] == pytest.approx(one_db_hz, rel=0.05)
    assert ours["within_poor_to_hz"] == pytest.approx(three_db_hz, rel=0.05)
    # 343 m/s in air at 20 degrees Celsius (handbook value): 34.3 cm per ms.
    assert ours["air_cm"] == pytest.approx(34.3 * delay_us / 1000, rel=0.002)


def bin_coherences(true, segments, *, trials_seed=1):
    """Coherence estimates of many independent bins from `segments` disjoint-enough segments of white noise."""
    random = np.random.default_rng(trials_seed)
    segment = 256
    common, own, other = random.normal(size=(3, segment // 2 * (segments + 1)))
    first = np.sqrt(true) * common + np.sqrt(1 - true) * own
    # With noise on one side only the coherence is its signal's share.
    second = common if true > 0 else other
    both = spectra.spectral_matrix([first, second], RATE_HZ, segment=segment)
    return both.coherence(0, 1)[4:-4:3], float(both.averages[10])


@pytest.mark.parametrize("segments", [34, 136])
def test_zero_coherence_level_and_bias(segments):
    """Carter, Knapp, Nuttall, IEEE AU-21 (1973) 337: for C = 0 the 95 % level is 1 - 0.05^(1/(n-1)) and the bias 1/n."""
    pieces = [bin_coherences(0.0, segments, trials_seed=seed) for seed in range(60)]
    values, averages = np.concatenate([piece[0] for piece in pieces]), pieces[0][1]
    above = np.mean(values > spectra.zero_coherence_level(averages))
    assert 0.035 < above < 0.065
    assert np.mean(values) == pytest.approx(1 / averages, rel=0.08)


def test_zero_coherence_levels_of_the_paper():
    """The same formula's values (N): .348 at n = 8, .092 at 32, .023 at 128."""
    assert spectra.zero_coherence_level(np.array([8, 32, 128])) == pytest.approx([0.348, 0.092, 0.023], abs=6e-4)


@pytest.mark.parametrize("true", [0.2, 0.5, 0.8])
def test_coherence_without_bias(true):
    """Carter, Knapp, Nuttall 1973: bias (1 - C)^2 / n; taken off, the mean over trials is the true value."""
    pieces = [bin_coherences(true, 34, trials_seed=seed) for seed in range(80)]
    values, averages = np.concatenate([piece[0] for piece in pieces]), pieces[0][1]
    error = np.std(values) / np.sqrt(len(values) / 1.5)
    assert abs(np.mean(spectra.without_bias(values, averages)) - true) < 3 * error + 0.003
    assert np.mean(values) - true > 0.4 * (1 - true) ** 2 / averages


@pytest.mark.parametrize(
    ("coherence", "averages", "expected"),
    # Bendat and Piersol, Random Data: sqrt((1 - C) / (2 C n)).
    [(0.5, 32, 0.125), (0.8, 16, 0.0884)],
)
def test_h1_error_of_the_book(coherence, averages, expected):
    assert spectra.h1_relative_sd(coherence, averages) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("true", [0.5, 0.8])
def test_h1_scatters_as_the_book_says(true):
    """The same formula against the scatter of simulated H1 estimates over bins (true response 1)."""
    random = np.random.default_rng(11)
    segment, ratios = 256, []
    for _ in range(60):
        stem = random.normal(size=segment // 2 * 60)
        returned = stem + np.sqrt(1 / true - 1) * random.normal(size=len(stem))
        both = spectra.spectral_matrix([stem, returned], RATE_HZ, segment=segment)
        ratios.append((both.matrix[:, 0, 1] / both.power(0))[4:-4:3])
        averages = float(both.averages[10])
    expected = spectra.h1_relative_sd(true, averages)
    assert np.std(np.abs(np.concatenate(ratios))) == pytest.approx(expected, rel=0.08)
    assert np.std(np.angle(np.concatenate(ratios))) == pytest.approx(expected, rel=0.08)


def test_level_of_noise_scatters_by_the_product_of_bandwidth_and_time():
    """Level of a band of noise, B Hz over T s: sd = 4.34 / sqrt(B T) dB (N); here 1000 Hz over 1 s."""
    random = np.random.default_rng(2)
    freq_hz = np.fft.rfftfreq(RATE_HZ, 1 / RATE_HZ)
    inside = (freq_hz >= 1000) & (freq_hz < 2000)
    levels = []
    for _ in range(400):
        lines = np.abs(random.normal(size=inside.sum()) + 1j * random.normal(size=inside.sum())) ** 2
        levels.append(10 * np.log10(lines.sum()))
    assert np.std(levels) == pytest.approx(spectra.level_sd_db(1000.0, 1.0), rel=0.12)


def test_the_jackknife_of_a_mean_is_its_standard_error_in_students_measure():
    """Of a mean the jackknife is s / sqrt(n) (J. Tukey 1958); Student's 97.5 % for 7 degrees is 2.365 (any table of t)."""
    values = np.random.default_rng(5).normal(size=8)
    without = (values.sum() - values) / 7
    expected = 2.365 / 1.96 * values.std(ddof=1) / np.sqrt(8)
    assert spectra.jackknife_sd(without) == pytest.approx(expected, rel=1e-3)
