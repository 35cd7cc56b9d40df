"""The simulated recorder as a whole: a file sent, recorded, replayed and captured.

Conventions: one channel, 1 = full scale; times in seconds: sent (from the first sample sent), play (from pressing play),
capture (from the capture's first sample). Order of what happens: input gain, noise of the input, automatic level, band while
recording, overload, print-through, tape at rest, both passes' motion, heads, old recording, band while replaying, dropouts,
hiss, motor, mains; then polarity, gain, converter.
"""

from dataclasses import dataclass

import numpy as np

from bounceproof.quantities import amplitude_db, amplitude_from_db
from bounceproof.reading import Reader
from bounceproof.recorder import channel
from bounceproof.recorder.motion import TapePass, tape_motion
from bounceproof.recorder.presets import RecorderProblem, resolve
from bounceproof.recorder.truth import KNOT_S, Truth


@dataclass(frozen=True)
class Simulated:
    """A capture (float64, one channel) at `rate_hz`, and the `Truth` about it."""

    capture: np.ndarray
    rate_hz: int
    truth: Truth


def simulate(sent, rate_hz, recorder="good-machine", *, seed, stem_span_s=None, old_recording=None):
    """Send one channel through the simulated recorder.

    Parameters
    ----------
    sent : (frames,) the file that is played to the recorder, 1 = full scale
    rate_hz : its rate
    recorder : a preset's name or a dict, see `presets.resolve`
    seed : whole number; every effect draws from a stream of its own, so switching one on leaves the others as they were
    stem_span_s : (start, end) of the stem within `sent`, without clicks; the level that hiss is counted from is taken there
        (over its 50 ms frames within 30 dB of the loudest, after level control and band). By default the whole file.
    old_recording : (any length,) another programme at `rate_hz` that shines through, as it lies on the tape from where play is
        pressed; only with `old_recording` in the settings, by default one is made up

    Returns `Simulated`. Raises `RecorderProblem` for settings or samples that cannot be used.
    """
    samples = _checked(sent)
    settings = resolve(recorder)
    recorded = _record(samples, settings, rate_hz, seed)
    motion = tape_motion(
        recorded.motion,
        settings["replay"],
        samples.size / rate_hz,
        seed=seed,
        pre_roll_s=settings["pre_roll_s"],
        clock_error_ppm=settings["clock_error_ppm"],
        margin_s=settings["post_roll_s"] + 1.0,
    )
    return _replay(recorded, motion, settings, rate_hz, seed, stem_span_s or (0.0, samples.size / rate_hz), old_recording)


def _checked(sent):
    samples = np.asarray(sent, dtype=float)
    if samples.ndim != 1 or not samples.size:
        raise RecorderProblem(f"The recorder takes one channel with at least one sample; got an array of shape {samples.shape}.")
    if not np.isfinite(samples).all():
        raise RecorderProblem("The file sent holds values that are not numbers; expected finite samples.")
    return samples


@dataclass(frozen=True)
class _Recorded:
    """Signal and (where there is one) the input's noise as they lie on the tape, in sent time; the record pass's settings."""

    signal: np.ndarray
    noise: np.ndarray | None
    motion: dict
    level: tuple | None


def _record(samples, settings, rate_hz, seed):
    signal = samples * float(amplitude_from_db(settings["input_gain_db"]))
    noise = channel.input_noise(settings, signal.size, rate_hz, seed=seed)
    motion, level = settings["record"], None
    if settings["voice_activation"]:
        motion = {**motion, "stops": motion["stops"] + channel.voice_stops(signal, settings["voice_activation"], rate_hz)}
    if settings["automatic_level"]:
        heard = signal if noise is None else signal + noise
        level = channel.level_control(heard, settings["automatic_level"], rate_hz)
        gain = channel.control_gain(*level, signal.size, rate_hz)
        signal, noise = signal * gain, None if noise is None else noise * gain
    signal = channel.limit_band(signal, settings["record_band"], rate_hz)
    signal = channel.saturate(signal, settings["saturation"], rate_hz)
    signal = channel.print_through(signal, settings["print_through"], rate_hz)
    noise = None if noise is None else channel.limit_band(noise, settings["record_band"], rate_hz)
    if motion["stops"]:
        running = channel.running_gain(motion["stops"], signal.size, rate_hz)
        signal, noise = signal * running, None if noise is None else noise * running
    return _Recorded(signal, noise, motion, level)


