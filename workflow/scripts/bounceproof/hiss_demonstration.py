"""How hiss adds up, to be heard: 1, 2, 4, ... all tracks, then all of them muted where their stems are silent.

Conventions: every track's own hiss at the mix's gain and pan; steps of 3 s, half a second of silence between them; one gain for
everything, so that the steps keep their true relative level (10 lg N for tracks that hiss alike). The muted step runs through a
stretch of the song in which mutes open and shut, so that it is heard what they leave.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.mix import Bus
from bounceproof.muting import gate
from bounceproof.quantities import amplitude_from_db, rms_dbfs

STEP_S, PAUSE_S, FADE_S, MUTED_S = 3.0, 0.5, 0.05, 8.0
# The loudest step's peak: hiss at its true level is hardly heard alone.
PEAK_DBFS = -6.0
COLUMNS = ("from_s", "to_s", "tracks", "muted", "level_dbfs", "song_from_s")


class Layer(NamedTuple):
    """One track: its hiss alone (frames,) at the stem's level, gain and place in the mix, spans in which it plays."""

    track: str
    hiss: np.ndarray
    mix_db: float
    pan: float
    playing_s: list


def demonstration(layers, rate_hz, *, song_s):
    """(samples (frames, 2), rows): rows tell what is heard when; levels as they are in the mix, before the demonstration's gain.

    Tracks come in the mix's order; those without hiss are left out.
    """
    layers = [layer for layer in layers if len(layer.hiss) > 2 * FADE_S * rate_hz]
    parts = [(_summed(layers[:n], rate_hz, STEP_S, None), n, None) for n in _doubling(len(layers))]
    if layers:
        start_s = _busiest_s(layers, song_s)
        length_s = min(MUTED_S, max(song_s - start_s, STEP_S))
        parts += [(_summed(layers, rate_hz, length_s, start_s), len(layers), start_s)]
    pieces, rows, at_s = [], [], 0.0
    pause = np.zeros((round(PAUSE_S * rate_hz), 2))
    for samples, tracks, start_s in parts:
        length_s = len(samples) / rate_hz
        rows.append(
            {
                "from_s": at_s,
                "to_s": at_s + length_s,
                "tracks": tracks,
                "muted": start_s is not None,
                "level_dbfs": float(rms_dbfs(samples.ravel()) + 10.0 * np.log10(2.0)),
                "song_from_s": start_s,
            }
        )
        pieces += [samples * _ends(len(samples), rate_hz)[:, None], pause]
        at_s += length_s + PAUSE_S
    whole = np.concatenate(pieces) if pieces else np.zeros((round(STEP_S * rate_hz), 2))
    peak = np.max(np.abs(whole))
    return (whole * (amplitude_from_db(PEAK_DBFS) / peak) if peak > 0 else whole), rows


def _doubling(count):
    """1, 2, 4, ... and the count itself."""
    number = 1
    while number < count:
        yield number
        number *= 2
    if count:
        yield count


def _summed(layers, rate_hz, length_s, start_s):
    """The layers' hiss over length_s; from start_s of the song on muted as the mix would be, where that is given."""
    frames = round(length_s * rate_hz)
    bus = Bus(frames)
    for layer in layers:
        hiss = _as_long(layer.hiss, frames, round(FADE_S * rate_hz))
        if start_s is not None:
            hiss = hiss * gate(start_s + np.arange(frames) / rate_hz, layer.playing_s)
        bus.add(hiss, mix_db=layer.mix_db, pan=layer.pan)
    return bus.samples


def _as_long(hiss, frames, fade):
    """The hiss laid end to end with itself, faded by equal power, until it is long enough."""
    rise = np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / fade)
    out = np.asarray(hiss, dtype=float)
    while len(out) < frames:
        middle = out[-fade:] * rise[::-1] + hiss[:fade] * rise
        out = np.concatenate((out[:-fade], middle, hiss[fade:]))
    return out[:frames]


def _ends(frames, rate_hz):
    fade = round(FADE_S * rate_hz)
    place = np.minimum(np.arange(frames), np.arange(frames)[::-1])
    return np.clip(place / fade, 0.0, 1.0)


def _busiest_s(layers, song_s):
    """Where in the song most mutes open or shut within the muted step."""
    edges = np.array([edge for layer in layers for span in layer.playing_s for edge in span])
    starts = np.arange(0.0, max(song_s - MUTED_S, 0.0) + 0.5, 0.5)
    counts = [np.sum((edges > start) & (edges < start + MUTED_S)) for start in starts] if len(edges) else [0]
    return float(starts[int(np.argmax(counts))]) if len(starts) else 0.0
