"""WAV files put together byte by byte, right and wrong, for tests. Layout: EBU Tech 3285 (RIFF WAVE, bext) and 3306 (RF64)."""

import struct

import numpy as np

RATE_HZ = 48000
_PCM_GUID_TAIL = bytes.fromhex("00001000800000aa00389b71")


def tone(frames=RATE_HZ, *, tone_hz=440.0, peak=0.5):
    return peak * np.sin(2 * np.pi * tone_hz * np.arange(frames) / RATE_HZ)


def pcm(samples, bits):
    """Little-endian integer samples of 16 or 24 bits."""
    whole = np.rint(np.asarray(samples) * (2 ** (bits - 1) - 1)).astype("<i4")
    if bits == 16:
        return whole.astype("<i2").tobytes()
    return whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def chunk(name, body, *, size=None):
    """One chunk, padded to an even length; size: what its header claims, if not the truth."""
    claimed = len(body) if size is None else size
    return name + struct.pack("<I", claimed) + body + b"\0" * (len(body) & 1)


def plain_format(*, channels=1, bits=16, tag=1):
    align = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, RATE_HZ, RATE_HZ * align, align, bits))


def extensible_format(*, channels=1, bits=24, mask=4, extra=b""):
    align = channels * bits // 8
    body = struct.pack("<HHIIHHHHI", 0xFFFE, channels, RATE_HZ, RATE_HZ * align, align, bits, 22 + len(extra), bits, mask)
    return chunk(b"fmt ", body + struct.pack("<I", 1) + _PCM_GUID_TAIL + extra)


def riff(*chunks, size=None, head=b"RIFF"):
    body = b"WAVE" + b"".join(chunks)
    return head + struct.pack("<I", len(body) if size is None else size) + body
