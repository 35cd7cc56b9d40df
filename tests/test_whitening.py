"""Return and model whitened, on signals made for it; the same numbers on any number of threads."""

import numpy as np
import pytest
from bounceproof import at_once
from bounceproof.follow import fields, response, sweep
from bounceproof.follow.material import BIN, HOP, WORK_HZ, Return, Sent, bin_times, blocks
from bounceproof.spectra import squared
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

SECONDS = 40


@pytest.fixture(scope="module")
def scene():
    """Plucked notes, half as loud in their middle third, under hiss that falls with frequency."""
    random = np.random.default_rng(4)
    count = SECONDS * WORK_HZ
    stem = signal.lfilter([1.0], [1.0, -1.2, 0.5], random.normal(size=count)) * np.exp(-(np.arange(count) % 6000) / 2500)
    third = slice(count // 3, 2 * count // 3)
    came = 0.05 * stem
    came[third] *= 0.5
    hiss = 0.002 * signal.lfilter([1.0], [1.0, -0.7], random.normal(size=count))
    sent = Sent((0.05 * stem).astype(np.float32), WORK_HZ)
    return sent, Return((came + hiss).astype(np.float32), WORK_HZ), third


def _white(sent, back):
    class There:
        pass

    there = There()
    there.sent, there.back, there.theta, there.replayed = sent, back, response.pulse(1.0), 0.0
    return [(block, sweep.whitened(there, bin_times(sent.bins), block)) for block in blocks(sent.samples.size)]


def test_what_is_left_over_is_white_with_variance_one(scene):
    sent, back, _ = scene
    block, white = _white(sent, back)[1]
    inner = white.error[block[0] - block[2] : block[1] - block[2]]
    freq_hz, density = signal.welch(inner, WORK_HZ, nperseg=1024)
    # Variance 1 in all of the band from 0 to half the rate.
    density *= WORK_HZ / 2
    inside = (freq_hz > 200) & (freq_hz < 6500)
    assert np.abs(10 * np.log10(density[inside])).max() < 1.0
    assert density[freq_hz > 7300].max() < 0.02


def test_a_change_of_level_is_taken_up_by_the_gain(scene):
    sent, back, third = scene
    seen = sweep.look(sent, back, bin_times(sent.bins), response.pulse(1.0))
    first, last = third.start // BIN + 300, third.stop // BIN - 300
    # Were half of the music missing, as much would be left over as is explained.
    assert seen.left_over[first:last].sum() < 0.05 * seen.explained[first:last].sum()


def test_energies_of_frames_are_those_of_the_signal(scene):
    sent, back, _ = scene
    block, white = _white(sent, back)[1]
    cut = slice(block[0] - block[2], block[1] - block[2])
    assert np.sum(white.left_over[cut.start // HOP : cut.stop // HOP]) == pytest.approx(np.sum(white.error[cut] ** 2), rel=0.02)
    assert np.sum(white.explained[cut.start // HOP : cut.stop // HOP]) == pytest.approx(np.sum(white.model[cut] ** 2), rel=0.02)


def test_frames_overlap_and_add_to_the_signal():
    samples = np.random.default_rng(5).normal(size=20 * HOP).astype(np.float32)
    spectra = fields.framed(samples)
    np.testing.assert_allclose(fields.joined(spectra)[HOP:-HOP], samples[HOP:-HOP], atol=1e-5)
    doubled = fields.joined(spectra, np.full(spectra.shape, 2, np.float32))
    np.testing.assert_allclose(doubled[HOP:-HOP], 2 * samples[HOP:-HOP], atol=1e-5)
    np.testing.assert_allclose(squared(spectra), np.abs(spectra) ** 2, rtol=1e-5)


def test_a_pass_is_the_same_numbers_on_any_number_of_threads(scene):
    sent, back, _ = scene
    theta, found = response.pulse(1.0), []
    edges = np.arange(0, sent.bins + 1, 2)
    try:
        for threads in (1, 3):
            at_once.use(threads)
            found.append(sweep.look(sent, back, bin_times(sent.bins), theta, edges=edges, want_gain=True, want_bend=True))
    finally:
        at_once.use(1)
    for one, other in zip(*found, strict=True):
        if isinstance(one, response.Normal):
            assert all(a.tobytes() == b.tobytes() for a, b in zip(one, other, strict=True))
        else:
            assert np.asarray(one).tobytes() == np.asarray(other).tobytes()


@given(st.lists(st.integers()), st.integers(-1, 5))
def test_pieces_come_in_their_order(pieces, threads):
    try:
        at_once.use(threads)
        assert at_once.each(lambda one: one + 1, iter(pieces)) == [one + 1 for one in pieces]
    finally:
        at_once.use(1)


def test_what_goes_wrong_in_a_piece_is_not_lost():
    try:
        at_once.use(2)
        with pytest.raises(ZeroDivisionError):
            at_once.each(lambda one: 1 // one, [1, 0, 1])
    finally:
        at_once.use(1)
