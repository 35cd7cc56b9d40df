"""Float WAV files that carry their own description: the `bext` chunk.

Conventions: EBU Tech 3285 version 2 (layout seen in a file that libsndfile wrote; what an unset loudness field holds, 0x7FFF,
is from memory); above 4 GB the container is RF64 (EBU Tech 3306). Texts are ASCII; no date and no clock, so that the same
samples give the same bytes.
"""

import struct
import unicodedata
from typing import NamedTuple

import numpy as np

from bounceproof.audio import RIFF_LIMIT_BYTES
from bounceproof.files import write_atomically

ORIGINATOR = "Bounceproof"
_UNSET = 0x7FFF
_VERSION = 2
_BLOCK = 1 << 18
_FLOAT = 3


class Description(NamedTuple):
    """What a file says of itself: text (256 characters are kept), reference (32), time_reference in samples since midnight of its
    first sample, history: lines of the coding history.
    """

    text: str
    reference: str
    time_reference: int
    history: tuple


def write_described_wav(path, samples, rate_hz, description):
    """Write a 32-bit float WAV with its Description, atomically. samples: (frames,) or (frames, channels), an array or what has a
    shape and slices into arrays.
    """
    channels = 1 if len(samples.shape) == 1 else samples.shape[1]
    size = len(samples) * channels * 4
    chunks = _chunk(b"fmt ", struct.pack("<HHIIHHH", _FLOAT, channels, rate_hz, rate_hz * channels * 4, channels * 4, 32, 0))
    chunks += _chunk(b"fact", struct.pack("<I", min(len(samples), 0xFFFFFFFF)))
    chunks += _chunk(b"bext", _bext(description, rate_hz, channels))
    long = size > RIFF_LIMIT_BYTES
    whole = 4 + len(chunks) + 8 + size + (36 if long else 0)
    head = struct.pack("<4sI4s", b"RF64" if long else b"RIFF", 0xFFFFFFFF if long else whole, b"WAVE")
    if long:
        head += _chunk(b"ds64", struct.pack("<QQQI", whole, size, len(samples), 0))
    with write_atomically(path) as temporary, temporary.open("wb") as out:
        out.write(head + chunks + struct.pack("<4sI", b"data", 0xFFFFFFFF if long else size))
        for first in range(0, len(samples), _BLOCK):
            out.write(np.ascontiguousarray(samples[first : first + _BLOCK], dtype="<f4").tobytes())


def _chunk(name, body):
    return struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) & 1)


def _bext(description, rate_hz, channels):
    coded = f"A=PCM,F={rate_hz},W=32,M={'mono' if channels == 1 else 'stereo'},T="
    history = "".join(f"{coded}{_ascii(line)}\r\n" for line in description.history).encode("ascii")
    return b"".join(
        (
            _field(description.text, 256),
            _field(ORIGINATOR, 32),
            _field(description.reference, 32),
            bytes(18),
            struct.pack("<QH", description.time_reference, _VERSION),
            bytes(64),
            struct.pack("<5H", *[_UNSET] * 5),
            bytes(180),
            history,
        )
    )


def _field(text, size):
    return _ascii(text).encode("ascii")[:size].ljust(size, b"\0")


def _ascii(text):
    """The text in ASCII: accents taken off, what is left over as a question mark."""
    plain = "".join(character for character in unicodedata.normalize("NFKD", text) if not unicodedata.combining(character))
    return plain.encode("ascii", "replace").decode("ascii").replace("\n", " ")


def time_reference(path):
    """The time reference of a WAV's `bext` chunk in samples, 0 where there is none or the file is of another kind."""
    with open(path, "rb") as stream:
        head = stream.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:12] != b"WAVE":
            return 0
        while len(start := stream.read(8)) == 8:
            name, size = struct.unpack("<4sI", start)
            if name == b"bext" and size >= 346:
                return struct.unpack("<Q", stream.read(346)[338:346])[0]
            if name == b"data":
                # A description behind four billion bytes of sound is not worth the walk; most writers put it first.
                return 0
            stream.seek(size + (size & 1), 1)
    return 0
