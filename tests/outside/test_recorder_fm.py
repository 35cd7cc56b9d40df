"""The simulated recorder's motion and channel against formulas and figures from outside."""

import numpy as np
import pytest
from bounceproof.recorder import resolve, simulate
from bounceproof.recorder.channel import band_response, head_loss, overload_shape
from bounceproof.recorder.motion import tape_motion
from scipy.special import jv

RATE_HZ = 48000

# AES6-2008 / IEC 60386 weighting in dB re 4 Hz; from memory, agreeing with two public transcriptions, the standard not seen.
AES6_HZ = [0.1, 0.2, 0.315, 0.4, 0.63, 0.8, 1, 1.6, 2, 4, 6.3, 10, 20, 40, 63, 100, 200]
AES6_DB = [-48, -30.6, -19.7, -15.0, -8.4, -6.0, -4.2, -1.8, -0.9, 0, -0.9, -2.1, -5.9, -10.4, -14.2, -17.3, -23.0]


def line_levels_db(samples, freqs_hz):
    """Peak level of each line in dB re 1, by projection under a Hann window (lines of whole hertz over 4 s: no leakage)."""
    time_s = np.arange(samples.size) / RATE_HZ
    window = np.hanning(samples.size + 1)[:-1]
    lines = [np.abs(np.sum(samples * window * np.exp(-2j * np.pi * f * time_s))) / window.sum() * 2 for f in freqs_hz]
    return 20 * np.log10(lines)


@pytest.mark.parametrize(("rate_hz", "percent"), [(50.0, 0.1), (25.0, 0.5), (8.0, 0.4), (100.0, 0.05)])
def test_sine_through_a_sinusoidal_speed_error_shows_bessel_sidebands(rate_hz, percent):
    """Frequency modulation of index b has lines of size J_n(b), b = deviation / rate (Bessel functions; Carson, 1922)."""
    carrier_hz = 3000.0
    tone = np.sin(2 * np.pi * carrier_hz * np.arange(7 * RATE_HZ) / RATE_HZ)
    machine = {"preset": "wire", "replay": {"lines": [{"rate_hz": rate_hz, "percent": percent}]}}
    capture = simulate(tone, RATE_HZ, machine, seed=4).capture[2 * RATE_HZ : 6 * RATE_HZ]
    index = carrier_hz * percent / 100 / rate_hz
    orders = np.arange(-2, 3)
    expected_db = 20 * np.log10(np.abs(jv(orders, index)))
    measured_db = line_levels_db(capture, carrier_hz + orders * rate_hz)
    audible = expected_db > -60
    assert audible.sum() >= 3
    assert np.max(np.abs(measured_db - expected_db)[audible]) < 0.1


def test_speed_error_while_recording_modulates_the_other_way_round():
    """Recorded with the error, the frequency is carrier / speed: the same Bessel lines to first order in the deviation."""
    tone = np.sin(2 * np.pi * 3000 * np.arange(7 * RATE_HZ) / RATE_HZ)
    machine = {"preset": "wire", "record": {"lines": [{"rate_hz": 50.0, "percent": 0.1}]}}
    capture = simulate(tone, RATE_HZ, machine, seed=4).capture[2 * RATE_HZ : 6 * RATE_HZ]
    measured_db = line_levels_db(capture, [2950, 3000, 3050])
    assert measured_db == pytest.approx(20 * np.log10(np.abs(jv([1, 0, 1], 0.06))), abs=0.1)


def test_first_sideband_of_a_weak_modulation_is_half_the_index():
    """20 lg(beta / 2): 1 kHz with +-0.1 % at 50 Hz gives sidebands at -40 dB (first term of the Bessel series)."""
    tone = np.sin(2 * np.pi * 1000 * np.arange(6 * RATE_HZ) / RATE_HZ)
    machine = {"preset": "wire", "replay": {"lines": [{"rate_hz": 50, "percent": 0.1}]}}
    capture = simulate(tone, RATE_HZ, machine, seed=1).capture[RATE_HZ : 5 * RATE_HZ]
    lower, carrier, upper = line_levels_db(capture, [950, 1000, 1050])
    # beta = 1000 Hz x 0.001 / 50 Hz = 0.02; 20 lg(0.02 / 2) = -40.0 dB.
    assert lower - carrier == pytest.approx(-40.0, abs=0.1)
    assert upper - carrier == pytest.approx(-40.0, abs=0.1)


@pytest.mark.parametrize(("percent", "rate_hz", "peak_us"), [(0.2, 0.5, 637), (0.2, 4, 80), (0.2, 50, 6.4), (0.5, 1, 796)])
def test_peak_timing_error_of_a_line_is_deviation_over_two_pi_rate(percent, rate_hz, peak_us):
    settings = resolve({"replay": {"lines": [{"rate_hz": rate_hz, "percent": percent}]}})
    motion = tape_motion(settings["record"], settings["replay"], 20.0, seed=3)
    play_s = np.arange(0, 18, 0.0005)
    error_s = motion.sent_at_play(play_s) - play_s
    assert (error_s.max() - error_s.min()) / 2 * 1e6 == pytest.approx(peak_us, rel=0.01)


