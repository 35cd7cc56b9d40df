"""The demo's sound sources, before any microphone.

Conventions: one channel, float64, `RATE_HZ`, of whole song length unless said otherwise; amplitudes are relative, a stem's level
is set in the package's `synthesise`. `generator` is a seeded numpy Generator.
"""

import math

import numpy as np

from bounceproof.demo_song.score import DURATION_S, RATE_HZ
from bounceproof.filters import bandpass_response, filtered

FRAMES = round(DURATION_S * RATE_HZ)
_BLOCK = 256
_TABLE = 4096


def hertz(pitch):
    return 440.0 * 2.0 ** ((pitch - 69) / 12.0)


def silence():
    return np.zeros(FRAMES)


def add(target, start_s, samples):
    """Add samples into target from start_s on, cut at the song's end."""
    first = round(start_s * RATE_HZ)
    last = min(target.size, first + samples.size)
    if last > first:
        target[first:last] += samples[: last - first]


def band_noise(generator, count, low_hz, high_hz, order=1):
    """White noise of rms 1 before its band-pass from low_hz to high_hz."""
    noise = generator.standard_normal(count)
    return filtered(noise, lambda freq_hz: bandpass_response(freq_hz, RATE_HZ, low_hz, high_hz, order=order), RATE_HZ)


def partials(seconds, freqs_hz, gains, decays_s, phases):
    """Sum of damped sines, gains exp(-t / decay) sin(2 pi f t + phase).

    Written as a product of two small tables, exp(a (256 n + m)) = exp(256 a n) exp(a m), which costs a multiplication a sample
    and partial in place of a sine; einsum rather than a matrix product, because its bytes do not depend on BLAS threads.
    """
    audible = np.asarray(freqs_hz) < 0.45 * RATE_HZ
    rates = (-1.0 / np.asarray(decays_s) + 2j * math.pi * np.asarray(freqs_hz))[audible] / RATE_HZ
    start = np.asarray(gains)[audible] * np.exp(1j * np.asarray(phases)[audible])
    blocks = math.ceil(seconds * RATE_HZ / _BLOCK)
    coarse = start * np.exp(np.outer(_BLOCK * np.arange(blocks), rates))
    fine = np.exp(np.outer(rates, np.arange(_BLOCK)))
    return np.einsum("bp,pm->bm", coarse, fine).imag.ravel()


def fade_end(samples, seconds):
    count = min(samples.size, round(seconds * RATE_HZ))
    samples[samples.size - count :] *= 0.5 + 0.5 * np.cos(math.pi * np.arange(count) / count)
    return samples


