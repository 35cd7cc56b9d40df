"""Audio files in and out.

Conventions: samples are (frames, channels), full scale = 1.0; rates are whole Hz; a problem is told in one sentence that
names the file, what was found, what was expected and what to do.
"""

import errno
import struct
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile
import soxr

from bounceproof.files import is_text, write_atomically
from bounceproof.problems import AudioProblem
from bounceproof.quantities import amplitude_db, highest

# libsndfile writes plain RIFF sizes as 32 bits: above this, RF64 (EBU Tech 3306) takes over.
RIFF_LIMIT_BYTES = 4_000_000_000
_BLOCK = 1 << 20
# A compressed file is read so far in pieces of this many frames, where a part of it is broken.
_SALVAGED = 4096
# Headers beyond these are broken ones. A byte of a silent FLAC holds some 5000 frames.
_RATES_HZ = (1000, 1_000_000)
_MOST_CHANNELS = 64
_MOST_FRAMES_A_BYTE = 8192
# 200 dB over full scale: no converter's value, and its square still fits single precision.
_LARGEST = 1e10


class AudioFacts(NamedTuple):
    """What a file's header says: rate, channels, frames, container ("WAV"), subtype ("PCM_24"), notes."""

    rate_hz: int
    channels: int
    frames: int
    container: str
    subtype: str
    notes: tuple


class Audio(NamedTuple):
    """A file's samples, (frames, channels), their rate, and notes about what was odd and how it was taken."""

    samples: np.ndarray
    rate_hz: int
    notes: tuple


def look_at(path):
    """The header of an audio file as AudioFacts. Raises AudioProblem."""
    with _opened(Path(path)) as (sound, notes):
        return AudioFacts(sound.samplerate, sound.channels, sound.frames, sound.format, sound.subtype, notes)


def read_audio(path, *, dtype="float32"):
    """All samples of an audio file as Audio. Raises AudioProblem."""
    path = Path(path)
    with _opened(path) as (sound, notes):
        samples = _read(path, sound, sound.frames, dtype)
        rate_hz, expected = sound.samplerate, sound.frames
    if len(samples) < expected:
        notes = (*notes, f"file shorter than its header says: {len(samples)} of {expected} frames read")
    return Audio(samples, rate_hz, notes)


def read_capture(path):
    """A capture's samples as Audio: those that are no numbers, or far beyond any converter's, are taken as silence, and what lies
    behind a place where reading stops is left out; notes say so. Raises AudioProblem, also where no sample is a number.
    """
    try:
        audio = read_audio(path)
    except AudioProblem as problem:
        audio = _read_so_far(Path(path), problem)
    samples, broken = mended(audio.samples)
    if broken.size == len(samples):
        raise AudioProblem(f"{path}: none of its samples is a number; capture it again.")
    return Audio(samples, audio.rate_hz, (*audio.notes, *broken_words(broken, audio.rate_hz)))


def _read_so_far(path, problem):
    """The Audio before the place where reading stops. Raises the problem again where there is less than a block."""
    pieces = []
    with _opened(path) as (sound, notes), suppress(AudioProblem):
        rate_hz = sound.samplerate
        while len(piece := _read(path, sound, _SALVAGED, "float32")):
            pieces.append(piece)
    if not pieces:
        raise problem
    samples = np.concatenate(pieces)
    broken_off = f"reading stopped at {len(samples) / rate_hz:.3f} s; what lies behind is left out"
    return Audio(samples, rate_hz, (*notes, broken_off))


def broken_words(frames, rate_hz):
    """The note on frames that `mended` set to 0; nothing where there are none."""
    if frames.size:
        yield f"{frames.size} samples are no numbers, the first at {frames[0] / rate_hz:.3f} s; they are taken as silence"


