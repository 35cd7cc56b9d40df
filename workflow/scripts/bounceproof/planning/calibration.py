"""The calibration transfer: what is played to the recorder so that its return tells what the recorder does to sound.

Order: lead-in, start click, silence, ladder of tone steps upwards, the same downwards, a jump up and down (for an automatic level
control's times), an exponential sweep at two levels, a steady tone for speed and flutter, end click, tail. Conventions: samples
count from the transfer's first; levels are peaks in dBFS, so 0 dB is all that the output can give; a section is a plain dict
{kind, first_sample, samples, ...} with what was played in it.
"""

import math

import numpy as np

from bounceproof.clicks import click_band, make_click
from bounceproof.planning.sweeps import exponential_sweep
from bounceproof.quantities import amplitude_from_db
from bounceproof.transfer_layout import CLICK_AFTER_S, CLICK_BEFORE_S, EDGE_AFTER_S
from bounceproof.transfers import Transfer

NAME = "calibration"
LONGEST_S = 120.0
LADDER_DB = tuple(range(-60, 1, 3))
STEP_S = 0.8
JUMP = ((-48.0, 2.0), (-6.0, 1.5), (-30.0, 4.0))
SWEEPS_DB = (-21.0, -6.0)
SWEEP_S = 10.0
FLUTTER_TONE_HZ = 3150.0
_LEAD_IN_S, _SILENCE_S, _GAP_S, _TAIL_S = 5.0, 4.5, 2.0, 3.0
_CLICK_DB, _TONE_DB, _TONE_S = -14.0, -12.0, 20.0
_FADE_S = 0.005
# Tones that test tapes and standards use (common practice).
_TONES_HZ = (250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0)
_LOWEST_SWEEP_HZ, _HIGHEST_SWEEP_HZ = 20.0, 20000.0


def ladder_tone_hz(band_hz):
    """The ladder's frequency: a usual one, at most 1 kHz, whose third harmonic lies as far inside the band as it does itself."""
    middle_hz = math.sqrt(band_hz[0] * band_hz[1] / 3.0)
    return min(_TONES_HZ, key=lambda tone_hz: abs(math.log(tone_hz / middle_hz)))


def flutter_tone_hz(band_hz):
    """3150 Hz (AES6-2008), or two thirds of the band's upper end where that is lower."""
    return min(FLUTTER_TONE_HZ, 10.0 * round(band_hz[1] / 15.0))


def make_calibration(rate_hz, *, band_hz, number):
    """The calibration Transfer: samples (float64) and facts (clicks, `sections`, tone_hz, flutter_tone_hz), at most 2 minutes.

    band_hz: the medium's nominal band; number: what its clicks spell (one that no track has).
    """
    tone_hz = ladder_tone_hz(band_hz)
    clicks_hz = click_band(band_hz)
    start = round((_LEAD_IN_S + CLICK_BEFORE_S) * rate_hz)
    line = _Line(rate_hz, start + round((CLICK_AFTER_S + 0.1) * rate_hz))
    line.silence("silence", _SILENCE_S)
    line.tones("ladder up", tone_hz, [(level_db, STEP_S) for level_db in LADDER_DB])
    line.tones("ladder down", tone_hz, [(level_db, STEP_S) for level_db in reversed(LADDER_DB)])
    line.silence("gap", _GAP_S)
    line.tones("jump", tone_hz, JUMP)
    for level_db in SWEEPS_DB:
        line.silence("gap", _GAP_S)
        line.sweep(level_db, *sweep_range_hz(band_hz, rate_hz))
    line.silence("gap", _GAP_S)
    line.tones("flutter", flutter_tone_hz(band_hz), [(_TONE_DB, _TONE_S)])
    line.silence("gap", _GAP_S)
    end = line.at + round(CLICK_BEFORE_S * rate_hz)
    samples = np.zeros(end + round((CLICK_AFTER_S + _TAIL_S) * rate_hz))
    for first, piece in line.pieces:
        samples[first : first + piece.size] = piece
    for which, reference in (("start", start), ("end", end)):
        click = make_click(number, which, rate_hz=rate_hz, band_hz=clicks_hz)
        first = reference - click.reference_sample
        samples[first : first + click.samples.size] += float(amplitude_from_db(_CLICK_DB)) * click.samples
    return Transfer(
        samples,
        {
            "track": NAME,
            "sample_rate_hz": rate_hz,
            "number": number,
            "start_click_sample": start,
            "end_click_sample": end,
            "click_band_hz": list(clicks_hz),
            "click_reach_s": EDGE_AFTER_S,
            "tone_hz": tone_hz,
            "flutter_tone_hz": flutter_tone_hz(band_hz),
            "sections": line.sections,
            "duration_s": samples.size / rate_hz,
        },
    )


def sweep_range_hz(band_hz, rate_hz):
    """From two octaves under the band to an octave and a half over it, within what the rate and hearing allow."""
    return max(_LOWEST_SWEEP_HZ, band_hz[0] / 4.0), min(_HIGHEST_SWEEP_HZ, 3.0 * band_hz[1], 0.45 * rate_hz)


class _Line:
    """Sections laid one after the other from a first sample on."""

    def __init__(self, rate_hz, at):
        self.rate_hz, self.at, self.sections, self.pieces = rate_hz, at, [], []

    def _add(self, samples, count, **facts):
        self.sections.append({"first_sample": self.at, "samples": count, **facts})
        if samples is not None:
            self.pieces.append((self.at, samples))
        self.at += count

    def silence(self, kind, seconds):
        self._add(None, round(seconds * self.rate_hz), kind=kind)

    def tones(self, kind, tone_hz, steps):
        """One tone whose level steps; its phase runs on and its level slides over 5 ms, so that no step clicks."""
        counts = [round(seconds * self.rate_hz) for _, seconds in steps]
        level = np.repeat(amplitude_from_db([level_db for level_db, _ in steps]), counts)
        fade = round(_FADE_S * self.rate_hz)
        ramp = np.convolve(np.pad(level, fade), np.hanning(fade + 2)[1:-1] / np.hanning(fade + 2)[1:-1].sum(), mode="same")
        phase = 2.0 * np.pi * tone_hz * np.arange(level.size) / self.rate_hz
        tone = ramp[fade : fade + level.size] * np.sin(phase)
        place = 0
        for (level_db, _), count in zip(steps, counts, strict=True):
            self._add(tone[place : place + count], count, kind=kind, freq_hz=tone_hz, level_db=float(level_db))
            place += count

    def sweep(self, level_db, low_hz, high_hz):
        samples = float(amplitude_from_db(level_db)) * exponential_sweep(low_hz, high_hz, SWEEP_S, self.rate_hz)
        self._add(samples, samples.size, kind="sweep", level_db=level_db, low_hz=low_hz, high_hz=high_hz)