def _replay(recorded, motion, settings, rate_hz, seed, span_s, old_recording):
    capture_s = _capture_times(motion, settings, rate_hz)
    play_s = motion.play_at_capture(capture_s)
    clean, noise = _off_the_tape(recorded, motion, settings, play_s, rate_hz)
    signal_rms = _stem_rms(clean, motion, capture_s, span_s, rate_hz)
    hiss, rest_rms = channel.tape_hiss(clean, settings, signal_rms, rate_hz, seed=seed)
    random_part = hiss if noise is None else hiss + noise
    clean, dropouts = _with_losses(clean, settings, play_s, seed)
    clean = clean + _foreign(settings, play_s, signal_rms, rate_hz, seed, old_recording)
    capture, hiss, clipped, out_rate_hz = _capture(clean, random_part, settings, rate_hz)
    gain_db = settings["capture_gain_db"]
    truth = Truth(
        settings={**settings, "record": recorded.motion},
        seed=seed,
        motion=motion,
        **_knots(motion, recorded.signal.size / rate_hz),
        speed_percent=_mean_speed_percent(motion, span_s),
        polarity=settings["polarity"],
        rate_hz=rate_hz,
        capture_rate_hz=out_rate_hz,
        signal_rms_dbfs=float(amplitude_db(signal_rms)) + gain_db,
        hiss_rms_dbfs=float(amplitude_db(rest_rms)) + gain_db,
        clipped_samples=clipped,
        hiss=hiss.astype(np.float32),
        events=_events(recorded.motion, settings["replay"], dropouts, motion),
        level_time_s=None if recorded.level is None else recorded.level[0],
        level_gain_db=None if recorded.level is None else recorded.level[1],
    )
    return Simulated(capture, out_rate_hz, truth)


def _capture_times(motion, settings, rate_hz):
    """Times of the capture's samples: from the pre-roll to `post_roll_s` after the last thing heard."""
    end_s = float(motion.capture_at_play(motion.play_s[-2])) + settings["post_roll_s"]
    return np.arange(int(end_s * rate_hz)) / rate_hz


def _off_the_tape(recorded, motion, settings, play_s, rate_hz):
    """Signal, and the input's noise, after both passes, heads and replay band; one value at each of `play_s`."""
    sent_samples = motion.sent_at_play(play_s) * rate_hz
    read = []
    for laid in (recorded.signal, recorded.noise):
        if laid is None:
            read.append(None)
            continue
        at_head = channel.limit_by_heads(_read(laid, sent_samples, motion), settings["head"], rate_hz)
        read.append(channel.limit_band(at_head, settings["replay_band"], rate_hz))
    return read


def _read(laid, sent_samples, motion):
    """The tape at fractional positions; a tape that does nothing to time is copied, so that a wire is a wire."""
    first = float(sent_samples[0])
    if motion.identical and abs(first - round(first)) < 1e-6:
        nearest = np.rint(sent_samples).astype(np.int64)
        inside = (nearest >= 0) & (nearest < laid.size)
        return np.where(inside, laid[np.clip(nearest, 0, laid.size - 1)], 0.0)
    return Reader(laid).at(sent_samples)


def _stem_rms(clean, motion, capture_s, span_s, rate_hz):
    """S of the stem, or of the whole file where the stem is silent."""
    ends_s = np.interp(span_s, motion.sent_s, motion.capture_at_play(motion.play_s))
    first, last = np.searchsorted(capture_s, ends_s)
    return channel.loud_frames_rms(clean[first:last], rate_hz) or channel.loud_frames_rms(clean, rate_hz)


def _with_losses(clean, settings, play_s, seed):
    if not settings["dropouts"]:
        return clean, []
    dropouts = channel.dropout_list(settings["dropouts"], float(play_s[-1]), seed=seed)
    return clean * channel.dropout_gain(dropouts, play_s), dropouts


