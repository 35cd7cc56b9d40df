"""Spectra: sums made piece by piece are those of all segments."""

import numpy as np
import pytest
from bounceproof import spectra
from bounceproof.quantities import Band

SEGMENT = 64


@pytest.fixture
def signals():
    # Two blocks of segments and a part of a third.
    return list(np.random.default_rng(1).standard_normal((3, 2 * 48 * SEGMENT // 2 + 700)))


def test_blocks_hold_the_same_however_many_segments_come_together(signals):
    whole, *others = (np.concatenate(list(spectra.transforms(signals, SEGMENT, together=count))) for count in (48, 6, 96))
    assert all(np.array_equal(whole, other) for other in others)


def test_powers_add_up_to_the_mean_square():
    noise = np.random.default_rng(2).standard_normal(100_000)
    block = np.concatenate(list(spectra.transforms([noise], SEGMENT)))
    assert spectra.squared(block).sum(axis=1).mean() == pytest.approx(np.mean(noise**2), rel=0.01)


@pytest.mark.parametrize("weighted", [False, True])
def test_a_matrix_holds_the_means_over_the_segments_that_count(signals, weighted):
    laid = np.concatenate(list(spectra.transforms(signals, SEGMENT)))
    weights = np.random.default_rng(3).random(laid.shape[:2]) < 0.7 if weighted else None
    share, seen = np.ones(laid.shape[:2]) if weights is None else weights, []
    both = spectra.spectral_matrix(
        signals, 8000, segment=SEGMENT, weights=weights, seen=lambda powers: seen.append(powers.copy())
    )
    expected = np.einsum("sf,sfi,sfj->fij", share, np.conj(laid), laid) / share.sum(axis=0)[:, None, None]
    assert np.allclose(both.matrix, expected, rtol=1e-12, atol=1e-15)
    assert np.allclose(both.averages, spectra.INDEPENDENT_SHARE * share.sum(axis=0))
    assert np.array_equal(np.concatenate(seen, axis=1), spectra.squared(np.moveaxis(laid, -1, 0)))


def test_only_cross_powers_against_one_signal_are_made_where_only_those_are_wanted(signals):
    every, some = (spectra.spectral_matrix(signals, 8000, segment=SEGMENT, against=one).matrix for one in (None, 2))
    assert not some[:, 0, 1].any()
    assert np.array_equal(some[:, [0, 1, 2], 2], every[:, [0, 1, 2], 2])


def test_a_bin_takes_the_mask_of_its_band_and_counts_outside_all():
    bands = [band(1000.0, 2000.0), band(2000.0, 3000.0)]
    mask = np.array([[True, False], [False, True]])
    weights = spectra.bin_weights(mask, bands, SEGMENT, 8000)
    at = {hz: round(hz / 8000 * SEGMENT) for hz in (500, 1500, 2500, 3500)}
    assert weights[:, [at[hz] for hz in (500, 1500, 2500, 3500)]].tolist() == [
        [True, True, False, True],
        [True, False, True, True],
    ]


def band(low_hz, high_hz):
    mid_hz = np.sqrt(low_hz * high_hz)
    return Band(mid_hz, mid_hz, low_hz, high_hz)
