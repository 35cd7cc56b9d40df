"""Where the recorder's band ends: -3 and -10 dB under its middle, from the H1 estimate in twelfths of an octave.

Conventions: frequencies in Hz of the stem; the middle is the mean level over the middle half (in octaves) of the medium's band;
an edge's sd is in octaves. A band is known where stem and return are coherent and its level is known within 1 dB.
"""

import numpy as np

from bounceproof import spectra
from bounceproof.quantities import DB_PER_NEPER, Band, power_db

PER_OCTAVE = 12
_KNOWN_SD_DB = 1.0
_LEAST_COHERENCE = 0.02
# By how much (dB x octaves per octave) a bending response and a smeared one leave a straight line (tests/bench/intervals.py).
_BEND_OCTAVES = 0.15


def twelfths(low_hz, high_hz):
    """Bands a twelfth of an octave wide, from low_hz to high_hz, on 1 kHz."""
    first, last = (round(PER_OCTAVE * np.log2(f / 1000.0)) for f in (low_hz, high_hz))
    half = 2.0 ** (0.5 / PER_OCTAVE)
    mids_hz = [1000.0 * 2.0 ** (k / PER_OCTAVE) for k in range(first, last + 1)]
    return [Band(mid_hz, mid_hz, mid_hz / half, mid_hz * half) for mid_hz in mids_hz]


def fine_response(both, rate_hz):
    """(bands, response in dB, its sd in dB) from a SpectralMatrix of stem and return; NaN where the response is not known."""
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
    return bands, np.where(known, level_db, np.nan), np.where(known, sd_db, np.nan)


def fine_edges(both, rate_hz, band_hz, *, down_db):
    """Edges as `survival.band_edges` names them, or None where the middle of the band is not known."""
    bands, level_db, sd_db = fine_response(both, rate_hz)
    octaves = np.log2([band.mid_hz for band in bands])
    low, high = np.log2(max(band_hz[0], 50.0)), np.log2(band_hz[1])
    middle = (np.abs(octaves - 0.5 * (low + high)) <= 0.25 * (high - low)) & np.isfinite(level_db)
    if middle.sum() < 3:
        return None
    middle_db = float(level_db[middle].mean())
    edges = {"down_db": down_db, "middle_db": middle_db}
    start = int(np.flatnonzero(middle)[middle.sum() // 2])
    for name, step in (("low", -1), ("high", 1)):
        edge = _edge(octaves, level_db - middle_db + down_db, sd_db, start, step)
        edges[f"{name}_hz"] = None if edge is None else float(2.0 ** edge[0])
        edges[f"{name}_sd_octaves"] = None if edge is None else float(edge[1])
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


def _edge(octaves, over_db, sd_db, start, step):
    """(place, sd) in octaves where a straight line through the five bands about the first crossing passes nought; None if none
    does.

    A single band under the limit is not believed (a gap between two partials of a stem): the next one known has to be there too.
    """
    order = [k for k in range(start, len(octaves) if step > 0 else -1, step) if np.isfinite(over_db[k])]
    for place in range(1, len(order) - 1):
        if over_db[order[place]] < 0 and over_db[order[place + 1]] < 0:
            near = np.array(order[max(0, place - 3) : place + 3])
            weight = 1.0 / np.maximum(sd_db[near], 0.05)
            slope, level = np.polyfit(octaves[near] - octaves[order[place]], over_db[near], 1, w=weight)
            if slope * step >= 0:
                return None
            left = over_db[near] - level - slope * (octaves[near] - octaves[order[place]])
            # The response bends and the stem has gaps: what the line leaves over counts like an error of each band.
            sd = np.hypot(np.sqrt(1.0 / np.sum(weight**2)), left.std() / np.sqrt(len(near) - 2)) / abs(slope)
            return octaves[order[place]] - level / slope, np.hypot(sd, _BEND_OCTAVES / abs(slope))
    return None
