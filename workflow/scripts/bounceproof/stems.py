"""A stem made ready: one channel of it, at the session's rate, as long as the song.

Conventions: samples float32, full scale = 1 (more is kept); channel is "mono", "left", "right" or "sum" (half of both).
"""

import numpy as np

from bounceproof.audio import AudioProblem, resample
from bounceproof.session.stems import check_stem_samples


def prepared_stem(source, name, settings):
    """(samples float32 of settings["song_samples"], notes) from an Audio.

    settings: channel, sample_rate_hz, song_samples. Raises AudioProblem where samples are not finite or the channel is missing.
    """
    samples = one_channel(source.samples, settings["channel"], name)
    problem = check_stem_samples(samples)
    if problem and not np.all(np.isfinite(samples)):
        raise AudioProblem(f"{name}: {problem}.")
    notes = [problem] if problem else []
    if source.rate_hz != settings["sample_rate_hz"]:
        notes.append(f"resampled from {source.rate_hz} to {settings['sample_rate_hz']} Hz")
        samples = resample(samples, source.rate_hz, settings["sample_rate_hz"])
    short = settings["song_samples"] - samples.size
    if short > 0:
        notes.append(f"padded with {short / settings['sample_rate_hz']:.3f} s of silence to the song's length")
        samples = np.pad(samples, (0, short))
    # No copy more than it takes: an hour is 0.7 GB.
    return samples[: settings["song_samples"]].astype(np.float32, copy=False), notes


def one_channel(samples, channel, name):
    """One channel (frames,) of (frames, channels). Raises AudioProblem where it is not there."""
    if channel == "sum":
        return samples.mean(axis=1)
    number = {"mono": 0, "left": 0, "right": 1}[channel]
    if number >= samples.shape[1]:
        raise AudioProblem(f"{name}: it has {samples.shape[1]} channel and no {channel} one; set channel to mono in tracks.tsv.")
    return samples[:, number]