def mended(samples):
    """(samples (frames, channels) with what is no sound number set to 0, the frames where that was).

    Not a number, infinite, or beyond any converter's value. The usual case costs two passes.
    """
    if samples.size == 0 or (samples.min() >= -_LARGEST and samples.max() <= _LARGEST):
        return samples, np.zeros(0, dtype=int)
    sound = np.abs(samples) <= _LARGEST
    return np.where(sound, samples, samples.dtype.type(0)), np.flatnonzero(~sound.all(axis=1))


def _go_to(path, sound, frame):
    try:
        sound.seek(frame)
    except (soundfile.LibsndfileError, RuntimeError) as problem:
        raise AudioProblem(f"{path}: its middle cannot be reached ({_plain(problem)}); export it again as WAV or FLAC.") from None


def _read(path, sound, frames, dtype):
    """The next frames of an open file, (frames, channels); fewer where it ends."""
    try:
        with np.errstate(all="ignore"):
            return sound.read(frames, dtype=dtype, always_2d=True)
    # ValueError: soundfile's for a place beyond the end of a compressed file whose header promises more.
    except (soundfile.LibsndfileError, RuntimeError, ValueError) as problem:
        raise AudioProblem(f"{path}: reading stopped ({_plain(problem)}); export it again as WAV or FLAC.") from None


def read_mono(path):
    """The first channel of an audio file, (frames,) float32: all there is in most that the rules write. Raises AudioProblem."""
    return read_audio(path).samples[:, 0]


class AudioBlocks:
    """A file read piece by piece: `facts` (AudioFacts), `frames(first, last)`, and one of its channels as if it were in memory;
    what is no number is taken as silence, as in `read_capture`.

    Raises AudioProblem like `read_audio`, here or while it is read.
    """

    def __init__(self, path):
        self.path, self.facts = Path(path), look_at(path)

    def frames(self, first, last):
        """Samples (frames, channels), float32; fewer where the file ends."""
        first = max(0, first)
        with _opened(self.path) as (sound, _):
            if first > 0:
                _go_to(self.path, sound, first)
            return mended(_read(self.path, sound, max(0, last - first), "float32"))[0]

    def __len__(self):
        return self.facts.frames

    def __getitem__(self, part):
        """A slice of the frames, as of an array in memory."""
        first, last, _ = part.indices(len(self))
        return self.frames(first, last)

    def channel(self, number):
        """Channel `number` (from 1): an object with `size` that slices into float32 arrays."""
        return _ChannelOnDisk(self, number)


class _ChannelOnDisk:
    def __init__(self, blocks, number):
        self._blocks, self._number, self.size = blocks, number, blocks.facts.frames

    def __len__(self):
        return self.size

    def __getitem__(self, part):
        first, last, _ = part.indices(self.size)
        return self._blocks.frames(first, last)[:, self._number - 1]


class _opened:
    """A soundfile.SoundFile and notes about its header; raises AudioProblem where it cannot be had."""

    def __init__(self, path):
        self.path = path

    def __enter__(self):
        path, notes = self.path, ()
        if not is_text(path):
            raise AudioProblem(f"{path}: its name holds bytes that are no UTF-8 text; rename it.")
        if not path.is_file():
            raise AudioProblem(f"{path}: there is no such file; check the name, or put the file there.")
        if path.stat().st_size == 0:
            raise AudioProblem(f"{path}: the file is empty; export or record it again.")
        header = path.open("rb")
        self._file = header
        try:
            layout = wave_layout(header)
            if layout is not None and layout.note and layout.readable:
                self.sound, notes = _raw_wave(path, layout), (layout.note,)
            else:
                self.sound = soundfile.SoundFile(path)
                notes = (layout.note,) if layout is not None and layout.note else ()
        except (soundfile.LibsndfileError, RuntimeError, TypeError, ValueError, struct.error, OSError) as problem:
            self._file.close()
            raise AudioProblem(
                f"{path}: not audio that can be read ({_why_not(path, problem)}); export it as WAV, FLAC or AIFF."
            ) from None
        broken = _broken_header(self.sound, path.stat().st_size)
        if broken:
            self.sound.close()
            self._file.close()
            raise AudioProblem(f"{path}: {broken}; export or record it again.")
        return self.sound, notes

    def __exit__(self, *_):
        self.sound.close()
        self._file.close()


