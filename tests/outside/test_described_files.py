"""The description chunk of mix-ready files, read back by libsndfile, which knows EBU Tech 3285 on its own account."""

import struct

import numpy as np
import soundfile
from bounceproof.broadcast import Description, time_reference, write_described_wav

# sndfile.h: SFC_GET_BROADCAST_INFO, SFC_SET_BROADCAST_INFO.
_GET, _SET = 0x10F0, 0x10F1
# The C structure keeps its numbers at whole multiples of their size.
_LAYOUT = "<256s32s32s10s8s2xIIh64s5h180sI256s"


def read_by_libsndfile(path):
    with soundfile.SoundFile(path) as sound:
        room = soundfile._ffi.new("char[]", struct.calcsize(_LAYOUT))
        assert soundfile._snd.sf_command(sound._file, _GET, room, len(room)) == 1
        return struct.unpack(_LAYOUT, bytes(soundfile._ffi.buffer(room)))


def test_libsndfile_reads_what_a_mix_ready_file_says(tmp_path):
    path = tmp_path / "kick.wav"
    start = 172_800_000 + (1 << 32)
    lines = ("return take2 laid on the song's time", "muted")
    write_described_wav(path, np.zeros(4800, np.float32), 48000, Description("kick: a return", "harbour", start, lines))
    text, originator, reference, date, time, low, high, version, _, *rest = read_by_libsndfile(path)
    assert text.rstrip(b"\0") == b"kick: a return"
    assert originator.rstrip(b"\0") == b"Bounceproof"
    assert reference.rstrip(b"\0") == b"harbour"
    assert low + (high << 32) == start
    assert version == 2
    assert not any(date + time), "no clock in it"
    # From memory: a loudness field that is not used holds 0x7FFF.
    assert rest[:5] == [0x7FFF] * 5
    length, history = rest[6], rest[7]
    assert history[:length].split(b"\r\n")[0] == b"A=PCM,F=48000,W=32,M=mono,T=return take2 laid on the song's time"


def test_a_time_reference_that_libsndfile_wrote_is_read(tmp_path):
    """As a workstation leaves it in an exported stem."""
    path = tmp_path / "stem.wav"
    with soundfile.SoundFile(path, "w", 48000, 1, subtype="PCM_24") as sound:
        body = struct.pack(_LAYOUT, b"stem", b"", b"", b"", b"", 48000 * 3600, 1, 1, b"", 0, 0, 0, 0, 0, b"", 0, b"")
        room = soundfile._ffi.new("char[]", body)
        assert soundfile._snd.sf_command(sound._file, _SET, room, len(body)) == 1
        sound.write(np.zeros(100))
    assert time_reference(path) == 48000 * 3600 + (1 << 32)
