"""Stems made of real recordings from Debian's packages, for benchmarks only.

Conventions: every stem is mono float64 at the rate asked for, peak 0.5. Sources: `sonic-pi-samples` (drum hits, choir, guitar;
mostly CC0), `fluid-soundfont-gm` (MIT; sampled instruments, rendered by `fluidsynth`), `asterisk-core-sounds-en-wav`
(CC-BY-SA-3.0; studio speech at 8 kHz). Nothing is copied into the project.
"""

import shutil
import struct
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import soundfile
import soxr

SAMPLES = Path("/usr/share/sonic-pi/samples")
SPEECH = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
NEEDED = "sonic-pi-samples fluid-soundfont-gm fluidsynth asterisk-core-sounds-en-wav"
BEAT_S = 0.5


def missing():
    """One sentence that says what to install, or an empty string."""
    there = SAMPLES.is_dir() and SPEECH.is_dir() and SOUNDFONT.is_file() and shutil.which("fluidsynth")
    return (
        "" if there else f"The stems of this benchmark are absent; install them: apt-get install --no-install-recommends {NEEDED}"
    )


def make_stem(name, seconds, *, rate_hz=48000, seed=1):
    """The stem called `name` (one of STEMS), `seconds` long."""
    made = STEMS[name](seconds, rate_hz, np.random.default_rng(seed))[: int(seconds * rate_hz)]
    padded = np.zeros(int(seconds * rate_hz))
    padded[: made.size] = made
    return 0.5 * padded / np.abs(padded).max()


def _sample(name, rate_hz):
    return _read(SAMPLES / f"{name}.flac", rate_hz)


def _read(path, rate_hz):
    samples, own_hz = soundfile.read(path, always_2d=True)
    return soxr.resample(samples.mean(axis=1), own_hz, rate_hz, quality="VHQ")


def _place(seconds, rate_hz, hits):
    """Add each (time_s, gain, samples) of `hits` into silence."""
    out = np.zeros(int(seconds * rate_hz))
    for time_s, gain, samples in hits:
        first = int(time_s * rate_hz)
        part = samples[: max(0, out.size - first)]
        out[first : first + part.size] += gain * part
    return out


def _drum(name, beats, *, every):
    def make(seconds, rate_hz, random):
        hit = _sample(name, rate_hz)
        times = [
            (bar * every + beat) * BEAT_S + random.normal(0, 0.004) + 0.02
            for bar in range(int(seconds / BEAT_S / every))
            for beat in beats
        ]
        return _place(seconds, rate_hz, [(t, 0.7 + 0.3 * random.random(), hit) for t in times if t < seconds])

    return make


def _overhead(seconds, rate_hz, random):
    parts = (
        ("drum_cymbal_closed", (0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5), 4, 0.5),
        ("drum_snare_hard", (1, 3), 4, 0.8),
        ("drum_heavy_kick", (0, 2, 2.5), 4, 0.5),
        ("drum_cymbal_hard", (0,), 16, 0.7),
    )
    return sum(gain * _drum(name, beats, every=every)(seconds, rate_hz, random) for name, beats, every, gain in parts)


def _choir(seconds, rate_hz, random):
    choir = _sample("ambi_choir", rate_hz)
    hits = []
    for k in range(int(seconds / 3.2)):
        ratio = 2 ** (random.choice([-5, -2, 0, 3, 5]) / 12)
        hits.append((k * 3.2, 0.6 + 0.4 * random.random(), soxr.resample(choir, rate_hz * ratio, rate_hz, quality="VHQ")))
    return _place(seconds, rate_hz, hits)


def _speech(seconds, rate_hz, random):
    files = sorted(p for p in SPEECH.glob("*.wav") if 30_000 < p.stat().st_size < 200_000)
    out, total = [], 0.0
    while total < seconds:
        part = _read(files[random.integers(len(files))], rate_hz)
        out += [part, np.zeros(int(rate_hz * random.uniform(0.1, 0.6)))]
        total += (out[-1].size + part.size) / rate_hz
    return np.concatenate(out)


def _instrument(program, notes):
    """A line of notes played by one program of the soundfont; notes(random) yields (beats, chord, velocity)."""

    def make(seconds, rate_hz, random):
        events = []
        beat = 0.0
        while beat * BEAT_S < seconds:
            beats, chord, velocity = notes(random)
            events += [(beat, 0x90, pitch, velocity) for pitch in chord]
            events += [(beat + 0.95 * beats, 0x80, pitch, 0) for pitch in chord]
            beat += beats
        return _render(program, events, rate_hz)

    return make


def _render(program, events, rate_hz):
    with tempfile.TemporaryDirectory() as folder:
        midi, wave = Path(folder) / "line.mid", Path(folder) / "line.wav"
        midi.write_bytes(_midi(program, events))
        subprocess.run(
            [
                "fluidsynth",
                "-ni",
                "-q",
                "-R",
                "0",
                "-C",
                "0",
                "-g",
                "0.5",
                "-r",
                str(rate_hz),
                "-F",
                str(wave),
                str(SOUNDFONT),
                str(midi),
            ],
            check=True,
            capture_output=True,
        )
        return _read(wave, rate_hz)


def _midi(program, events):
    """A type 0 standard MIDI file at 120 beats a minute, 480 ticks a beat."""
    track, now = bytes([0, 0xC0, program]), 0
    for beat, status, pitch, velocity in sorted(events):
        tick = round(beat * 480)
        track += _variable(tick - now) + bytes([status, pitch, velocity])
        now = tick
    track += b"\x00\xff\x2f\x00"
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, 480) + b"MTrk" + struct.pack(">I", len(track)) + track


def _variable(value):
    out = bytes([value & 0x7F])
    while value := value >> 7:
        out = bytes([0x80 | value & 0x7F]) + out
    return out


def _bass_notes(random):
    return random.choice([0.5, 0.5, 1.0]), [int(random.choice([28, 31, 33, 35, 36, 40]))], int(random.integers(80, 110))


def _chord_notes(random):
    root = int(random.choice([40, 43, 45, 47, 48]))
    return random.choice([0.5, 1.0, 1.0, 2.0]), [root, root + 7, root + 12, root + 16], int(random.integers(70, 110))


def _pad_notes(random):
    root = int(random.choice([50, 53, 55, 57]))
    return 8.0, [root, root + 4, root + 7, root + 12], 90


STEMS = {
    "kick": _drum("drum_heavy_kick", (0, 2, 2.5), every=4),
    "snare": _drum("drum_snare_hard", (1, 3), every=4),
    "bass": _instrument(33, _bass_notes),
    "guitar": _instrument(25, _chord_notes),
    "electric": _instrument(27, _chord_notes),
    "choir": _choir,
    "voice": _speech,
    "overhead": _overhead,
    "pad": _instrument(89, _pad_notes),
    "piano": _instrument(0, _chord_notes),
}