def _foreign(settings, play_s, signal_rms, rate_hz, seed, old_recording):
    """What is neither stem nor hiss: an old recording, the motor, the mains."""
    total = np.zeros(play_s.size)
    if settings["old_recording"] or settings["whine"]:
        tape = TapePass(settings["replay"], max(0.1, float(play_s[-1])), seed=seed, name="replay")
    if settings["old_recording"]:
        if old_recording is None:
            old_recording = channel.old_programme(play_s.size, rate_hz, seed=seed)
        # It lies on the tape like the stem does: the replay's motion is in it, the stem's record pass is not.
        places = tape.position(play_s) * rate_hz
        old = Reader(np.resize(np.asarray(old_recording, float), int(places[-1]) + 2)).at(places)
        old = channel.limit_band(old, settings["replay_band"], rate_hz)
        level = channel.loud_frames_rms(old, rate_hz)
        wanted = signal_rms * float(amplitude_from_db(-settings["old_recording"]["below_signal_db"]))
        total += old * (wanted / level if level else 0.0)
    if settings["whine"]:
        total += channel.whine(settings["whine"], tape.position(play_s), seed=seed)
    if settings["hum"]:
        total += channel.hum(settings["hum"], play_s, seed=seed)
    return total


def _capture(clean, random_part, settings, rate_hz):
    """Capture and hiss at the capture's rate, number of clipped samples, and that rate."""
    gain = settings["polarity"] * float(amplitude_from_db(settings["capture_gain_db"]))
    capture, hiss, out_rate_hz = gain * (clean + random_part), gain * random_part, settings["capture_rate_hz"] or rate_hz
    if out_rate_hz != rate_hz:
        import soxr

        capture, hiss = (soxr.resample(part, rate_hz, out_rate_hz, quality="VHQ") for part in (capture, hiss))
    capture = capture + settings["dc_percent"] / 100.0
    if settings["clips_at_dbfs"] is None:
        return capture, hiss, 0, out_rate_hz
    limit = float(amplitude_from_db(settings["clips_at_dbfs"]))
    return np.clip(capture, -limit, limit), hiss, int(np.count_nonzero(np.abs(capture) > limit)), out_rate_hz


def _knots(motion, sent_duration_s):
    sent_s = np.arange(0.0, min(sent_duration_s, motion.heard_until_sent_s) + 1e-12, KNOT_S)
    return {"sent_s": sent_s, "capture_s": motion.capture_at(sent_s)}


def _mean_speed_percent(motion, span_s):
    """100 (sent duration / capture duration - 1) over the stem, as far as it is heard."""
    start_s, end_s = span_s[0], min(span_s[1], motion.heard_until_sent_s)
    first_s, last_s = motion.capture_at(np.array([start_s, end_s]))
    return float(100.0 * ((end_s - start_s) / (last_s - first_s) - 1.0)) if end_s > start_s else None


def _events(record, replay, dropouts, motion):
    """What happened at a moment, in sent and capture time, in order of the capture."""
    events = []
    for name, settings in (("record", record), ("replay", replay)):
        for kind, singular in (("slips", "slip"), ("stops", "stop"), ("switches", "speed switch")):
            events += [_event(singular, name, entry, motion) for entry in settings[kind]]
        if settings["swoop"]:
            events.append(_event("swoop", name, {"time_s": 0.0, **settings["swoop"]}, motion))
    events += [_event("dropout", "replay", entry, motion) for entry in dropouts]
    return sorted(events, key=lambda event: event["capture_s"])


def _event(kind, name, entry, motion):
    time_s = entry["time_s"]
    if name == "record":
        sent_s, capture_s = time_s, float(np.interp(time_s, motion.sent_s, motion.capture_at_play(motion.play_s)))
    else:
        sent_s, capture_s = float(motion.sent_at_play(time_s)), float(motion.capture_at_play(time_s))
    rest = {key: value for key, value in entry.items() if key != "time_s"}
    return {"kind": kind, "pass": name, "sent_s": float(sent_s), "capture_s": capture_s, **rest}
