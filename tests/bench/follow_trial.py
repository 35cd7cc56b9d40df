"""One stem sent through the simulated recorder, followed as a user's return is, and held against the truth.

Conventions: errors in us of return time = map found less truth, one each 0.5 ms of stem; the truth's constant is that a click
passed through the machine's own filters has no delay. Weights w: the stem's power after a 350 to 4200 Hz band-pass
(second-order Butterworth run forwards and backwards). Hiss N dB down: 20 lg(S/N), S over the stem's 50 ms frames within 30 dB
of the loudest behind the recorder's band, N between 350 and 4200 Hz (the recorder's own definition). A slip: an error above
half a period of the stem's local spectral centroid for 50 ms, where the stem is within 30 dB of its loudest.
"""

import sys
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from bench.follow_bound import bound_us
from bounceproof.aligning.following import click_spans
from bounceproof.aligning.lay import lay_return
from bounceproof.recorder import simulate
from bounceproof.recorder.channel import band_response, head_loss
from bounceproof.transfers import make_transfer
from scipy import fft, signal

RATE_HZ = 48000
BAND_HZ = (350.0, 4200.0)
STEP = 24
FRAME_S = 0.05
TRANSFER = {"lead_in_s": 1.0, "gap_s": 1.0, "tail_s": 1.0, "click_below_peak_db": 14.0}
SETTINGS = {"method": "follow", "speed_search_percent": 12.0}


class Result(NamedTuple):
    """What one return's map is worth.

    mean_us: of its error (the constant), weighted; cover: share of the stem's energy within the 95 % interval; own_cover: the
    same about the own mean; slips: number of 50 ms frames; laid, truth: for a closer look.
    """

    rms_us: float
    mean_us: float
    cover: float
    own_cover: float
    sigma_us: float
    slips: int
    worst_us: float
    clicks_only_us: float
    offset_sigma_us: float
    bound_us: float
    laid: object
    truth: object
    error_us: np.ndarray
    times_s: np.ndarray


def band_passed(stem, rate_hz=RATE_HZ):
    return signal.sosfiltfilt(signal.butter(2, BAND_HZ, "bandpass", fs=rate_hz, output="sos"), np.asarray(stem, float))


def weights(stem):
    """(times, s; w), one each STEP samples of the stem."""
    power = band_passed(stem) ** 2
    edges = np.arange(0, power.size, STEP)
    return (edges + 0.5 * (STEP - 1)) / RATE_HZ, np.add.reduceat(power, edges)


def sent_of(stem, *, band_hz=BAND_HZ, number=7, transfer=TRANSFER):
    return make_transfer(stem, RATE_HZ, number=number, band_hz=band_hz, settings=transfer, send_db=-6.0)


def stem_span_s(facts):
    first = facts["stem_start_sample"]
    return first / RATE_HZ, (first + facts["stem_samples"]) / RATE_HZ


def trial(stem, recorder, seed, *, bound=False, sent=None, cut=None):
    """Send, record, follow, judge. recorder: settings as a dict with its preset; cut: changes the capture; returns Result."""
    sent = sent or sent_of(stem)
    span_s = stem_span_s(sent.facts)
    done = simulate(sent.samples, RATE_HZ, recorder, seed=seed, stem_span_s=span_s)
    capture = done.capture if cut is None else cut(done)
    laid = lay_return(
        capture.astype(np.float32)[:, None], done.rate_hz, stem.astype(np.float32), sent.samples.astype(np.float32), sent.facts,
        settings=SETTINGS, band_hz=BAND_HZ,
    )  # fmt: skip
    return judged(stem, sent, done.truth, laid, recorder, seed, bound)


