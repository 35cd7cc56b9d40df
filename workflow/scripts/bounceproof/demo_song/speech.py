"""The demo's announcer: speech-like babble without words, out of formants.

Conventions: one channel, float64, `RATE_HZ`, whole song. A pulse-like source and noise are shaped frame by frame (short-time
spectra, 1024 samples every 256, root-Hann windows) with five formants that glide between vowels; consonants and breath are noise
up to 16 kHz, so that a narrow-band recorder has something to lose. Formant frequencies: typical male vowels after Peterson and
Barney, J. Acoust. Soc. Am. 24 (1952) 175, rounded, from memory.
"""

import math

import numpy as np
from scipy.ndimage import uniform_filter1d

from bounceproof.demo_song.instruments import FRAMES, band_noise, formant_gain, oscillate, wave_table
from bounceproof.demo_song.score import RATE_HZ

_SIZE, _HOP = 1024, 256
_FRAME_COUNT = FRAMES // _HOP + 5
_FIFTH_HZ = (3500.0, 4500.0)
_VOWELS_HZ = ((730, 1090, 2440), (270, 2290, 3010), (530, 1840, 2480), (570, 840, 2410), (300, 870, 2240), (660, 1720, 2410))
# Noise of a consonant: low and high edge in Hz, gain, length in s, voiced part
_CONSONANTS = (
    (4500.0, 14000.0, 0.55, 0.085, 0.0),
    (2200.0, 7000.0, 0.5, 0.08, 0.0),
    (900.0, 11000.0, 0.18, 0.06, 0.1),
    (2500.0, 9000.0, 0.7, 0.022, 0.0),
    (1200.0, 4000.0, 0.6, 0.025, 0.0),
    (300.0, 2500.0, 0.02, 0.06, 0.5),
    (300.0, 2500.0, 0.02, 0.05, 0.45),
)


def announcer(phrases, generator):
    """Babble within each (start, end) of `phrases`, falling in pitch as a sentence does."""
    tracks = _Tracks()
    for start_s, end_s in phrases:
        _speak(tracks, start_s, end_s, generator)
    tracks.smooth()
    voice = _shaped(_pulses(tracks, generator), _voice_gain(tracks))
    noise = _shaped(generator.standard_normal(FRAMES), _noise_gain(tracks))
    air = band_noise(generator, FRAMES, 8000, 15000, 2) * np.interp(np.arange(FRAMES), _centres(), tracks.voiced)
    return voice / max(float(np.max(np.abs(voice))), 1e-9) + 0.6 * noise + 0.03 * air


class _Tracks:
    """What the mouth does, a value a frame."""

    def __init__(self):
        self.voiced = np.zeros(_FRAME_COUNT)
        self.noise = np.zeros(_FRAME_COUNT)
        self.edges_hz = np.tile((900.0, 11000.0), (_FRAME_COUNT, 1))
        self.formants_hz = np.tile(np.array(_VOWELS_HZ[0], float), (_FRAME_COUNT, 1))
        self.pitch_hz = np.full(_FRAME_COUNT, 110.0)

    def smooth(self):
        self.voiced = uniform_filter1d(self.voiced, 5)
        self.noise = uniform_filter1d(self.noise, 3)
        self.formants_hz = uniform_filter1d(self.formants_hz, 11, axis=0)
        self.pitch_hz = uniform_filter1d(self.pitch_hz, 15)


def _frames(start_s, end_s):
    return slice(round(start_s * RATE_HZ / _HOP), round(end_s * RATE_HZ / _HOP))


def _centres():
    return np.arange(_FRAME_COUNT) * _HOP


def _speak(tracks, start_s, end_s, generator):
    """Words of two to four syllables with a short pause after each."""
    time_s = start_s
    while time_s < end_s - 0.25:
        for _ in range(generator.integers(2, 5)):
            if time_s > end_s - 0.2:
                break
            fallen = (time_s - start_s) / (end_s - start_s)
            time_s = _syllable(tracks, time_s, 132.0 - 32.0 * fallen, generator)
        time_s += generator.uniform(0.05, 0.14)


def _syllable(tracks, start_s, pitch_hz, generator):
    low_hz, high_hz, gain, seconds, voiced = _CONSONANTS[generator.integers(len(_CONSONANTS))]
    vowel = _VOWELS_HZ[generator.integers(len(_VOWELS_HZ))]
    stress = generator.uniform(0.7, 1.0)
    middle_s = start_s + seconds
    end_s = middle_s + generator.uniform(0.09, 0.19)
    consonant, sung = _frames(start_s, middle_s), _frames(middle_s, end_s)
    tracks.noise[consonant] = gain * stress
    tracks.edges_hz[consonant] = low_hz, high_hz
    tracks.voiced[consonant] = voiced
    tracks.voiced[sung] = stress
    tracks.noise[sung] = 0.01
    tracks.formants_hz[_frames(start_s, end_s)] = vowel
    tracks.pitch_hz[_frames(start_s, end_s)] = pitch_hz * (0.9 + 0.25 * stress) * generator.uniform(0.95, 1.06)
    return end_s


def _pulses(tracks, generator):
    """The vocal cords: harmonics to 12 kHz falling by some 6 dB an octave once radiated, the pitch never quite steady."""
    pitch_hz = np.interp(np.arange(FRAMES), _centres(), tracks.pitch_hz * (1.0 + 0.01 * generator.standard_normal(_FRAME_COUNT)))
    k = np.arange(1, 101)
    return oscillate(wave_table(1.0 / k**1.05, generator), np.cumsum(pitch_hz) / RATE_HZ)


def _frequencies():
    return np.fft.rfftfreq(_SIZE, 1.0 / RATE_HZ)[None, :] + 1e-9


def _voice_gain(tracks):
    formants = [(tracks.formants_hz[:, [i]], width) for i, width in enumerate((70.0, 95.0, 140.0))]
    formants += [(mid, 250.0) for mid in _FIFTH_HZ]
    # A product of resonances falls without end above them; speech keeps some of its upper harmonics.
    return tracks.voiced[:, None] * (formant_gain(_frequencies(), formants) + 0.02)


def _noise_gain(tracks):
    freq_hz = _frequencies()
    low_hz, high_hz = tracks.edges_hz[:, [0]], tracks.edges_hz[:, [1]]
    return tracks.noise[:, None] / np.sqrt((1.0 + (low_hz / freq_hz) ** 4) * (1.0 + (freq_hz / high_hz) ** 6))


def _shaped(source, gains):
    """Overlap-add of the source's frames times a gain per frame and frequency; frame k is centred at sample k x hop."""
    window = np.sqrt(0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(_SIZE) + 0.5) / _SIZE))
    padded = np.concatenate((np.zeros(_SIZE // 2), source, np.zeros(_SIZE + _HOP * _FRAME_COUNT - source.size)))
    out = np.zeros(padded.size)
    active = np.flatnonzero(gains.max(axis=1) > 0)
    frames = np.lib.stride_tricks.sliding_window_view(padded, _SIZE)[active * _HOP] * window
    shaped = np.fft.irfft(np.fft.rfft(frames) * gains[active], _SIZE) * window * (2.0 * _HOP / _SIZE)
    for k, frame in zip(active, shaped, strict=True):
        out[k * _HOP : k * _HOP + _SIZE] += frame
    return out[_SIZE // 2 : _SIZE // 2 + FRAMES]
