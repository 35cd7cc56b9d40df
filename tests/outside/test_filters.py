"""Our Butterworth responses, and filtering by spectrum, against scipy.signal (a general-purpose reference library)."""

import numpy as np
import pytest
from bounceproof.filters import bandpass_response, edges_response, filtered
from scipy import signal

FREQ_HZ = np.array([0.0, 3.0, 40.0, 350.0, 1200.0, 4200.0, 9000.0, 21000.0])


@pytest.mark.parametrize("order", [1, 2, 3, 4, 7])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_edges_are_those_of_a_high_pass_and_a_low_pass(rate_hz, order):
    sections = [
        signal.butter(order, 350.0, "highpass", fs=rate_hz, output="sos"),
        signal.butter(order, 4200.0, "lowpass", fs=rate_hz, output="sos"),
    ]
    by_library = signal.freqz_sos(np.concatenate(sections), FREQ_HZ, fs=rate_hz)[1]
    ours = edges_response(FREQ_HZ, rate_hz, 350.0, 4200.0, order=order)
    assert np.allclose(ours, by_library, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize(("low_hz", "high_hz", "order"), [(350.0, 4200.0, 2), (900.0, 1000.0, 1), (8000.0, 15000.0, 2)])
def test_a_band_pass_is_the_librarys(low_hz, high_hz, order):
    sections = signal.butter(order, (low_hz, high_hz), "bandpass", fs=48000, output="sos")
    by_library = signal.freqz_sos(sections, FREQ_HZ, fs=48000)[1]
    assert np.allclose(bandpass_response(FREQ_HZ, 48000, low_hz, high_hz, order=order), by_library, rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("count", [100, 5000, 48001, 400000])
def test_filtering_by_spectrum_is_filtering_sample_by_sample(count):
    """Also at the ends: nothing wraps round, and what comes before the first sample is silence."""
    noise = np.random.default_rng(3).standard_normal(count)
    by_library = signal.sosfilt(signal.butter(3, 350.0, "highpass", fs=48000, output="sos"), noise)
    ours = filtered(noise, lambda freq_hz: edges_response(freq_hz, 48000, 350.0, order=3), 48000)
    assert ours.shape == noise.shape
    assert np.max(np.abs(ours - by_library)) < 1e-10