def judged(stem, sent, truth, laid, recorder, seed, bound=False):
    times_s, w = weights(stem)
    start_s, _ = span_s = stem_span_s(sent.facts)
    best_us = bound_us(sent.samples, RATE_HZ, recorder, seed, truth, start_s + times_s, w, span_s=span_s) if bound else np.nan
    if laid.time_map is None:
        nothing = np.full(times_s.size, np.inf)
        return Result(*[np.inf] * 2, 0.0, 0.0, *[np.inf] * 2, np.inf, np.inf, np.inf, best_us, laid, truth, nothing, times_s)
    true_s = truth.capture_at(start_s + times_s) + click_delay_s(sent, truth)
    error_us = 1e6 * (laid.time_map.at(times_s) - true_s)
    sigma_us = laid.time_map.sigma_at(times_s)
    w = np.where(np.isfinite(error_us), w, 0.0)
    error_us = np.where(np.isfinite(error_us), error_us, 0.0)
    mean_us = float(np.average(error_us, weights=w))
    share = lambda inside: float(np.average(inside, weights=w))  # noqa: E731
    known = np.where(np.isfinite(sigma_us), sigma_us, 0.0)
    return Result(
        rms_us=float(np.sqrt(np.average((error_us - mean_us) ** 2, weights=w))),
        mean_us=mean_us,
        cover=share(np.abs(error_us) <= 1.96 * sigma_us),
        own_cover=share(np.abs(error_us - mean_us) <= 1.96 * sigma_us),
        sigma_us=float(np.sqrt(np.average(known**2, weights=w))),
        slips=count_slips(stem, times_s, error_us - mean_us),
        worst_us=float(np.abs(error_us - mean_us).max()),
        clicks_only_us=laid.alignment["clicks_only_rms_us"] or np.nan,
        offset_sigma_us=laid.alignment["offset_sigma_us"] or np.nan,
        bound_us=best_us,
        laid=laid,
        truth=truth,
        error_us=error_us,
        times_s=times_s,
    )


def click_delay_s(sent, truth):
    """Where the matched filter finds the clicks behind the recorder's filters, less where they were sent (return s)."""
    size = 1 << 16
    power = np.zeros(size // 2 + 1)
    for first, last, _ in click_spans(sent.facts):
        power += np.abs(fft.rfft(sent.samples[first:last], size)) ** 2
    freq_hz, speed = fft.rfftfreq(size, 1 / RATE_HZ), 1 + (truth.speed_percent or 0.0) / 100
    inside = (freq_hz > 20) & (freq_hz < 0.4 * RATE_HZ)
    spectrum = np.zeros(power.size, complex)
    spectrum[inside] = power[inside] * _response(truth, freq_hz[inside], speed)
    around = fft.irfft(spectrum, size)
    place = int(np.argmax(np.abs(around)))
    tau, w = (place if place < size / 2 else place - size) / RATE_HZ, 2 * np.pi * freq_hz
    for _ in range(30):
        turn = spectrum * np.exp(1j * w * tau)
        tau += np.sum(np.real(1j * w * turn)) / np.sum(np.real(w**2 * turn))
    return float(tau / speed)


def _response(truth, freq_hz, speed):
    """The machine's response by frequency sent: what is played back faster meets the replay's filters higher up."""
    settings = truth.settings
    total = band_response(settings["record_band"], freq_hz, RATE_HZ) * band_response(
        settings["replay_band"], speed * freq_hz, RATE_HZ
    )
    return total * head_loss(settings["head"], speed * freq_hz) if settings["head"] else total


def count_slips(stem, times_s, error_us):
    """50 ms frames (half overlapping) in which the error never falls under half a period of the local centroid."""
    frame = round(FRAME_S * RATE_HZ)
    pieces = np.lib.stride_tricks.sliding_window_view(band_passed(stem), frame)[:: frame // 2]
    power = np.mean(pieces**2, axis=1)
    loud = np.flatnonzero(power > 1e-3 * power.max())
    slips = 0
    for k in loud:
        from_s, to_s = k * (frame // 2) / RATE_HZ, (k * (frame // 2) + frame) / RATE_HZ
        near = np.abs(error_us[(times_s >= from_s) & (times_s < to_s)])
        if near.min() < 1e6 / (2 * BAND_HZ[1]):
            continue
        spectrum = np.abs(fft.rfft(pieces[k] * np.hanning(frame))) ** 2
        centroid_hz = np.sum(spectrum * fft.rfftfreq(frame, 1 / RATE_HZ)) / np.sum(spectrum)
        slips += int(near.min() > 0.5e6 / centroid_hz)
    return slips
