"""Where the recorder's band ends: -3 and -10 dB under its middle, from the H1 estimate in twelfths of an octave.

Conventions: frequencies in Hz of the stem; the middle is the mean level over the middle half (in octaves) of the medium's band;
an edge's sd is in octaves. A band is known where stem and return are coherent and its level is known within 1 dB.
"""

import numpy as np

from bounceproof import spectra
from bounceproof.quantities import DB_PER_NEPER, DB_PER_POWER_RATIO, Band, power_db

PER_OCTAVE = 12
_KNOWN_SD_DB = 1.0
_LEAST_COHERENCE = 0.02
# A wire's return is all coherent: its sd would be nought.
_LEAST_SD_DB = 1e-3
# Bands about the crossing that a parabola goes through: so many to either side, and within half an octave.
_NEAR, _WITHIN_OCTAVES = 3, 0.5
# Steps in which the curve and the bands' own scatter about it settle: the scatter at least doubles until it is there.
_STEPS = 12


def twelfths(low_hz, high_hz):
    """Bands a twelfth of an octave wide, from low_hz to high_hz, on 1 kHz."""
    first, last = (round(PER_OCTAVE * np.log2(f / 1000.0)) for f in (low_hz, high_hz))
    half = 2.0 ** (0.5 / PER_OCTAVE)
    mids_hz = [1000.0 * 2.0 ** (k / PER_OCTAVE) for k in range(first, last + 1)]
    return [Band(mid_hz, mid_hz, mid_hz / half, mid_hz * half) for mid_hz in mids_hz]


def fine_response(both, rate_hz):
    """(bands, where in each the stem has its power (log2 Hz), the variance of that within the band, response in dB, its sd in dB)
    from a SpectralMatrix of stem and return; response and sd NaN where not known.

    On a slope a partial at a band's edge shows the response at that edge, not at the band's middle.
    """
    bands = twelfths(50.0, min(16000.0, 0.42 * rate_hz))
    matrix = spectra.band_matrix(bands, 2 * (len(both.freq_hz) - 1), rate_hz)
    coherence = spectra.without_bias(both.coherence(0, 1), both.averages, floor=-1.0)
    coherence = np.where(both.averages >= spectra.LEAST_AVERAGES, coherence, 0.0)
    explained = np.maximum((coherence * both.power(1)) @ matrix, 0.0)
    stem, returned = both.power(0) @ matrix, both.power(1) @ matrix
    share = np.where(returned > 0, explained / np.where(returned > 0, returned, 1.0), 0.0)
    bins = matrix.sum(axis=0)
    averages = np.maximum(1.0, bins / 1.5) * (both.averages @ matrix / np.maximum(bins, 1e-9))
    sd_db = DB_PER_NEPER * spectra.h1_relative_sd(share, averages)
    known = (share > np.maximum(_LEAST_COHERENCE, spectra.zero_coherence_level(averages, confidence=0.999))) & (
        sd_db < _KNOWN_SD_DB
    )
    known &= (stem > 0) & (explained > 0)
    level_db = power_db(np.where(known, explained / np.where(stem > 0, stem, 1.0), 1.0))
    each = np.log2(np.maximum(both.freq_hz, 1.0))
    safe = np.where(stem > 0, stem, 1.0)
    octaves = np.where(stem > 0, (both.power(0) * each) @ matrix / safe, np.log2([band.mid_hz for band in bands]))
    spread = np.maximum((both.power(0) * each**2) @ matrix / safe - octaves**2, 0.0) * (stem > 0)
    return bands, octaves, spread, np.where(known, level_db, np.nan), np.where(known, sd_db, np.nan)


