"""Listening excerpts: the loudest seconds of a stem, and what came back of them, one after the other.

Conventions: mono samples, full scale = 1; all parts at the stem's level, then one gain for all, so that what differs is heard and
not how loud it is. A part's start and end are s of the excerpt; `from_s` is s of the song. The excerpt holds the stem's own
sound: it is for comparing, never for the mix.
"""

import io
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import soundfile
import soxr

from bounceproof.quantities import amplitude_db, amplitude_from_db

PART_S = 4.0
REST_S = 0.4
_FADE_S = 0.01
_PEAK_DBFS = -3.0
# Wide enough for what a stem of full band is told by, at a tenth of the bytes of the file beside the page.
_PAGE_RATE_HZ = 22050
# A song is searched so many half seconds at a time.
_STEPS_AT_ONCE = 16
# The equaliser learns from this much to either side of what is heard: enough for its bands, and far less work than a whole song.
_AROUND_S = 4.0


class Take(NamedTuple):
    """What an excerpt hears of a take. aligned, clicks: the return through its map and through two clicks, samples (frames,) or
    what slices into them; gain: brings both to the stem's level; followed: whether that map is more than the two clicks;
    restored(stem, laid): a piece of the return at the stem's level equalised towards the stem's.
    """

    aligned: Any
    clicks: Any
    gain: float
    followed: bool
    restored: Callable


class Excerpt(NamedTuple):
    """samples: (frames,) of all parts with rests between; parts: dicts of name, start_s, end_s; from_s: s of the song;
    gain_db: of all parts.
    """

    samples: np.ndarray
    parts: list
    from_s: float
    gain_db: float


def cut(stem, rate_hz, take=None):
    """The Excerpt of a stem, samples (frames,) or what slices into them, and of its Take; without one the stem alone is heard."""
    from_s = loudest_from_s(stem, rate_hz)
    first = round(from_s * rate_hz)
    last = min(len(stem), first + round(PART_S * rate_hz))
    parts = {"Stem": stem[first:last]}
    if take is not None:
        low, high = max(0, first - round(_AROUND_S * rate_hz)), min(len(stem), last + round(_AROUND_S * rate_hz))
        heard, laid = slice(first - low, last - low), take.aligned[low:high] * take.gain
        parts["Two clicks"] = take.clicks[first:last] * take.gain
        if take.followed:
            parts["Followed"] = laid[heard]
        parts["Restored"] = take.restored(stem[low:high], laid)[heard]
    return together(parts, rate_hz, from_s)


def loudest_from_s(samples, rate_hz, seconds=PART_S):
    """Where the stretch of `seconds` with the most power starts, in steps of half a second; 0 for a song no longer than that.

    samples: (frames,), or what slices into them.
    """
    step = rate_hz // 2
    count = len(samples) // step
    power = np.zeros(count)
    for first in range(0, count, _STEPS_AT_ONCE):
        last = min(count, first + _STEPS_AT_ONCE)
        blocks = np.asarray(samples[first * step : last * step], dtype=np.float32).reshape(-1, step)
        power[first:last] = np.einsum("ks,ks->k", blocks, blocks, dtype=np.float64)
    wide = round(2 * seconds)
    if count <= wide:
        return 0.0
    return 0.5 * int(np.argmax(np.convolve(power, np.ones(wide), mode="valid")))


def together(parts, rate_hz, from_s):
    """The Excerpt of named parts, each (frames,), in the order given."""
    peak = max((float(np.abs(samples).max(initial=0.0)) for samples in parts.values()), default=0.0)
    gain = float(amplitude_from_db(_PEAK_DBFS)) / peak if peak > 0 else 1.0
    rest, pieces, told, at = np.zeros(round(REST_S * rate_hz)), [], [], 0
    for name, samples in parts.items():
        if pieces:
            pieces.append(rest)
            at += len(rest)
        pieces.append(np.asarray(samples, dtype=float) * gain * _fades(len(samples), rate_hz))
        told.append({"name": name, "start_s": at / rate_hz, "end_s": (at + len(samples)) / rate_hz})
        at += len(samples)
    return Excerpt(np.concatenate(pieces), told, from_s, float(amplitude_db(gain)))


def _fades(frames, rate_hz):
    count = min(frames // 2, round(_FADE_S * rate_hz))
    curve = np.ones(frames)
    if count:
        curve[:count] = 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / count)
        curve[-count:] = curve[:count][::-1]
    return curve


def compressed(samples, rate_hz):
    """The samples as MP3 (ISO/IEC 13818-3, 64 kbit/s), which every browser plays: bytes, the same for the same samples.

    At one bit rate throughout, so that a player finds a part to the frame.
    """
    held = io.BytesIO()
    small = soxr.resample(np.asarray(samples, dtype=np.float32), rate_hz, _PAGE_RATE_HZ, quality="MQ")
    options = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": 0.6}
    with soundfile.SoundFile(held, "w", _PAGE_RATE_HZ, 1, **options) as out:
        out.write(np.clip(small, -1.0, 1.0))
    return held.getvalue()