def weighted_flutter_percent(preset, seed):
    """+-x % by AES6-2008: weighted speed deviation, the level that it exceeds 5 % of the time (two sigma)."""
    settings = resolve(preset)
    motion = tape_motion(settings["record"], settings["replay"], 40.0, seed=seed)
    sent_s = motion.sent_at(np.arange(1, 37, 0.001))
    speed = np.diff(sent_s) / 0.001
    spectrum = np.fft.rfft(speed / speed.mean() - 1)
    freq_hz = np.fft.rfftfreq(speed.size, 0.001)
    weight = np.zeros(freq_hz.size)
    weight[1:] = 10 ** (np.interp(np.log(freq_hz[1:]), np.log(AES6_HZ), AES6_DB) / 20)
    return 100 * np.quantile(np.abs(np.fft.irfft(spectrum * weight, speed.size)), 0.95)


@pytest.mark.parametrize(
    ("preset", "low", "high"),
    [
        ("pocket-machine", 0.85, 0.95),  # asked for: +-0.9 % weighted; pocket machines 0.3 to 1 % (from memory)
        ("prototype", 0.33, 0.41),  # its lines and noise by formula: about +-0.37 %
        ("good-machine", 0.01, 0.2),  # DIN 45500-4: hi-fi at most +-0.2 %
    ],
)
def test_weighted_flutter_of_the_presets(preset, low, high):
    for seed in (1, 2, 3):
        assert low < weighted_flutter_percent(preset, seed) < high


def test_third_harmonic_at_the_overload_level_is_three_percent():
    """Maximum output level = 3 % third harmonic, -30.5 dB (DIN 45500-4; IEC 60094-5)."""
    tone = np.sin(2 * np.pi * 500 * np.arange(2 * RATE_HZ) / RATE_HZ) * 10 ** (-9 / 20)
    machine = {"saturation": {"level_dbfs": -9.0, "second_percent": 1.0}}
    capture = simulate(tone, RATE_HZ, machine, seed=1).capture[RATE_HZ // 2 : RATE_HZ + RATE_HZ // 2]
    first, second, third = line_levels_db(capture, [500, 1000, 1500])
    assert third - first == pytest.approx(-30.46, abs=0.05)
    assert second - first == pytest.approx(-40.0, abs=0.05)


def test_symmetric_overload_has_no_even_harmonics_and_small_signals_pass():
    drive, bias = overload_shape(0.0)
    assert bias == 0.0
    assert 0.5 < drive < 0.8  # third harmonic of tanh(d sin) is about d^2 / 12 / (1 - d^2 / 4) (its power series): d = 0.58
    tone = np.sin(2 * np.pi * 500 * np.arange(RATE_HZ) / RATE_HZ)
    machine = {"saturation": {"level_dbfs": 0.0, "second_percent": 0.0}}
    capture = simulate(1e-3 * tone, RATE_HZ, machine, seed=1).capture[RATE_HZ // 2 : RATE_HZ]
    assert line_levels_db(capture, [500])[0] == pytest.approx(-60.0, abs=0.01)
    loud = simulate(tone, RATE_HZ, machine, seed=1).capture[RATE_HZ // 2 : RATE_HZ]
    assert line_levels_db(loud, [1000])[0] < -90


HEAD = {
    "tape_speed_cm_s": 2.38125,
    "track_width_mm": 1.5,
    "azimuth_arc_minutes": 0.0,
    "gap_um": 0.0,
    "spacing_um": 0.0,
    "coating_um": 0.0,
}


@pytest.mark.parametrize(("tape_speed_cm_s", "loss_db"), [(2.4, 9.1), (1.2, 18.2), (4.76, 4.6)])
def test_spacing_loss_by_wallace(tape_speed_cm_s, loss_db):
    """54.6 d / wavelength dB (Wallace, BSTJ 30 (1951) 1145; the citation from memory): 1 um at 4 kHz."""
    head = {**HEAD, "spacing_um": 1.0, "tape_speed_cm_s": tape_speed_cm_s}
    assert -20 * np.log10(head_loss(head, 4000.0)) == pytest.approx(loss_db, abs=0.1)


def test_azimuth_error_of_ten_arc_minutes_puts_a_null_at_5500_hz():
    """sin(x)/x of the slant over the wavelength; track width 1.5 mm from memory."""
    head = {**HEAD, "azimuth_arc_minutes": 10.0}
    freq_hz = np.arange(3000, 8000, 5.0)
    assert freq_hz[np.argmin(np.abs(head_loss(head, freq_hz)))] == pytest.approx(5460, rel=0.01)


@pytest.mark.parametrize("phase", ["zero", "minimum"])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_band_edges_lie_at_minus_three_decibels(rate_hz, phase):
    """Butterworth: half power at the edges (definition)."""
    band = {"low_hz": 350.0, "high_hz": 4200.0, "order": 3, "phase": phase}
    size = np.abs(band_response(band, np.array([350.0, 4200.0]), rate_hz))
    assert 20 * np.log10(size) == pytest.approx([-3.01, -3.01], abs=0.02)