def wave_table(gains, generator):
    """One period with harmonics of these gains and random phases, one sample more than `_TABLE`."""
    spectrum = np.zeros(_TABLE // 2 + 1, complex)
    count = min(len(gains), _TABLE // 4)
    spectrum[1 : count + 1] = np.asarray(gains[:count]) * np.exp(2j * math.pi * generator.random(count))
    period = np.fft.irfft(spectrum) * _TABLE / 2
    return np.append(period, period[0])


def oscillate(table, cycles):
    """The table read at a phase given in cycles (array), straight lines between its values."""
    place = np.mod(cycles, 1.0) * _TABLE
    index = place.astype(np.int64)
    return table[index] + (place - index) * (table[index + 1] - table[index])


def swell(count, attack_s, release_s):
    """Raised-cosine rise and fall."""
    time_s = np.arange(count) / RATE_HZ
    rise = np.clip(time_s / attack_s, 0, 1)
    fall = np.clip((count / RATE_HZ - time_s) / release_s, 0, 1)
    return (0.5 - 0.5 * np.cos(math.pi * rise)) * (0.5 - 0.5 * np.cos(math.pi * fall))


# --- plucked strings -----------------------------------------------------------------------------------------------------


def plucked(pitch, seconds, generator, *, place, brightness_hz, decay_s, stiffness):
    """One plucked string: partials of a string plucked at `place` of its length, dying the faster the higher they are.

    Amplitudes sin(pi k place) / k (an ideal string's displacement, as velocity), frequencies k f sqrt(1 + stiffness k^2)
    (Fletcher and Rossing, The Physics of Musical Instruments).
    """
    base_hz = hertz(pitch)
    k = np.arange(1, int(min(40, 11000 / base_hz)) + 1)
    freqs_hz = k * base_hz * np.sqrt(1.0 + stiffness * k**2)
    gains = np.abs(np.sin(math.pi * k * place)) / k**0.6 / (1.0 + (freqs_hz / brightness_hz) ** 2)
    decays_s = decay_s / (1.0 + (freqs_hz / 1800.0) ** 1.2)
    tone = partials(seconds, freqs_hz, gains, decays_s, generator.uniform(-0.3, 0.3, k.size))
    return fade_end(tone, 0.02)


def pluck_noise(generator, low_hz, high_hz, seconds):
    count = round(seconds * RATE_HZ)
    return band_noise(generator, count, low_hz, high_hz) * np.exp(-np.arange(count) / (0.18 * count))


def bass_string(notes, generator):
    """Upright bass, plucked by finger, its note stopped when the next begins."""
    out = silence()
    for item in notes:
        seconds = item.length_s + 0.1
        tone = plucked(item.pitch, seconds, generator, place=0.23, brightness_hz=900.0, decay_s=1.1, stiffness=4e-5)
        tone[: round(0.006 * RATE_HZ)] *= np.linspace(0, 1, round(0.006 * RATE_HZ))
        finger = 0.5 * pluck_noise(generator, 300, 3500, 0.05)
        add(out, item.start_s, item.strength * fade_end(tone, 0.08))
        add(out, item.start_s - 0.004, item.strength * finger)
    return out


def mandolin(notes, generator, *, detune_cents, loose_s):
    """A mandolin: double courses, the longer notes as a tremolo of some nine strokes a second, no stroke quite on time."""
    out = silence()
    strokes = {}
    for item in notes:
        start_s = item.start_s + generator.normal(0.0, loose_s)
        count = 1 if item.length_s < 0.4 else max(2, round(item.length_s * 9.0))
        for k in range(count):
            key = (item.pitch, k % 2)
            if key not in strokes:
                strokes[key] = _course(item.pitch, generator, detune_cents, up=k % 2)
            gain = item.strength * generator.uniform(0.75, 1.0) * (1.0 if k == 0 else 0.7)
            add(out, start_s + k * item.length_s / count + generator.normal(0.0, 0.002) * (k > 0), gain * strokes[key])
    return out


def _course(pitch, generator, detune_cents, *, up):
    """One stroke over a pair of strings tuned almost alike; an up stroke is thinner."""
    total = np.zeros(round(0.02 * RATE_HZ) + _BLOCK * math.ceil(0.7 * RATE_HZ / _BLOCK))
    for string, cents in enumerate((detune_cents - 1.3, detune_cents + 1.3)):
        tone = plucked(
            pitch + cents / 100,
            0.7,
            generator,
            place=0.11 if up else 0.16,
            brightness_hz=5200.0,
            decay_s=0.34,
            stiffness=2e-5,
        )
        late = round(0.0035 * string * RATE_HZ)
        total[late : late + tone.size] += tone
    plectrum = 0.25 * pluck_noise(generator, 2500, 9000, 0.02)
    total[: plectrum.size] += plectrum
    return total


# --- drums and bell ------------------------------------------------------------------------------------------------------


def kick_body(hits):
    """The drum's skin: a thump that falls from 120 to 68 Hz, with the shell's two overtones."""
    out = silence()
    count = round(0.45 * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    cycles = 68.0 * time_s + 52.0 * 0.018 * (1.0 - np.exp(-time_s / 0.018))
    thump = np.sin(2 * math.pi * cycles) * np.exp(-time_s / 0.11) * (1.0 - np.exp(-time_s / 0.0015))
    shell = partials(0.45, [151.0, 243.0, 395.0], [0.35, 0.2, 0.12], [0.07, 0.05, 0.03], [0.2, 0.9, 1.7])[:count]
    for hit in hits:
        add(out, hit.start_s, hit.strength * fade_end(thump + shell, 0.05))
    return out


def kick_beater(hits, generator):
    """The beater's knock, 2 to 4 kHz, no two alike."""
    out = silence()
    for hit in hits:
        count = round(0.035 * RATE_HZ)
        knock = band_noise(generator, count, 1800, 4300) * np.exp(-np.arange(count) / (0.006 * RATE_HZ))
        add(out, hit.start_s, hit.strength * generator.uniform(0.85, 1.0) * knock)
    return out


def brushes(taps, generator):
    """Brushes on a snare drum: a tap each (skin, wires, broad noise), and between the taps the sweep over the skin."""
    out = silence()
    count = round(0.22 * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    skin = partials(0.22, [187.0, 331.0, 462.0], [0.5, 0.35, 0.15], [0.06, 0.04, 0.03], [0.0, 0.8, 2.0])[:count]
    for tap in taps:
        wires = band_noise(generator, count, 900, 9000) * np.exp(-time_s / 0.05) * (1.0 - np.exp(-time_s / 0.002))
        add(out, tap.start_s, tap.strength * fade_end(0.7 * wires + 0.5 * skin, 0.03))
    return out + _sweeps(taps, generator)


def _sweeps(taps, generator):
    envelope = silence()
    count = round(0.48 * RATE_HZ)
    shape = np.sin(math.pi * np.arange(count) / count) ** 1.5
    for tap in taps:
        add(envelope, tap.start_s + 0.02, tap.strength * shape)
    return 0.3 * envelope * band_noise(generator, FRAMES, 1500, 8000)


def ships_bell(strokes_s, generator):
    """A small bronze bell: hum, prime, minor third, fifth, octave and upper partials (Fletcher and Rossing), beating in pairs."""
    prime_hz = 587.3
    ratios = np.array([0.5, 1.0, 1.183, 1.506, 2.0, 2.514, 2.662, 3.011, 4.166, 5.433, 6.8, 8.2])
    gains = np.array([0.5, 0.8, 0.9, 0.5, 1.0, 0.4, 0.45, 0.5, 0.35, 0.25, 0.15, 0.1])
    freqs_hz = np.concatenate((ratios * prime_hz, ratios * prime_hz * 1.0013))
    decays_s = np.tile(1.9 / ratios**0.8, 2)
    out = silence()
    for start_s in strokes_s:
        phases = generator.uniform(0, 2 * math.pi, freqs_hz.size)
        tone = partials(4.0, freqs_hz, np.tile(gains, 2) * generator.uniform(0.8, 1.0), decays_s, phases)
        count = round(0.01 * RATE_HZ)
        tone[:count] += band_noise(generator, count, 2500, 9000) * np.linspace(1, 0, count)
        add(out, start_s, fade_end(tone, 0.2))
    return out


# --- reeds and voices ----------------------------------------------------------------------------------------------------


def reeds(notes, generator, *, attack_s=0.03):
    """Accordion reeds: two to a note, twelve cents apart, bright, the bellows trembling a little."""
    out = silence()
    for item in notes:
        base_hz = hertz(item.pitch)
        k = np.arange(1, int(9500 / base_hz) + 1)
        table = wave_table(1.0 / k**0.85 / (1.0 + (k * base_hz / 4500.0) ** 2), generator)
        count = round((item.length_s + 0.06) * RATE_HZ)
        time_s = np.arange(count) / RATE_HZ
        bellows = 1.0 + 0.06 * np.sin(2 * math.pi * 4.6 * time_s + generator.uniform(0, 6.28))
        tone = sum(oscillate(table, base_hz * 2.0 ** (cents / 1200) * time_s + generator.random()) for cents in (-2.0, 10.0))
        add(out, item.start_s, item.strength * tone * bellows * swell(count, attack_s, 0.06))
    return out


_CHOIR_VOWELS = {
    "ah": ((730, 90), (1150, 110), (2700, 170), (3500, 250)),
    "oh": ((480, 80), (850, 100), (2550, 170), (3400, 250)),
}


def formant_gain(freq_hz, formants):
    """Product of two-pole resonances (frequency, bandwidth in Hz), each 1 at 0 Hz, along the last axis of freq_hz."""
    gain = np.ones(np.broadcast_shapes(np.shape(freq_hz), *(np.shape(f) for f, _ in formants)))
    for mid_hz, width_hz in formants:
        ratio2 = (freq_hz / mid_hz) ** 2
        gain = gain / np.sqrt((1.0 - ratio2) ** 2 + ratio2 * (width_hz / mid_hz) ** 2)
    return gain


def choir(chords, voicing, generator, *, singers=3):
    """A small choir: four voices of `singers` each, every singer with their own tuning, vibrato and entry."""
    out = silence()
    for index, (start_s, length_s, chord, strength) in enumerate(chords):
        vowel = _CHOIR_VOWELS["ah" if index % 3 else "oh"]
        for pitch in voicing[chord]:
            for _ in range(singers):
                add(out, start_s + generator.uniform(0.0, 0.04), strength * _singer(pitch, length_s, vowel, generator))
    return out


def _singer(pitch, length_s, vowel, generator):
    base_hz = hertz(pitch + generator.normal(0.0, 0.05))
    k = np.arange(1, int(9000 / base_hz) + 1)
    formants = [(mid * (1.12 if pitch > 62 else 1.0), width) for mid, width in vowel]
    table = wave_table(formant_gain(k * base_hz, formants) / k**0.6 + 0.02 / k**0.5, generator)
    count = round((length_s + 0.12) * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    rate_hz, depth = generator.uniform(4.8, 6.0), generator.uniform(0.002, 0.005)
    wobble = depth * base_hz / (2 * math.pi * rate_hz) * np.sin(2 * math.pi * rate_hz * time_s + generator.uniform(0, 6.28))
    tone = oscillate(table, base_hz * time_s + wobble + generator.random())
    return tone / math.sqrt(float(np.mean(table**2))) * swell(count, 0.09, 0.16)