def _broken_header(sound, size_bytes):
    """What cannot be true of a header, as a phrase; None if it can."""
    if sound.frames <= 0:
        return "it has a header but no samples"
    if not _RATES_HZ[0] <= sound.samplerate <= _RATES_HZ[1]:
        return f"its header says {sound.samplerate} Hz; {_RATES_HZ[0]} to {_RATES_HZ[1]} are expected"
    if sound.channels > _MOST_CHANNELS:
        return f"its header says {sound.channels} channels; at most {_MOST_CHANNELS} are expected"
    if sound.frames >= 1 << 62:
        return "its header does not say how long it is"
    if sound.frames > _MOST_FRAMES_A_BYTE * size_bytes:
        return f"its header says {sound.frames} frames, which {size_bytes} bytes cannot hold"
    return None


def _plain(problem):
    return str(problem).split(": ", 1)[-1].strip().rstrip(".")


def _why_not(path, problem):
    head = path.open("rb").read(64)
    if head[:1] == b"<" or head[:5].lower() in (b"<html", b"<!doc"):
        return "it holds a web page or other text"
    if head[:4] == b"RIFF" and head[20:22] == b"\x55\x00":
        return "it holds MP3 inside a WAV"
    return _plain(problem)


class WaveLayout(NamedTuple):
    """Where a WAV's samples lie: first byte, whole frames, what was odd (text or ""), whether they can be read raw."""

    data_offset: int
    frames: int
    rate_hz: int
    channels: int
    subtype: str
    note: str
    readable: bool


_WAVE_CODES = {(1, 8): "PCM_U8", (1, 16): "PCM_16", (1, 24): "PCM_24", (1, 32): "PCM_32", (3, 32): "FLOAT", (3, 64): "DOUBLE"}


def wave_layout(stream):
    """Walk the chunks of a RIFF WAVE (or RF64) file; None where it is another format or nothing is odd to be found.

    A recorder that crashes leaves the sizes at 0 or at all ones; libsndfile then reads nothing, or past the end.
    The length is then taken from the file itself. Source of the layout: EBU Tech 3285 and 3306.
    """
    head = stream.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:12] != b"WAVE":
        return None
    stream.seek(0, 2)
    end = stream.tell()
    position, form, long_size = 12, None, None
    while position + 8 <= end:
        stream.seek(position)
        name, size = struct.unpack("<4sI", stream.read(8))
        body = position + 8
        if name == b"ds64":
            long_size = struct.unpack("<QQQ", stream.read(24))[1]
        elif name == b"fmt ":
            form = _wave_format(stream.read(min(size, 40)))
        elif name == b"data":
            size = long_size if size == 0xFFFFFFFF and long_size else size
            return _judge_layout(stream, form, body, size, end)
        position = body + size + (size & 1)
    return None


def _wave_format(body):
    if len(body) < 16:
        return None
    tag, channels, rate_hz, _, align, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == 0xFFFE and len(body) >= 26:
        tag = struct.unpack("<H", body[24:26])[0]
    subtype = _WAVE_CODES.get((tag, bits)) if align == channels * bits // 8 else None
    return (channels, rate_hz, align, subtype) if channels and align and rate_hz else None


