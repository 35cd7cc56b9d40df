"""How well a return could be followed at best: the bound that its hiss and its machine's restlessness set.

    bound = sqrt(sum w P_tt / sum w),  P = (J + Lambda)^-1

Conventions: w = weight of each moment (see follow_trial.py); J = per millisecond of sent time, the sum of the squared derivative
by return time of the whitened clean return (1/us^2), counted from 40 to 7000 Hz; Lambda = the precision of the speed process that
the simulated recorder was told to have. P comes from the project's own smoother run with that true process. The hiss is taken
from the recorder's truth: its spectrum from the whole, its rise under signal from its running power over 40 ms. Source: the
Cramer-Rao bound with a Gaussian prior (H. Van Trees, Detection, Estimation and Modulation Theory I, 1968).
"""

import numpy as np
from bounceproof.follow import smoother
from bounceproof.follow.speed import Line, Noise, SpeedModel, discretise
from bounceproof.recorder import simulate
from scipy import fft, signal

STEP_S = 0.001
BAND_HZ = (40.0, 7000.0)
# A second-order Butterworth corner as a critically damped one of equal density and equal variance.
SAME_DENSITY = 2**0.5
_RUNNING_S = 0.04
NOISES_OFF = dict.fromkeys(("hiss", "whine", "hum", "input_noise"), False)


def bound_us(sent, rate_hz, settings, seed, truth, weight_times_s, weights, *, span_s):
    """The bound (us rms) for a return that `simulate(sent, rate_hz, settings, seed=seed, stem_span_s=span_s)` made.

    weights at weight_times_s (sent s). Without any hiss: 0.
    """
    if not truth.hiss.any():
        return 0.0
    clean = simulate(sent, rate_hz, {**settings, **NOISES_OFF}, seed=seed, stem_span_s=span_s).capture
    count = min(clean.size, truth.hiss.size)
    info = information(clean[:count], truth.hiss[:count].astype(float), truth, len(sent) / rate_hz)
    steps = discretise(true_model(truth.settings), STEP_S, position_sd_us=1e5, mean_speed_sd_ppm=1e5)
    variance = smoother.smooth(np.zeros(info.size), info, steps).variance
    at = np.interp(weight_times_s, (np.arange(info.size) + 0.5) * STEP_S, variance)
    return float(np.sqrt(np.sum(weights * at) / np.sum(weights)))


def information(clean, hiss, truth, sent_s):
    """J in each millisecond sent (1/us^2)."""
    rate_hz = truth.capture_rate_hz
    size = fft.next_fast_len(clean.size, real=True)
    freq_hz = fft.rfftfreq(size, 1 / rate_hz)
    known_hz, density = signal.welch(hiss, rate_hz, nperseg=2048)
    whiten = (freq_hz > BAND_HZ[0]) & (freq_hz < BAND_HZ[1])
    whiten = whiten / np.sqrt(np.interp(freq_hz, known_hz, density) * rate_hz / 2)
    slope = fft.irfft(fft.rfft(clean, size) * whiten * 2j * np.pi * freq_hz * 1e-6, size)[: clean.size]
    running = np.maximum(_running_power(hiss, round(_RUNNING_S * rate_hz)), 1e-6 * np.mean(hiss**2))
    # Where the hiss does not rise, its running power only wavers by chance.
    rise = running / np.mean(hiss**2) if truth.settings["hiss"] and truth.settings["hiss"]["rise_db"] else 1.0
    bin_of = np.floor(truth.sent_at(np.arange(clean.size) / rate_hz) / STEP_S).astype(int)
    bins = int(sent_s / STEP_S)
    inside = (bin_of >= 0) & (bin_of < bins)
    return np.bincount(bin_of[inside], (slope**2 / rise)[inside], minlength=bins)


def _running_power(samples, width):
    from scipy.ndimage import uniform_filter1d

    return uniform_filter1d(samples**2, width)


def true_model(settings):
    """The SpeedModel of the recorder's own settings, both passes."""
    passes = [settings["record"], settings["replay"]]
    drift_ppm = np.sqrt(sum((1e4 * one["drift_percent"]) ** 2 / 60 for one in passes))
    level_ppm = np.sqrt(sum((1e4 * one["random_percent"]) ** 2 for one in passes))
    noise = Noise(max(level_ppm, 1e-3), SAME_DENSITY * max(one["random_corner_hz"] for one in passes))
    lines = {}
    for one in passes:
        for line in one["lines"]:
            lines[line["rate_hz"]] = lines.get(line["rate_hz"], 0.0) + (1e4 * line["percent"]) ** 2 / 2
    return SpeedModel(max(drift_ppm, 1e-3), (noise,), tuple(Line(rate, level**0.5, 1e-5) for rate, level in lines.items()))
