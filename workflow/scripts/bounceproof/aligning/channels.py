"""One channel out of a capture.

Conventions: captures are (frames, channels), full scale = 1; channels are numbered from 1 in what a person reads.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.quantities import amplitude_db, peak_dbfs

# A channel this far under the strongest one holds crosstalk or nothing.
_DEAD_BELOW_DB = 20.0
SILENT_DBFS = -100.0
# A level that keeps within so much all along is that of noise or hum: music, even a held chord, comes and goes.
_STEADY_DB, _STEADY_BLOCK_S, _STEADY_BLOCKS = 3.0, 0.05, 4000
_PIECE = 1 << 20


class Channel(NamedTuple):
    """The chosen channel: samples (float32, mean taken off), its number, what the capture is like, remarks for a person."""

    samples: np.ndarray
    number: int
    facts: dict
    remarks: list


def choose_channel(capture, rate_hz, *, wanted=None):
    """The channel to use as a Channel: the wanted one, else the strongest, hum left aside.

    Two channels are never averaged: an empty one would cost 6 dB, and two legs of one pass can be out of polarity.
    """
    levels_dbfs = [_level_dbfs(capture[:, c], rate_hz) for c in range(capture.shape[1])]
    number = wanted if wanted and wanted <= capture.shape[1] else 1 + int(np.argmax(levels_dbfs))
    remarks = [] if wanted or capture.shape[1] == 1 else [_which(number, levels_dbfs)]
    samples, mean = channel_samples(capture, number)
    facts = {
        "rate_hz": rate_hz,
        "channels": capture.shape[1],
        "channel": number,
        "frames": len(samples),
        "seconds": len(samples) / rate_hz,
        "peak_dbfs": peak_dbfs(capture[:, number - 1]),
        "dc_dbfs": float(amplitude_db(mean)),
        "channel_levels_dbfs": levels_dbfs,
    }
    return Channel(samples, number, facts, remarks)


def by_strength(levels_dbfs):
    """The numbers of the channels that hold more than crosstalk, by their levels, the strongest first."""
    order = sorted(range(len(levels_dbfs)), key=lambda k: -levels_dbfs[k])
    return [1 + k for k in order if levels_dbfs[k] >= levels_dbfs[order[0]] - _DEAD_BELOW_DB]


def channel_samples(capture, number, *, in_place=False):
    """(one channel of a capture, float32, its mean taken off; that mean). in_place: nobody needs the capture any more."""
    samples = np.ascontiguousarray(capture[:, number - 1], dtype=np.float32)
    mean = float(np.mean(samples, dtype=float))
    return np.subtract(samples, np.float32(mean), out=samples if in_place else None), mean


def _level_dbfs(samples, rate_hz):
    """Rms without direct current, thumps and hum: of the second difference over about 0.5 ms, which 50 Hz survives by -32 dB."""
    step = max(1, round(0.0005 * rate_hz))
    if len(samples) <= 2 * step:
        return float("-inf")
    total = 0.0
    for first in range(2 * step, len(samples), _PIECE):
        piece = samples[first - 2 * step : first + _PIECE]
        changes = piece[step:] - piece[:-step]
        total += float(np.sum(np.square(changes[step:] - changes[:-step], dtype=float)))
    return float(amplitude_db(np.sqrt(total / (len(samples) - 2 * step))))


def _which(number, levels_dbfs):
    strongest, others = levels_dbfs[number - 1], [level for k, level in enumerate(levels_dbfs) if k != number - 1]
    if max(others) < strongest - _DEAD_BELOW_DB:
        return f"Only channel {number} of the capture holds the return; it is the one used."
    # Digital silence in all of them has no level to tell.
    over = f", the stronger by {strongest - max(others):.1f} dB," if np.isfinite(strongest) else ""
    return f"The capture has {len(levels_dbfs)} channels; channel {number}{over} is used."


def is_steady(samples, rate_hz):
    """Whether nothing comes or goes in a capture, but for a hundredth of it: noise and hum alone."""
    width = round(_STEADY_BLOCK_S * rate_hz)
    blocks = samples[: len(samples) // width * width].reshape(-1, width)
    if not len(blocks):
        return False
    # Differences: what lies low, a thump or a drift, does not count.
    some = np.diff(blocks[:: 1 + len(blocks) // _STEADY_BLOCKS], axis=1)
    low, high = np.percentile(np.sqrt(np.mean(np.square(some), axis=1)), (1, 99))
    return amplitude_db(high) - amplitude_db(low) < _STEADY_DB


def is_silent(samples):
    """Digital silence, or so near that no recorder can have been connected."""
    return peak_dbfs(samples) < SILENT_DBFS