def _judge_layout(stream, form, body, size, end):
    if form is None:
        return None
    channels, rate_hz, align, subtype = form
    there = end - body
    if 0 < size <= there:
        lost = there - size
        # What a 32-bit size wraps round to is off by exactly 4 GiB.
        if lost >= 1 << 32:
            return WaveLayout(
                body,
                there // align,
                rate_hz,
                channels,
                subtype or "",
                "header's length wrapped round at 4 GiB, length taken from the file",
                subtype is not None,
            )
        return None
    if size == 0 and there < align:
        return None
    if size == 0 or size >= 0xFFFFFF00:
        audio_end = _end_of_audio(stream, body, end) if size == 0 else end
        note = "header unfinished, length taken from the file"
    else:
        audio_end, note = end, "file shorter than its header says, length taken from the file"
    return WaveLayout(body, (audio_end - body) // align, rate_hz, channels, subtype or "", note, subtype is not None)


def _end_of_audio(stream, body, end):
    """Where the samples end when the header does not say: before a LIST or other known chunk that closes the file exactly."""
    reach = min(end - body, 1 << 16)
    stream.seek(end - reach)
    last = stream.read(reach)
    for name in (b"LIST", b"id3 ", b"bext", b"iXML", b"cue ", b"JUNK"):
        place = last.rfind(name)
        if place >= 0 and place + 8 <= reach:
            size = struct.unpack("<I", last[place + 4 : place + 8])[0]
            if place + 8 + size + (size & 1) in (reach, reach + 1):
                return end - reach + place
    return end


def _raw_wave(path, layout):
    """Open the samples of a WAV whose sizes are wrong, by their place in the file."""
    sound = _RawWave(path, layout)
    if layout.frames <= 0:
        raise ValueError("no samples")
    return sound


class _RawWave:
    """As much of soundfile.SoundFile as this module uses, over a WAV's samples at a known place."""

    def __init__(self, path, layout):
        self.samplerate, self.channels, self.frames = layout.rate_hz, layout.channels, layout.frames
        self.format, self.subtype = "WAV", layout.subtype
        self._path, self._offset, self._at = path, layout.data_offset, 0

    def read(self, frames=-1, dtype="float64", always_2d=True):
        count = self.frames - self._at if frames < 0 else min(frames, self.frames - self._at)
        width = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}[self.subtype]
        with self._path.open("rb") as content:
            content.seek(self._offset + self._at * width * self.channels)
            raw = content.read(count * width * self.channels)
        self._at += count
        return _decoded(raw, self.subtype).reshape(-1, self.channels).astype(dtype)

    def seek(self, frame):
        self._at = min(max(0, frame), self.frames)

    def close(self):
        pass


def _decoded(raw, subtype):
    if subtype == "PCM_U8":
        return (np.frombuffer(raw, np.uint8).astype(float) - 128.0) / 128.0
    if subtype == "PCM_24":
        octets = np.frombuffer(raw, np.uint8).reshape(-1, 3)
        wide = np.zeros((len(octets), 4), np.uint8)
        wide[:, 1:] = octets
        return wide.view("<i4").ravel() / 2.0**31
    kind, scale = {"PCM_16": ("<i2", 2.0**15), "PCM_32": ("<i4", 2.0**31), "FLOAT": ("<f4", 1.0), "DOUBLE": ("<f8", 1.0)}[subtype]
    return np.frombuffer(raw, kind) / scale


def resample(samples, from_hz, to_hz, *, axis=0):
    """Samples at another rate (soxr VHQ, linear phase, no delay), rounded to the nearest whole length. float32 stays float32."""
    samples = np.asarray(samples)
    if from_hz == to_hz or samples.size == 0:
        return samples
    moved = np.moveaxis(samples, axis, 0)
    kind = np.float32 if samples.dtype == np.float32 else np.float64
    out = soxr.resample(np.ascontiguousarray(moved, dtype=kind), from_hz, to_hz, quality="VHQ")
    return np.moveaxis(out, 0, axis)


def write_float_wav(path, samples, rate_hz):
    """Write a 32-bit float WAV (RF64 above 4 GB), atomically, the same bytes each time."""
    _write(path, samples, rate_hz, "FLOAT")


