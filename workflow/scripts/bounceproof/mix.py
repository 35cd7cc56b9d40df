"""Mix-ready returns and rough mixes.

Conventions: samples are float, full scale = 1, all equally long from the song's start; `level_db` brings a return to its stem's
level, `mix_db` is the mix's gain. Pan runs from -1 (left) over 0 to 1 (right) by the sine and cosine law: left = cos, right = sin
of (pan + 1) 45 degrees; the middle is 3.01 dB down on each side, a hard side at unit gain, the power always the same.
The stem steers gain only: no sample of it enters a return.
"""

import numpy as np

from bounceproof.muting import gate
from bounceproof.quantities import amplitude_from_db

FADE_IN_S = 0.01
FADE_OUT_S = 0.05


def pan_gains(pan):
    """(left, right) gains of a pan position from -1 to 1; exactly (1, 0) and (0, 1) at the ends."""
    if not -1 <= pan <= 1:
        raise ValueError(f"pan runs from -1 to 1; got {pan}")
    if abs(pan) == 1:
        return (1.0, 0.0) if pan < 0 else (0.0, 1.0)
    angle = (pan + 1.0) * np.pi / 4
    return float(np.cos(angle)), float(np.sin(angle))


def ready(aligned, rate_hz, *, level_db, frames):
    """The mix-ready return: aligned x level_db, cut or padded to `frames`, with short raised-cosine fades at both ends."""
    out = np.zeros(frames)
    count = min(frames, len(aligned))
    out[:count] = np.asarray(aligned[:count], dtype=float) * amplitude_from_db(level_db)
    return out * fades(frames, rate_hz)


def muted(samples, rate_hz, spans):
    """The samples muted wherever the stem is silent; spans: those (s) in which it plays."""
    return samples * gate(np.arange(len(samples)) / rate_hz, spans)


def what_was_done(about, alignment):
    """What a mix-ready file says of itself, a phrase a step.

    about: the values of TRACK.ready.json; alignment: None while waiting.
    """
    if about["silent"]:
        return (f"silent: {about['reason']}",)
    how = "following its stem" if alignment.get("method") == "follow" else "its two clicks"
    steps = [
        f"{'simulated return' if about['simulated'] else 'return'} {about['take']} laid on the song's time by {how}",
        f"polarity {'put right' if alignment.get('polarity') == -1 else 'as sent'}",
        f"level {about['level_db']:+.1f} dB",
    ]
    if about["level_riding_undone"]:
        undone = about["level_riding_undone"]
        steps.append(f"level control's ride taken back, {undone['least_db']:+.1f} to {undone['most_db']:+.1f} dB")
    if about["restored"]:
        boost_db = max(row["gain_db"] for row in about["equaliser"])
        steps.append(f"equalised towards its stem by up to {max(boost_db, 0.0):.1f} dB, {about['restored']} phase")
    if about["muted"]:
        steps.append("muted where its stem is silent")
    return (*steps, "no sample of the stem in it")


def fades(frames, rate_hz):
    """Raised-cosine fade in (10 ms) and out (50 ms) over `frames` samples; shorter where the song is."""
    curve = np.ones(frames)
    rise, fall = min(frames // 2, round(FADE_IN_S * rate_hz)), min(frames // 2, round(FADE_OUT_S * rate_hz))
    if rise:
        curve[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    if fall:
        curve[-fall:] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(fall)[::-1] / fall)
    return curve


class Bus:
    """A stereo mix in the making: (frames, 2) float64."""

    def __init__(self, frames):
        self.samples = np.zeros((frames, 2))

    def add(self, samples, *, mix_db, pan):
        """Add a mono track at its mix gain and pan; what lies past the bus's end is left away."""
        count = min(len(samples), len(self.samples))
        gained = np.asarray(samples[:count], dtype=float) * amplitude_from_db(mix_db)
        for side, gain in enumerate(pan_gains(pan)):
            if gain:
                self.samples[:count, side] += gain * gained


def narrow_band(samples, rate_hz, band_hz):
    """Samples (frames, channels) limited to band_hz by the magnitude of a fourth-order Butterworth high-pass and low-pass, zero
    phase.

    Each edge is 3 dB down, 24 dB per octave beyond; an edge at or past half the rate is left out.
    """
    from scipy import fft

    low_hz, high_hz = band_hz
    frames = len(samples)
    # A second of padding keeps the zero-phase ringing of one end out of the other.
    points = fft.next_fast_len(frames + rate_hz, real=True)
    freq_hz = np.fft.rfftfreq(points, 1.0 / rate_hz)
    power = 1.0 + (low_hz / np.maximum(freq_hz, 1e-9)) ** 8
    if high_hz < rate_hz / 2:
        power *= 1.0 + (freq_hz / high_hz) ** 8
    gain = 1.0 / np.sqrt(power)
    out = np.empty(samples.shape)
    for side in range(samples.shape[1]):
        out[:, side] = fft.irfft(fft.rfft(samples[:, side], points) * gain, points)[:frames]
    return out


def typical_hiss(frames, rate_hz, band_hz, *, level_dbfs, seed):
    """White noise (frames,) of which `level_dbfs` (rms) lies within band_hz; to be limited to it with the mix."""
    high_hz = min(band_hz[1], 0.5 * rate_hz)
    share = (high_hz - band_hz[0]) / (0.5 * rate_hz)
    return np.random.default_rng(seed).normal(scale=amplitude_from_db(level_dbfs) / np.sqrt(share), size=frames)


def silence(frames):
    """A silent track of `frames` samples."""
    return np.zeros(frames)


def why_silent(alignment):
    """Why a track has nothing for the mix (one phrase), or None if it has. alignment: alignment.json's values, None while
    waiting.
    """
    if alignment is None:
        return "no return yet"
    if alignment["state"] != "aligned":
        return f"rejected: {alignment.get('reason')}"
    if alignment.get("level_db") is None:
        return "nothing stands over its hiss, so it has no level"
    return None
