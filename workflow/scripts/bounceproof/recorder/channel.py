"""What the recorder does to the sound: filters, heads, overload, level control, gaps, noises, dropouts.

Conventions: one channel, float64, 1 = full scale; `rate_hz` of the samples handed in; times in seconds from their first
sample. Functions return new arrays. Randomness comes from `motion.stream`, one stream an effect.
"""

import math
from functools import lru_cache, partial

import numpy as np

from bounceproof.filters import bandpass_response, edges_response, filtered
from bounceproof.quantities import amplitude_db, amplitude_from_db, power_from_db, rms
from bounceproof.recorder import losses
from bounceproof.recorder.motion import stream

HISS_BAND_HZ = (350.0, 4200.0)
CONTROL_S = 0.5e-3
_FRAME_S = 0.05
_FRAMES_WITHIN_DB = 30.0
_ENVELOPE_S = 5e-3
_SILENT_DB = -300.0
_SYLLABLE_S = 0.18


# --- filters -------------------------------------------------------------------------------------------------------------


def _edges(band, rate_hz):
    """Low and high edge that the filter really has; None where there is nothing to cut."""
    high_hz = band["high_hz"]
    return band["low_hz"] or None, high_hz if high_hz and high_hz < 0.48 * rate_hz else None


def band_response(band, freq_hz, rate_hz):
    """Complex response of a band's filter (Butterworth, `order` at each edge) at `freq_hz`; for phase `zero` its size."""
    if not band:
        return np.ones(np.shape(freq_hz))
    response = edges_response(freq_hz, rate_hz, *_edges(band, rate_hz), order=band["order"])
    return np.abs(response) if band["phase"] == "zero" else response


def limit_band(samples, band, rate_hz):
    """The samples through a band's filter: causal for phase `minimum`, without delay for `zero`."""
    if not band or not any(_edges(band, rate_hz)):
        return samples
    return filtered(samples, lambda freq_hz: band_response(band, freq_hz, rate_hz), rate_hz)


def head_loss(head, freq_hz):
    """Amplitude left by the heads at `freq_hz`: spacing, coating, gap and azimuth error, by the formulas in `losses`."""
    wavelength = losses.wavelength_m(freq_hz, head["tape_speed_cm_s"])
    return (
        losses.spacing_loss(wavelength, head["spacing_um"])
        * losses.thickness_loss(wavelength, head["coating_um"])
        * losses.gap_loss(wavelength, head["gap_um"])
        * losses.azimuth_loss(wavelength, head["track_width_mm"], head["azimuth_arc_minutes"])
    )


def limit_by_heads(samples, head, rate_hz):
    return filtered(samples, lambda freq_hz: head_loss(head, freq_hz), rate_hz) if head else samples


def machine_response(settings, freq_hz, rate_hz):
    """Complex response of record band, heads and replay band together."""
    total = band_response(settings["record_band"], freq_hz, rate_hz) * band_response(settings["replay_band"], freq_hz, rate_hz)
    return total * head_loss(settings["head"], freq_hz) if settings["head"] else total


# --- overload ------------------------------------------------------------------------------------------------------------


def _harmonics(drive, bias):
    """Second and third harmonic over the fundamental of tanh(drive sin + bias)."""
    phase = 2.0 * math.pi * np.arange(256) / 256
    spectrum = np.abs(np.fft.rfft(np.tanh(drive * np.sin(phase) + bias)))
    return spectrum[2] / spectrum[1], spectrum[3] / spectrum[1]


def _bisect(function, low, high):
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) < 0 else (low, middle)
    return 0.5 * (low + high)


@lru_cache
def overload_shape(second_percent):
    """(drive, bias) of tanh for which a sine at the overload level has 3 % third and `second_percent` second harmonic."""

    def drive_for(bias):
        return _bisect(lambda drive: _harmonics(drive, bias)[1] - 0.03, 0.05, 2.0)

    if second_percent <= 0:
        return drive_for(0.0), 0.0
    bias = _bisect(lambda b: _harmonics(drive_for(b), b)[0] - second_percent / 100.0, 0.0, 0.35)
    return drive_for(bias), bias