def write_float_pieces(path, pieces, frames, channels, rate_hz):
    """As `write_float_wav`, from pieces (frames, channels) of `frames` in all, which are not held together."""
    _write_pieces(path, pieces, frames, channels, rate_hz, "FLOAT")


def write_through(path, pieces, frames, channels, rate_hz):
    """As `write_float_pieces`; yields each piece once it is written, for what is made of it."""
    return _written(path, pieces, frames, channels, rate_hz, "FLOAT")


def write_float_part(path, source, first, last, *, channel=None):
    """Write the frames first to last of an AudioBlocks, or of one channel of it (from 1), as `write_float_wav` would, without
    holding them all.
    """
    last, wanted = min(last, source.facts.frames), slice(None) if channel is None else slice(channel - 1, channel)
    pieces = (source.frames(at, min(at + _BLOCK, last))[:, wanted] for at in range(first, last, _BLOCK))
    channels = source.facts.channels if channel is None else 1
    write_float_pieces(path, pieces, last - first, channels, source.facts.rate_hz)


def write_pcm24_wav(path, samples, rate_hz):
    """Write a 24-bit WAV (RF64 above 4 GB), atomically. Raises AudioProblem where a sample is above full scale.

    samples: (frames,) or (frames, channels), an array or what has a shape and slices into arrays.
    """
    peak = highest(samples)
    if peak > 1.0:
        over_db = float(amplitude_db(peak))
        raise AudioProblem(f"{path}: samples above full scale do not fit 24 bits; lower the level by {over_db:.1f} dB.")
    _write(path, samples, rate_hz, "PCM_24")


def write_pcm24_pieces(path, pieces, frames, rate_hz):
    """Write a 24-bit WAV of one channel from pieces (frames,) that follow one another, `frames` long together."""
    _write_pieces(path, pieces, frames, 1, rate_hz, "PCM_24")


def _write(path, samples, rate_hz, subtype):
    channels = 1 if len(samples.shape) == 1 else samples.shape[1]
    pieces = (samples[first : first + _BLOCK] for first in range(0, len(samples), _BLOCK))
    _write_pieces(path, pieces, len(samples), channels, rate_hz, subtype)


def _write_pieces(*of_written):
    for _ in _written(*of_written):
        pass


def _written(path, pieces, frames, channels, rate_hz, subtype):
    """Write the pieces of a WAV of `frames`, which is there once all are written; yields each."""
    width, kind = {"FLOAT": (4, np.float32), "PCM_24": (3, None)}[subtype]
    container = "RF64" if frames * channels * width > RIFF_LIMIT_BYTES else "WAV"
    with write_atomically(path) as temporary:
        facts = {"samplerate": rate_hz, "channels": channels, "format": container, "subtype": subtype}
        with reason_of_the_system(temporary), soundfile.SoundFile(temporary, "w", **facts) as sound:
            for piece in pieces:
                # Rounded here, a piece of any layout is written in half the time that the library takes.
                sound.write(np.ascontiguousarray(piece, dtype=kind))
                yield piece
        if subtype == "FLOAT":
            _clear_peak_time(temporary)


@contextmanager
def reason_of_the_system(path):
    """An OSError with its reason where libsndfile cannot write a file, of which it says no more than "System error"."""
    try:
        yield
    except (soundfile.LibsndfileError, AssertionError) as problem:
        try:
            with open(path, "ab", buffering=0) as out:
                for _ in range(16):
                    out.write(bytes(1 << 16))
        except OSError as reason:
            raise OSError(reason.errno, reason.strerror, str(path)) from problem
        raise OSError(errno.EIO, "it could not be written", str(path)) from problem


def _clear_peak_time(path):
    """libsndfile stamps the PEAK chunk of a float WAV with the clock; zero keeps two writes the same bytes."""
    with path.open("r+b") as content:
        head = content.read(4096)
        place = head.find(b"PEAK")
        if place >= 0:
            content.seek(place + 12)
            content.write(b"\0\0\0\0")
