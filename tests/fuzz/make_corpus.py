"""Writes the seeds that `mutated_inputs.py` starts from into tests/fuzz/corpus/, a file each; the same bytes each time,
but for the number that Ogg draws for a stream.

envs/run python tests/fuzz/make_corpus.py
"""

import struct
import sys
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "workflow" / "scripts"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

CORPUS = Path(__file__).resolve().parent / "corpus"
FRAMES = 150

SETTINGS = {
    "small": "name: quay\nmedium: cassette-i\nsample_rate_hz: 48000\nchain: [recorder, pad]\n",
    "large": """name: "the quay"
sample_rate_hz: 44100
medium: mine
seed: 3
fill_missing: simulate
transfer: {lead_in_s: 5.5, gap_s: 1, tail_s: 2e0, send_db: -6}
alignment: {method: follow, speed_search_percent: 12}
thresholds:
  sum_loss_ok_db: 1
  sum_loss_poor_db: 3
media:
  mine: {band_low_hz: 300, band_high_hz: 4000, speed_error_percent: 2}
roles:
  kick:
    bands:
    - {name: beater, low_hz: 2000, high_hz: 4000}
chain:
  recorder: "pocket machine"
  tape: >
    a worn
    C-60
mix: {mute: "yes", restore: linear}
figures: {dark: true}
""",
    "odd": "\ufeff# only a comment\r\nname: Jörg 🎚\r\nresults_dir: ../out\r\n? chain\r\n: !!str x\r\nseed: 0o17\r\n",
    "anchors": "media: {a: &a {band_low_hz: 300, band_high_hz: 3000}, b: *a}\nmedium: b\n",
}
TRACKS = "track\tstem\tchannel\trole\tgroup\tmix_db\tpan\tsend_db\tsend_speed\ttake\tmute\trestore\tnumber\tnote\n"
TABLES = {
    "tracks": {
        "tabs": TRACKS + "kick\tkick.wav\tmono\tkick\tdrums\t-3.5\t0\t-6\t1\tbest\t\t\t1\tfirst\nkeys\ttwo\tstereo\n",
        "semicolons": '\ufefftrack;stem;mix_db\r\nkick;kick.wav;-3,5\r\n"a; b";bass;2\r\n',
        "commas": 'track,role\nkick,kick\n\nbass,"bass"\n',
    },
    "pairs": {"tabs": "pair\tfirst\tsecond\tkind\nlow\tkick\tbass\tone-source\nboth\tkeys.L\tkick\tdoubled\n"},
    "takes": {"tabs": "take\tside\tcounter\treplay_of\tcapture_gain_db\tbattery_v\tnote\nkick/take1\tA\t012\t\t6\t1.4\tx\n"},
}


def main():
    for name, text in SETTINGS.items():
        put("session", f"{name}.yaml", text.encode("utf-8"))
    for table, texts in TABLES.items():
        for name, text in texts.items():
            put(table, f"{name}.tsv", text.encode("utf-8"))
    put("tracks", "utf16.tsv", b"\xff\xfe" + TABLES["tracks"]["tabs"].encode("utf-16-le"))
    put("tracks", "cp1252.tsv", "track;note\r\nkick;Jörg\r\n".encode("cp1252"))
    for name, content in audio_files():
        put("audio", name, content)


def put(kind, name, content):
    path = CORPUS / kind / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def audio_files():
    from wave_maker import chunk, extensible_format, pcm, plain_format, riff

    tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(FRAMES) / 48000)
    body = pcm(tone, 16)
    yield "plain.wav", riff(plain_format(), chunk(b"data", body))
    yield "unfinished.wav", riff(plain_format(), chunk(b"data", body, size=0), size=0)
    yield "streamed.wav", riff(plain_format(), chunk(b"data", body, size=0xFFFFFFFF), size=0xFFFFFFFF)
    yield "extensible.wav", riff(extensible_format(channels=2), chunk(b"data", pcm(np.repeat(tone, 2), 24)))
    bext = chunk(b"bext", bytes(338) + struct.pack("<Q", 48000) + bytes(256))
    yield "described.wav", riff(chunk(b"JUNK", bytes(20)), bext, plain_format(), chunk(b"data", body), chunk(b"LIST", b"INFO"))
    sizes = chunk(b"ds64", struct.pack("<QQQI", 0, len(body), FRAMES, 0))
    yield "long.rf64", riff(sizes, plain_format(), chunk(b"data", body, size=0xFFFFFFFF), size=0xFFFFFFFF, head=b"RF64")
    kinds = [("WAV", "PCM_U8"), ("WAV", "FLOAT"), ("WAV", "DOUBLE"), ("WAV", "ULAW"), ("WAV", "IMA_ADPCM"), ("AIFF", "PCM_16")]
    kinds += [
        ("AIFF", "FLOAT"),
        ("FLAC", "PCM_16"),
        ("W64", "PCM_16"),
        ("CAF", "PCM_16"),
        ("OGG", "VORBIS"),
        ("MP3", "MPEG_LAYER_III"),
    ]
    for container, subtype in kinds:
        yield f"{container}-{subtype}.{container.lower()}".lower(), written(tone, container, subtype)


def written(samples, container, subtype):
    """The bytes of a file as libsndfile writes it, the clock in its PEAK chunk set to nought."""
    path = CORPUS / "being-written"
    soundfile.write(path, samples, 48000, format=container, subtype=subtype)
    content = bytearray(path.read_bytes())
    path.unlink()
    place = content.find(b"PEAK")
    if place >= 0:
        content[place + 12 : place + 16] = bytes(4)
    return bytes(content)


if __name__ == "__main__":
    main()