def fine_edges(both, rate_hz, band_hz, *, down_db):
    """Edges as `survival.band_edges` names them, or None where the middle of the band is not known."""
    bands, octaves, spread, level_db, sd_db = fine_response(both, rate_hz)
    low, high = np.log2(max(band_hz[0], 50.0)), np.log2(band_hz[1])
    mids = np.log2([band.mid_hz for band in bands])
    middle = (np.abs(mids - 0.5 * (low + high)) <= 0.25 * (high - low)) & np.isfinite(level_db)
    if middle.sum() < 3:
        return None
    middle_db = float(level_db[middle].mean())
    middle_sd_db = float(np.sqrt(np.sum(sd_db[middle] ** 2)) / middle.sum())
    edges = {"down_db": down_db, "middle_db": middle_db}
    start = int(np.flatnonzero(middle)[middle.sum() // 2])
    for name, step in (("low", -1), ("high", 1)):
        edge = _edge(octaves, spread, level_db - middle_db + down_db, sd_db, start, step)
        edges[f"{name}_hz"] = None if edge is None else float(2.0 ** edge[0])
        edges[f"{name}_sd_octaves"] = None if edge is None else float(np.hypot(edge[1], middle_sd_db / edge[2]))
    return edges


def band_ends(both, rate_hz, band_hz, coarse):
    """(edges at -10 dB, edges at -3 dB): in twelfths of an octave, and where such an edge is not known that of `coarse`
    (third-octaves, -10 dB, as `survival.band_edges` gives them); its `by` says which.
    """
    ten, three = (fine_edges(both, rate_hz, band_hz, down_db=down_db) for down_db in (10.0, 3.0))
    if ten is None:
        return {**coarse, "by": "third-octaves"}, None
    for name in ("low", "high"):
        if ten[f"{name}_hz"] is None and coarse[f"{name}_hz"] is not None:
            ten |= {key: coarse[key] for key in (f"{name}_hz", f"{name}_sd_octaves")}
    return {**ten, "by": "twelfths of an octave"}, three


def _edge(octaves, spread, over_db, sd_db, start, step):
    """(place, sd, both in octaves, steepness in dB per octave) where a parabola through the bands about the first crossing passes
    nought; None if none does.

    A single band under the limit is not believed (a gap between two partials of a stem): the next one known has to be there too.
    """
    order = [k for k in range(start, len(octaves) if step > 0 else -1, step) if np.isfinite(over_db[k])]
    for place in range(1, len(order) - 1):
        if over_db[order[place]] < 0 and over_db[order[place + 1]] < 0:
            near = np.array(order[max(0, place - _NEAR) : place + _NEAR])
            near = near[np.abs(octaves[near] - octaves[order[place]]) <= _WITHIN_OCTAVES]
            found = _crossing(octaves[near] - octaves[order[place]], spread[near], over_db[near], sd_db[near], step)
            return found and (float(octaves[order[place]] + found[0]), *found[1:])
    return None


def _crossing(octaves, spread, over_db, sd_db, step):
    """(place, sd, steepness) of the nought nearest to 0 of a parabola by least squares, of a straight line through fewer than six
    bands; None where there is none, or it rises along `step`.
    """
    if len(octaves) < 4:
        return None
    curve, covariance = _settled(octaves, spread, over_db, np.maximum(sd_db, _LEAST_SD_DB), 2 if len(octaves) >= 6 else 1)
    noughts = np.roots(curve)
    noughts = noughts[np.isreal(noughts)].real
    if not len(noughts):
        return None
    place = float(noughts[np.abs(noughts).argmin()])
    slope = float(np.polyval(np.polyder(curve), place))
    if slope * step >= 0:
        return None
    powers = place ** np.arange(len(curve) - 1, -1.0, -1.0)
    return place, float(np.sqrt(powers @ covariance @ powers) / abs(slope)), abs(slope)


def _settled(octaves, spread, over_db, sd_db, degree):
    """(polynomial, its covariance) through the bands.

    A band's mean power lies over the level in its middle where the response slopes: by half the square of the slope (in nepers of
    power) times the spread. The stem has gaps, so that bands scatter by more than their sd: by so much, each on its own, that
    chi squared is what it should be (R. Paule and J. Mandel, J. Res. NBS 87 (1982) 377).
    """
    lift_db, scatter = 0.0, 0.0
    for _ in range(_STEPS):
        variance = sd_db**2 + scatter
        curve, covariance = np.polyfit(octaves, over_db - lift_db, degree, w=variance**-0.5, cov="unscaled")
        left = (over_db - lift_db - np.polyval(curve, octaves)) ** 2 / variance
        lift_db = 0.5 * np.polyval(np.polyder(curve), octaves) ** 2 * spread / DB_PER_POWER_RATIO
        freedom = len(octaves) - degree - 1
        scatter = max(0.0, scatter + (left.sum() - freedom) / max(np.sum(left / variance), 1e-30))
    return curve, covariance
