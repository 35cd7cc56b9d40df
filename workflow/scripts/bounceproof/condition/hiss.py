"""Hiss and hum of a return, from a stretch of its capture that holds neither click nor music.

Conventions: levels are rms in dBFS (full-scale sine -3.01), at the capture's own level; hum lines are told apart and kept out of
every hiss figure, because hum does not stack like hiss. Frequencies of the hiss are counted in the stem's time (capture rate over speed
ratio), those of hum lines in the capture's own, where the mains is.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.quantities import a_weighting_db, bs468_weighting_db, power_db, power_from_db

LOOK_BACK_S = 2.0
SHORTEST_S = 0.4
# A line this far over its surroundings' median is hiss by chance once in some 10^6 bins (13 dB over the median is 13.8 means).
LINE_OVER_MEDIAN_DB = 13.0


class Quiet(NamedTuple):
    """A stretch of a capture: where it lies ("lead-in", "gap before the stem", "tail"), and from when to when in seconds."""

    source: str
    start_s: float
    end_s: float


def quiet_stretch(start_click_s, end_click_s, capture_s, speed_ratio, transfer, *, click_reach_s=0.4):
    """The Quiet stretch to measure hiss in, or None.

    start_click_s, end_click_s: instants in the capture, None where not found; transfer: the transfer's `gap_s` and `tail_s`;
    click_reach_s: how far a click may reach to either side of its instant in the transfer's time. The last 2 s before
    the start click come first; what lies after music must keep 1 s away from it (a level control still recovers there).
    """
    reach, stretch = click_reach_s / speed_ratio, 1.0 / speed_ratio
    choices = []
    if start_click_s is not None:
        stop = start_click_s - reach
        choices.append(Quiet("lead-in", max(0.0, stop - LOOK_BACK_S), stop))
        choices.append(Quiet("gap before the stem", start_click_s + reach + 0.5, start_click_s + transfer["gap_s"] * stretch))
    if end_click_s is not None:
        gap_s = transfer["gap_s"] * stretch
        choices.append(Quiet("gap after the stem", end_click_s - gap_s + 1.0, end_click_s - reach))
        tail_s = transfer["tail_s"] * stretch
        choices.append(Quiet("tail", end_click_s + reach + 0.2, min(capture_s, end_click_s + tail_s)))
    for choice in choices:
        if choice.end_s - choice.start_s >= SHORTEST_S:
            return choice
    return None


class Hiss(NamedTuple):
    """band_powers: mean square per band; levels and their sd in dB; lines: list of dicts of hum."""

    band_powers: np.ndarray
    flat_dbfs: float
    flat_sigma_db: float
    a_weighted_dbfs: float
    a_weighted_sigma_db: float
    bs468_rms_dbfs: float
    bs468_rms_sigma_db: float
    lines: list
    seconds: float


def measure_hiss(quiet, capture_rate_hz, speed_ratio, bands, band_hz):
    """Hiss of a quiet stretch (one-dimensional samples of the capture).

    Weightings: IEC 61672-1 A; ITU-R BS.468-4, read as rms and not by its quasi-peak detector. `flat` covers band_hz. Each sd is
    4.34 / sqrt(B T) dB, B the effective bandwidth of what is summed.
    """
    quiet = np.asarray(quiet, dtype=float)
    quiet = quiet - quiet.mean()
    rate_hz = capture_rate_hz / speed_ratio
    seconds = len(quiet) / rate_hz
    freq_hz, power = _periodogram(quiet, rate_hz)
    lines, power = _hum_lines(freq_hz, power, speed_ratio)
    flat = ((freq_hz >= band_hz[0]) & (freq_hz <= band_hz[1])).astype(float)
    heard = (freq_hz >= 20.0) & (freq_hz <= 20000.0)
    safe_hz = np.maximum(freq_hz, 1.0)
    levels = []
    for weight in (flat, heard * power_from_db(a_weighting_db(safe_hz)), heard * power_from_db(bs468_weighting_db(safe_hz))):
        levels += _summed(power * weight, freq_hz[1], seconds)
    return Hiss(_per_band(freq_hz, power, bands), *levels, lines, seconds)


def _periodogram(samples, rate_hz):
    """One Hann-windowed transform of the whole stretch: (freq_hz, power per bin); the powers add up to the mean square."""
    window = np.hanning(len(samples) + 1)[:-1]
    power = 2.0 * np.abs(np.fft.rfft(samples * window)) ** 2 / (len(samples) * np.sum(window**2))
    return np.fft.rfftfreq(len(samples), 1.0 / rate_hz), power


def _summed(power, step_hz, seconds):
    """[level in dBFS, its sd in dB] of a sum over bins; the effective bandwidth is (sum p)^2 / sum p^2 bins."""
    total = power.sum()
    if total <= 0:
        return [-np.inf, 0.0]
    # Neighbouring bins of one Hann transform hold 18/35 independent values each (sum w^2)^2 / (n sum w^4); a bin's exponential
    # scatter doubles sum p^2 of the expected spectrum.
    bins = total**2 / (np.sum(power**2) / 2.0) * (18.0 / 35.0)
    return [float(power_db(total)), float(spectra.level_sd_db(bins * step_hz, 1.0 / step_hz))]


def _per_band(freq_hz, power, bands):
    step = freq_hz[1]
    low, high = np.array([band.low_hz for band in bands]), np.array([band.high_hz for band in bands])
    edges = np.concatenate(([0.0], np.cumsum(power)))
    at = np.arange(len(edges)) * step - step / 2
    return np.interp(high, at, edges) - np.interp(low, at, edges)


def _hum_lines(freq_hz, power, speed_ratio):
    """Lines of the 50 and 60 Hz families in the capture, and the powers with those lines brought down to their surroundings."""
    step = freq_hz[1]
    lines, clean = [], power.copy()
    if step > 5.0 or not power.any():
        return lines, clean
    for family_hz in (50.0, 60.0):
        for order in range(1, 13):
            line = _line_at(freq_hz, power, family_hz * order / speed_ratio)
            if line is not None:
                peak, surroundings = line
                own = slice(max(0, peak - 2), peak + 3)
                level = float(power_db(np.sum(power[own])))
                lines.append(
                    {"frequency_hz": freq_hz[peak] * speed_ratio, "family_hz": family_hz, "order": order, "level_dbfs": level}
                )
                clean[own] = surroundings
    return _each_once(lines), clean


def _line_at(freq_hz, power, expected_hz):
    """(peak bin, mean power around) if a line stands at expected_hz within 1 % or two bins, else None."""
    step = freq_hz[1]
    reach = max(2, round(0.01 * expected_hz / step))
    middle = round(expected_hz / step)
    if middle - reach < 3 or middle + reach >= len(power):
        return None
    peak = middle - reach + int(np.argmax(power[middle - reach : middle + reach + 1]))
    wide = np.r_[max(1, peak - 25) : max(1, peak - 3), peak + 4 : min(len(power), peak + 26)]
    median = np.median(power[wide])
    stands = power[peak] > median * power_from_db(LINE_OVER_MEDIAN_DB) and power[peak] >= power[peak - 1 : peak + 2].max()
    # The median of an exponential spectrum is ln 2 of its mean.
    return (peak, median / np.log(2.0)) if stands else None


def _each_once(lines):
    """300 Hz belongs to both families: keep the one whose other lines are stronger."""
    strength = {
        family: sum(10 ** (line["level_dbfs"] / 10) for line in lines if line["family_hz"] == family) for family in (50.0, 60.0)
    }
    best = {}
    for line in lines:
        place = round(line["frequency_hz"])
        if place not in best or strength[line["family_hz"]] > strength[best[place]["family_hz"]]:
            best[place] = line
    return [best[place] for place in sorted(best)]
