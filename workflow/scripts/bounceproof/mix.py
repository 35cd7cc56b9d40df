"""Mix-ready returns and rough mixes.

Conventions: samples are float, full scale = 1, all equally long from the song's start; `level_db` brings a return to its stem's
level, `mix_db` is the mix's gain. Pan runs from -1 (left) over 0 to 1 (right) by the sine and cosine law: left = cos, right = sin
of (pan + 1) 45 degrees; the middle is 3.01 dB down on each side, a hard side at unit gain, the power always the same.
The stem steers gain only: no sample of it enters a return.
"""

import numpy as np

from bounceproof.files import read_json
from bounceproof.filters import filtered
from bounceproof.muting import gate
from bounceproof.quantities import SINE_CREST_DB, amplitude_from_db
from bounceproof.sliced import Sliced

FADE_IN_S = 0.01
FADE_OUT_S = 0.05
# Mixes are summed so many frames at a time: memory does not grow with the song.
PIECE = 1 << 20
# They are added so many at a time, to stay in the processor's cache.
_IN_CACHE = 1 << 14


def pan_gains(pan):
    """(left, right) gains of a pan position from -1 to 1; exactly (1, 0) and (0, 1) at the ends."""
    if not -1 <= pan <= 1:
        raise ValueError(f"pan runs from -1 to 1; got {pan}")
    if abs(pan) == 1:
        return (1.0, 0.0) if pan < 0 else (0.0, 1.0)
    angle = (pan + 1.0) * np.pi / 4
    return float(np.cos(angle)), float(np.sin(angle))


class Ready(Sliced):
    """The mix-ready return, made where it is sliced: aligned x level_db, cut or padded to `frames`, short raised-cosine fades at
    both ends. aligned: samples (frames,), or what slices into them.
    """

    def __init__(self, aligned, rate_hz, *, level_db, frames):
        gain = amplitude_from_db(level_db)

        def made(first, last):
            out = np.zeros(last - first)
            there = aligned[first:last]
            np.multiply(there, gain, out=out[: len(there)])
            fade(out, frames, rate_hz, first)
            return out

        super().__init__(frames, made)


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