def saturate(samples, saturation, rate_hz):
    """Overload of the tape: smooth, small signals unchanged, 3 % third harmonic for a sine of peak `level_dbfs`.

    3 % third harmonic is what tape's maximum output level is counted by (DIN 45500-4; IEC 60094-5); `second_percent` at the
    same level stands for direct-current bias. Runs at twice the rate, so that what it makes above the band does not fold back.
    """
    if not saturation:
        return samples
    import soxr

    drive, bias = overload_shape(float(saturation["second_percent"]))
    slope = drive / float(amplitude_from_db(saturation["level_dbfs"]))
    dense = soxr.resample(np.asarray(samples, float), 1, 2, quality="HQ")
    bent = (np.tanh(slope * dense + bias) - math.tanh(bias)) / (slope * (1.0 - math.tanh(bias) ** 2))
    return _fitted(soxr.resample(bent, 2, 1, quality="HQ"), samples.size)


def _fitted(samples, count):
    return samples[:count] if samples.size >= count else np.pad(samples, (0, count - samples.size))


# --- level control and voice activation ----------------------------------------------------------------------------------


def _control_peaks_db(samples, rate_hz):
    """Peak of each control block (0.5 ms or the nearest whole number of samples), in dBFS, and the block's length."""
    block = max(1, round(CONTROL_S * rate_hz))
    padded = np.zeros(-(-samples.size // block) * block)
    padded[: samples.size] = np.abs(samples)
    return np.maximum(amplitude_db(padded.reshape(-1, block).max(axis=1)), _SILENT_DB), block


def level_control(samples, control, rate_hz):
    """Gain of an automatic level control, in dB per control block, and the times (s) of the blocks' middles.

    Static law: gain = target - level, held between max_gain and max_gain - range; so the output stays at `target_dbfs` (peak)
    over `range_db` of input. The gain falls with time constant `attack_ms`, rises with `release_ms`, exponentially in dB.
    """
    peaks_db, block = _control_peaks_db(samples, rate_hz)
    high_db, step_s = control["max_gain_db"], block / rate_hz
    wanted = np.clip(control["target_dbfs"] - peaks_db, high_db - control["range_db"], high_db).tolist()
    fall = -math.expm1(-step_s / (max(control["attack_ms"], 1e-3) / 1000.0))
    rise = -math.expm1(-step_s / (max(control["release_ms"], 1e-3) / 1000.0))
    gain, gains = wanted[0], []
    for target in wanted:
        gain += (target - gain) * (fall if target < gain else rise)
        gains.append(gain)
    # At a block's start the gain would know the peak before it comes.
    return (np.arange(len(gains)) + 0.5) * step_s, np.array(gains)


def control_gain(times_s, gains_db, count, rate_hz):
    """Amplitude gain of every sample."""
    return amplitude_from_db(np.interp(np.arange(count) / rate_hz, times_s, gains_db))


def voice_stops(samples, activation, rate_hz):
    """Times at which voice activation halts the tape and starts it again, as entries of a pass's `stops`.

    The tape halts when the level has stayed under `threshold_dbfs` (peak) for `hang_s` and runs again within `wake_ms` of the
    first louder moment, whose beginning is therefore lost.
    """
    peaks_db, block = _control_peaks_db(samples, rate_hz)
    within_s = activation["wake_ms"] / 1000.0
    loud_s = np.flatnonzero(peaks_db >= activation["threshold_dbfs"]) * block / rate_hz
    loud_s = np.concatenate(([0.0], loud_s, [math.inf]))
    quiet = np.flatnonzero(np.diff(loud_s) > activation["hang_s"] + within_s)
    halts = [(loud_s[k] + activation["hang_s"], loud_s[k + 1]) for k in quiet]
    length_s = samples.size / rate_hz
    return [
        {"time_s": float(a), "restart_s": float(b) if b < length_s else None, "within_ms": activation["wake_ms"]}
        for a, b in halts
        if a < length_s
    ]


def running_gain(stops, count, rate_hz):
    """1 where the recording tape runs, 0 where it stands: nothing is laid down on a tape at rest."""
    times_s = np.arange(count) / rate_hz
    gain = np.ones(count)
    for stop in stops:
        end_s = math.inf if stop["restart_s"] is None else stop["restart_s"]
        gain[(times_s >= stop["time_s"]) & (times_s < end_s)] = 0.0
    return gain


# --- noises and losses ---------------------------------------------------------------------------------------------------


def print_through(samples, settings, rate_hz):
    """The samples with a faint copy of the next and of the last layer on the reel, `turn_s` away."""
    if not settings:
        return samples
    shift, gain = round(settings["turn_s"] * rate_hz), float(amplitude_from_db(settings["level_db"]))
    echoed = samples.copy()
    if 0 < shift < samples.size:
        echoed[shift:] += gain * samples[:-shift]
        echoed[:-shift] += gain * samples[shift:]
    return echoed


def loud_frames_rms(samples, rate_hz):
    """Rms over those 50 ms frames that lie within 30 dB of the loudest; 0 for silence or less than a frame."""
    frame = round(_FRAME_S * rate_hz)
    frames = samples[: samples.size // frame * frame].reshape(-1, frame)
    power = np.mean(frames**2, axis=1)
    if not power.size or power.max() <= 0:
        return 0.0
    return math.sqrt(power[power >= power.max() * power_from_db(-_FRAMES_WITHIN_DB)].mean())


def _hiss_gain(hiss, signal_rms):
    """Wanted rms between 350 and 4200 Hz."""
    if hiss["level_dbfs"] is not None:
        return float(amplitude_from_db(hiss["level_dbfs"]))
    return signal_rms * float(amplitude_from_db(-hiss["below_signal_db"]))


def _share_in_band(band, rate_hz):
    """Rms that white noise of rms 1 keeps between 350 and 4200 Hz after a band's filter."""
    freq_hz = np.linspace(*HISS_BAND_HZ, 1000)
    freq_hz = freq_hz[freq_hz < rate_hz / 2]
    size = np.abs(band_response(band, freq_hz, rate_hz))
    return math.sqrt(np.trapezoid(size**2, freq_hz) / (rate_hz / 2))


def tape_hiss(signal, settings, signal_rms, rate_hz, *, seed):
    """Hiss (one value a sample of `signal`) and its resting rms between 350 and 4200 Hz.

    Power = N^2 (1 + (10^(rise_db / 10) - 1) e^2 / S^2): e is the signal's short-time rms (5 ms), S `signal_rms`, so that hiss
    stands `rise_db` higher under signal of rms S. The two parts have streams of their own.
    """
    hiss = settings["hiss"]
    if not hiss:
        return np.zeros(signal.size), 0.0
    band = None if hiss["wide"] else settings["replay_band"]
    rest_rms = _hiss_gain(hiss, signal_rms)
    scale = rest_rms / _share_in_band(band, rate_hz)
    noise = stream(seed, "hiss").standard_normal(signal.size)
    if hiss["rise_db"] and signal_rms > 0:
        rise = math.sqrt(float(power_from_db(hiss["rise_db"])) - 1.0)
        envelope = short_time_rms(signal, rate_hz) / signal_rms
        noise += rise * envelope * stream(seed, "hiss under signal").standard_normal(signal.size)
    return limit_band(scale * noise, band, rate_hz), rest_rms


def short_time_rms(samples, rate_hz):
    keep = math.exp(-1.0 / (_ENVELOPE_S * rate_hz))

    def decay(freq_hz):
        return (1.0 - keep) / (1.0 - keep * np.exp(-2j * math.pi * freq_hz / rate_hz))

    return np.sqrt(np.maximum(filtered(samples**2, decay, rate_hz), 0.0))


def input_noise(settings, count, rate_hz, *, seed):
    """White noise of the recorder's input, of `level_dbfs` between 350 and 4200 Hz; None without it."""
    noise = settings["input_noise"]
    if not noise:
        return None
    scale = float(amplitude_from_db(noise["level_dbfs"])) / _share_in_band(None, rate_hz)
    return scale * stream(seed, "input noise").standard_normal(count)


def _resonance(freq_hz, *, mid_hz, rate_hz):
    return bandpass_response(freq_hz, rate_hz, 0.93 * mid_hz, 1.07 * mid_hz, order=1)


def old_programme(count, rate_hz, *, seed):
    """A stranger's recording: voices and hum of a room, made of noise through resonances that speak in syllables; rms 1."""
    generator = stream(seed, "old recording")
    beats = np.arange(count) / (_SYLLABLE_S * rate_hz)
    drawn = generator.random(int(count / (_SYLLABLE_S * rate_hz)) + 2)
    syllables = np.interp(beats, np.arange(drawn.size), drawn)
    noise = generator.standard_normal(count)
    total = np.zeros(count)
    for mid_hz in generator.uniform((450, 900, 1900), (700, 1500, 3000)):
        total += filtered(noise, partial(_resonance, mid_hz=mid_hz, rate_hz=rate_hz), rate_hz)
    total *= np.maximum(syllables - 0.4, 0.0)
    return total / max(float(rms(total)), 1e-30)


def hum(settings, times_s, *, seed):
    """Mains hum at the replay side: the fundamental's peak is `level_dbfs`, `harmonics_db` the 2nd, 3rd, ... against it."""
    phases = stream(seed, "hum").uniform(0.0, 2.0 * math.pi, 1 + len(settings["harmonics_db"]))
    total = np.zeros(times_s.size)
    for k, (level_db, phase) in enumerate(zip([0.0, *settings["harmonics_db"]], phases, strict=True), start=1):
        gain = float(amplitude_from_db(settings["level_dbfs"] + level_db))
        total += gain * np.sin(2.0 * math.pi * settings["mains_hz"] * k * times_s + phase)
    return total


def whine(settings, tape_s, *, seed):
    """The motor's tone: it turns with the tape, so its phase follows the tape's position (nominal seconds)."""
    phase = stream(seed, "whine").uniform(0.0, 2.0 * math.pi)
    return float(amplitude_from_db(settings["level_dbfs"])) * np.sin(2.0 * math.pi * settings["rate_hz"] * tape_s + phase)


def dropout_list(settings, duration_s, *, seed):
    """Dropouts as entries {time_s, depth_db, length_ms}, in play time: those asked for, and random ones (a Poisson process)."""
    entries = [dict(entry) for entry in settings["at"]]
    generator, time_s = stream(seed, "dropouts"), 0.0
    while settings["per_minute"] > 0:
        time_s += generator.exponential(60.0 / settings["per_minute"])
        depth, length = generator.uniform(0.5, 1.5, 2)
        if time_s > duration_s:
            break
        entries.append({"time_s": time_s, "depth_db": depth * settings["depth_db"], "length_ms": length * settings["length_ms"]})
    return sorted(entries, key=lambda entry: entry["time_s"])


def dropout_gain(entries, play_s):
    """Amplitude gain at `play_s` (increasing): each dropout dips in dB by a raised cosine over its length."""
    gain = np.ones(play_s.size)
    for entry in entries:
        length_s = entry["length_ms"] / 1000.0
        first, last = np.searchsorted(play_s, (entry["time_s"], entry["time_s"] + length_s))
        inside = (play_s[first:last] - entry["time_s"]) / length_s
        gain[first:last] *= amplitude_from_db(-entry["depth_db"] * (0.5 - 0.5 * np.cos(2.0 * math.pi * inside)))
    return gain
