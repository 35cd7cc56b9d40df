"""Hiss and hum of a return, from a stretch of its capture that holds neither click nor music.

Conventions: levels are rms in dBFS (full-scale sine -3.01), at the capture's own level; hum lines are told apart and kept out of
every hiss figure, because hum does not stack like hiss. Frequencies of the hiss are counted in the stem's time (capture rate
over speed ratio), those of hum lines in the capture's own, where the mains is.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition.lines import find_lines
from bounceproof.condition.quasipeak import quasi_peak_dbfs
from bounceproof.quantities import a_weighting_db, bs468_weighting_db, power_db, power_from_db

LOOK_BACK_S = 2.0
SHORTEST_S = 0.4
SEGMENT_S = 0.5
# The sum over a band of one Hann segment's bins scatters like 18/35 independent values per bin: (sum w^2)^2 / (n sum w^4).
_OF_ONE_SEGMENT = 18.0 / 35.0


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
        choices.append(Quiet("gap after the stem", max(0.0, end_click_s - gap_s + 1.0), end_click_s - reach))
        tail_s = transfer["tail_s"] * stretch
        choices.append(Quiet("tail", end_click_s + reach + 0.2, min(capture_s, end_click_s + tail_s)))
    for choice in choices:
        if choice.end_s - choice.start_s >= SHORTEST_S:
            return choice
    return None


def quiet_pieces(start_click_s, end_click_s, capture_s, speed_ratio, transfer, *, click_reach_s=0.4, settled_s=0.3):
    """[(start_s, end_s)] of every stretch that holds neither click nor music, at least 0.5 s long; for lines, which do not mind a
    level control that recovers. The first 0.3 s of a capture are left out: switches are heard there.
    """
    reach, stretch = click_reach_s / speed_ratio, 1.0 / speed_ratio
    spans = []
    if start_click_s is not None:
        spans.append((settled_s, start_click_s - reach))
        spans.append((start_click_s + reach, start_click_s + (transfer["gap_s"] - 0.05) * stretch))
    if end_click_s is not None:
        spans.append((end_click_s - (transfer["gap_s"] - 0.5) * stretch, end_click_s - reach))
        spans.append((end_click_s + reach, min(capture_s, end_click_s + transfer["tail_s"] * stretch)))
    return [span for span in spans if span[1] - span[0] >= 0.5 and span[0] >= 0]


class Hiss(NamedTuple):
    """band_powers: mean square per band; levels and their sd in dB; lines: those of hum and whine; seconds: how
    much time of noise the band powers are worth; quasi_peak_dbfs: BS.468-4 by its own detector, lines and all, None under 1 s.
    """

    band_powers: np.ndarray
    flat_dbfs: float
    flat_sigma_db: float
    a_weighted_dbfs: float
    a_weighted_sigma_db: float
    bs468_rms_dbfs: float
    bs468_rms_sigma_db: float
    lines: list
    seconds: float
    quasi_peak_dbfs: float | None = None


def measure_hiss(quiet, capture_rate_hz, speed_ratio, bands, band_hz, *, lines=None):
    """Hiss of a quiet stretch (one-dimensional samples of the capture).

    Weightings: IEC 61672-1 A; ITU-R BS.468-4, read as rms and (over 1 s or more) by its quasi-peak detector. `flat` covers
    band_hz. Each sd is 4.34 / sqrt(B T) dB, B the effective bandwidth of what is summed. lines: hum and whine as
    `lines.find_lines` gives them, looked for in the stretch itself where not given.
    """
    lines = find_lines([quiet], capture_rate_hz, speed_ratio) if lines is None else lines
    quiet = np.asarray(quiet, dtype=float)
    quiet = quiet - quiet.mean()
    rate_hz = capture_rate_hz / speed_ratio
    freq_hz, power, segments = _periodogram(quiet, rate_hz)
    power = _without_lines(freq_hz, power, [line["frequency_hz"] / speed_ratio for line in lines])
    flat = ((freq_hz >= band_hz[0]) & (freq_hz <= band_hz[1])).astype(float)
    heard = (freq_hz >= 20.0) & (freq_hz <= 20000.0)
    safe_hz = np.maximum(freq_hz, 1.0)
    levels = []
    for weight in (flat, heard * power_from_db(a_weighting_db(safe_hz)), heard * power_from_db(bs468_weighting_db(safe_hz))):
        levels += _summed(power * weight, segments)
    effective_s = _independent(segments) / freq_hz[1]
    return Hiss(_per_band(freq_hz, power, bands), *levels, lines, effective_s, quasi_peak_dbfs(quiet, round(rate_hz)))


def _periodogram(samples, rate_hz):
    """(freq_hz, power per bin, segments): mean of half-overlapping Hann-windowed segments; the powers add up to the mean
    square.
    """
    segment = min(len(samples), round(SEGMENT_S * rate_hz)) // 2 * 2
    whole = (len(samples) - segment) // (segment // 2) * (segment // 2) + segment
    power = [np.sum(spectra.squared(block[:, :, 0]), axis=0) for block in spectra.transforms([samples[:whole]], segment)]
    segments = spectra.segment_count(whole, segment)
    return np.fft.rfftfreq(segment, 1.0 / rate_hz), np.sum(power, axis=0) / segments, segments


def _without_lines(freq_hz, power, lines_hz):
    """The powers with lines brought down to their surroundings."""
    clean = power.copy()
    for line_hz in lines_hz:
        peak = round(line_hz / freq_hz[1])
        own = slice(max(1, peak - 2), peak + 3)
        wide = np.r_[max(1, peak - 12) : max(1, peak - 2), peak + 3 : min(len(power), peak + 13)]
        if len(wide):
            clean[own] = np.minimum(clean[own], np.median(power[wide]))
    return clean


def _independent(segments):
    """Independent values per bin behind a mean over so many half-overlapping segments."""
    return 0.5 * segments / spectra.OVERLAP_LOSS if segments > 1 else _OF_ONE_SEGMENT


def _summed(power, segments):
    """[level in dBFS, its sd in dB] of a sum over bins; it holds (sum p)^2 / sum p^2 equal bins."""
    total = power.sum()
    if total <= 0:
        return [-np.inf, 0.0]
    # The scatter of the estimate itself swells sum p^2 by 1 + 1/segments.
    bins = total**2 / (np.sum(power**2) / (1.0 + 1.0 / segments))
    return [float(power_db(total)), float(spectra.level_sd_db(bins, _independent(segments)))]


def _per_band(freq_hz, power, bands):
    step = freq_hz[1]
    low, high = np.array([band.low_hz for band in bands]), np.array([band.high_hz for band in bands])
    edges = np.concatenate(([0.0], np.cumsum(power)))
    at = np.arange(len(edges)) * step - step / 2
    return np.interp(high, at, edges) - np.interp(low, at, edges)