def fade(samples, frames, rate_hz, first=0):
    """Fade in place what starts `first` samples after the start of a song of `frames`: raised cosines, 10 ms in and 50 ms out,
    shorter where the song is; between them nothing is touched."""
    last = first + len(samples)
    rise, fall = min(frames // 2, round(FADE_IN_S * rate_hz)), min(frames // 2, round(FADE_OUT_S * rate_hz))
    head, tail = np.arange(first, min(last, rise)), np.arange(max(first, frames - fall), last)
    samples[head - first] *= 0.5 - 0.5 * np.cos(np.pi * head / max(rise, 1))
    samples[tail - first] *= 0.5 - 0.5 * np.cos(np.pi * (frames - 1 - tail) / max(fall, 1))


def summed(parts, frames):
    """A stereo mix of `frames`, piece by piece: (at most PIECE, 2) float64 each. parts: (samples, mix_db, pan) of each track;
    samples: (frames,), or what slices into them.
    """
    for first in range(0, frames, PIECE):
        bus = Bus(min(PIECE, frames - first))
        for samples, mix_db, pan in parts:
            bus.add(samples[first : first + len(bus.samples)], mix_db=mix_db, pan=pan)
        yield bus.samples


def with_hiss(pieces, hiss):
    """The pieces of a mix as they come from `summed`, with (TypicalHiss, mix_db, pan) of each track added."""
    if not hiss:
        yield from pieces
        return
    first = 0
    for piece in pieces:
        bus = Bus(len(piece))
        bus.samples += piece
        for samples, mix_db, pan in hiss:
            bus.add(samples[first : first + len(piece)], mix_db=mix_db, pan=pan)
        first += len(piece)
        yield bus.samples


class Bus:
    """A stereo mix in the making: `samples` are (frames, 2) float64, each side lying in one piece."""

    def __init__(self, frames):
        self._sides = np.zeros((2, frames))
        self.samples = self._sides.T

    def add(self, samples, *, mix_db, pan):
        """Add a mono track at its mix gain and pan; what lies past the bus's end is left away."""
        samples, gain = np.asarray(samples)[: len(self.samples)], amplitude_from_db(mix_db)
        for first in range(0, len(samples), _IN_CACHE):
            gained = np.multiply(samples[first : first + _IN_CACHE], gain, dtype=np.float64)
            # A side without gain is left as it is.
            for side, own in zip(self._sides, pan_gains(pan), strict=True):
                if own:
                    side[first : first + len(gained)] += own * gained


def narrow_band_pieces(pieces, rate_hz, band_hz):
    """`narrow_band` of a mix that comes in pieces, piece by piece; a second of its neighbours is heard with each."""
    before, now = None, next(pieces, None)
    while now is not None:
        after = next(pieces, None)
        beside = [one for one in (before, now, None if after is None else after[:rate_hz]) if one is not None]
        first = 0 if before is None else len(before)
        yield narrow_band(np.concatenate(beside), rate_hz, band_hz)[first : first + len(now)]
        before, now = now[-rate_hz:], after


def narrow_band(samples, rate_hz, band_hz):
    """Samples (frames, channels) limited to band_hz by the magnitude of a fourth-order Butterworth high-pass and low-pass, zero
    phase.

    Each edge is 3 dB down, 24 dB per octave beyond; an edge at or past half the rate is left out.
    """
    low_hz, high_hz = band_hz

    def gain_at(freq_hz):
        power = 1.0 + (low_hz / np.maximum(freq_hz, 1e-9)) ** 8
        if high_hz < rate_hz / 2:
            power *= 1.0 + (freq_hz / high_hz) ** 8
        return 1.0 / np.sqrt(power)

    return np.stack([filtered(side, gain_at, rate_hz) for side in np.asarray(samples).T], axis=1)


class TypicalHiss:
    """White noise without end of which `level_dbfs` (rms) lies within band_hz; to be limited to it with the mix. Each PIECE of
    it, which is what it slices into, has a seed of its own."""

    def __init__(self, rate_hz, band_hz, *, level_dbfs, seed):
        high_hz = min(band_hz[1], 0.5 * rate_hz)
        share = (high_hz - band_hz[0]) / (0.5 * rate_hz)
        self._scale, self._seed = amplitude_from_db(level_dbfs) / np.sqrt(share), seed

    def __getitem__(self, part):
        number, beside = divmod(part.start, PIECE)
        if beside or part.stop - part.start > PIECE:
            raise ValueError(f"hiss comes in pieces of {PIECE} frames; got {part}")
        return np.random.default_rng([*self._seed, number]).normal(scale=self._scale, size=part.stop - part.start)


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


def usable(tracks, of_all, of_takes):
    """(tracks with a usable return, dicts with their files; tracks left out, with the reason).

    tracks: dicts with track, take (None while it waits); of_all: {key: files, one for each of them}; of_takes: {key: files, one
    for each that has a take}, "alignment" among them, which is read.
    """
    takes = zip(*of_takes.values(), strict=True)
    used, left_out = [], []
    for track, *files in zip(tracks, *of_all.values(), strict=True):
        own = dict(zip(of_takes, next(takes), strict=True)) if track["take"] else {}
        alignment = read_json(own["alignment"]) if own else None
        reason = why_silent(alignment)
        if reason is None:
            used.append({**track, **dict(zip(of_all, files, strict=True)), **own, "alignment": alignment})
        else:
            left_out.append({"track": track["track"], "reason": reason})
    return used, left_out


def typical_hiss_dbfs(stem_peak_dbfs, below_full_db):
    """The level (rms) of the hiss that the medium usually lays under a stem. stem_peak_dbfs: None for silence; below_full_db: how
    far it lies under a sine that fills the tape, which peaks where the stem does."""
    return -np.inf if stem_peak_dbfs is None else stem_peak_dbfs - SINE_CREST_DB - below_full_db
