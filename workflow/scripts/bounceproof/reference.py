"""The returned mix beside the narrow-band reference.

Conventions: mixes are (frames, 2), arrays or AudioBlocks, full scale = 1, over the same tracks at the same gains; levels per band
are the power of left plus right, rms in dBFS; correlation runs from -1 to 1 at zero lag, so a timing error lowers it; response is
a mix over the source mix in dB.
"""

from functools import partial
from typing import NamedTuple

import numpy as np

from bounceproof import at_once, spectra
from bounceproof.condition.level import analysis_bands, inside
from bounceproof.loudness import loudness, peaks
from bounceproof.quantities import power_db, power_from_db

MIXES = ("returned", "returned-clicks", "source", "narrow-band")
# Loudness-matched copies keep this far under full scale between the samples (EBU R 128).
HIGHEST_DBTP = -1.0
_EDGE_DB = 10.0


class Measures(NamedTuple):
    """What is measured of one mix, plain values: loudness and loudness range (None for silence), highest sample and true peak;
    powers per band; cross: real and imaginary part per band of its cross power with the source, None for that itself.
    """

    loudness_lufs: float | None
    loudness_range_lu: float | None
    peak_dbfs: float
    true_peak_dbtp: float
    powers: list
    cross: list | None


def recalled(values):
    """The Measures of values that went through a JSON file, which has no number for the peaks of silence."""
    one = Measures(*values)
    peaks_db = {key: -np.inf for key in ("peak_dbfs", "true_peak_dbtp") if getattr(one, key) is None}
    return one._replace(**peaks_db)


def measured(mixes, rate_hz, known=None):
    """{name: Measures} of the mixes, a dict of MIXES to samples; known: those of mixes that were measured before."""
    known = known or {}
    new = [name for name in mixes if name not in known]
    # What a mix comes to does not depend on which others are measured beside it.
    names = [name for name in mixes if name in new or name == "source"]
    bands, segment, source = analysis_bands(rate_hz), spectra.segment_samples(rate_hz), names.index("source")
    share = spectra.band_matrix(bands, segment, rate_hz)

    def matrix(side):
        return spectra.spectral_matrix([_side(mixes[name], side) for name in names], rate_hz, segment=segment, against=source)

    # The library of loudness takes as long to load as a song to measure, and would hold the other threads up all that while.
    works = [partial(one, mixes[name], rate_hz) for name in new for one in (loudness, peaks)]
    *heard, left, right = at_once.apart(lambda work: work(), [*works, partial(matrix, 0), partial(matrix, 1)])
    found = dict(known)
    for name, loud, peak in zip(new, heard[::2], heard[1::2], strict=True):
        k = names.index(name)
        cross = (left.matrix[:, source, k] + right.matrix[:, source, k]) @ share
        cross = None if name == "source" else [cross.real.tolist(), cross.imag.tolist()]
        found[name] = Measures(*loud, *peak, ((left.power(k) + right.power(k)) @ share).tolist(), cross)
    return {name: found[name] for name in mixes}


def compare(found, rate_hz, band_hz, *, hiss_dbfs, reference_hiss_dbfs=None):
    """The dict of reference.json without its heading.

    found: {name: Measures} of all MIXES; hiss_dbfs: level (rms) within the band of the hiss in the returned mix, None where none
    was found; reference_hiss_dbfs: of that laid into the narrow-band reference, None for none.
    """
    bands = analysis_bands(rate_hz)
    alike = _Alike(found, bands)
    chosen = inside(bands, band_hz)
    records = {name: _mix_record(name, one, alike, chosen) for name, one in found.items()}
    loud = {name: record["loudness_lufs"] for name, record in records.items()}
    rows = [_row(k, band, alike, loud) for k, band in enumerate(bands)]
    return {
        "mixes": {
            name: {**record, "match_db": match} for (name, record), match in zip(records.items(), matched(records), strict=True)
        },
        "programme_over_hiss_db": _over_hiss(alike.powers["returned"][chosen].sum(), hiss_dbfs),
        "reference_over_hiss_db": _over_hiss(alike.powers["narrow-band"][chosen].sum(), reference_hiss_dbfs),
        "band_hz": list(band_hz),
        "bands": rows,
        **_differences(rows, chosen),
    }


class _Alike:
    """Per band: power of each mix, its correlation with the source and its response re the source."""

    def __init__(self, found, bands):
        self.mids = np.array([band.mid_hz for band in bands])
        self.powers = {name: np.array(one.powers) for name, one in found.items()}
        crosses = {name: np.array(one.cross[0]) + 1j * np.array(one.cross[1]) for name, one in found.items() if one.cross}
        own = self.powers["source"]
        under = {name: np.sqrt(own * self.powers[name]) for name in crosses}
        self.correlation = {name: _ratio(cross.real, under[name]) for name, cross in crosses.items()}
        self.response_db = {name: power_db(np.maximum(_ratio(np.abs(cross), own), 1e-9) ** 2) for name, cross in crosses.items()}


def _side(samples, side):
    return samples[:, side] if isinstance(samples, np.ndarray) else samples.channel(side + 1)


def _ratio(over, under):
    return np.where(under > 0, over / np.where(under > 0, under, 1.0), 0.0)


def matched(records):
    """The gain in dB that brings each mix to one loudness, the loudest at which no true peak comes over -1 dBTP; None for
    silence.
    """
    heard = [one for one in records.values() if one["loudness_lufs"] is not None]
    target = min((HIGHEST_DBTP - one["true_peak_dbtp"] + one["loudness_lufs"] for one in heard), default=0.0)
    return [None if one["loudness_lufs"] is None else target - one["loudness_lufs"] for one in records.values()]


def _mix_record(name, one, alike, chosen):
    correlation, edges = None, (None, None)
    if name in alike.correlation:
        weight = alike.powers["source"][chosen]
        correlation = float(np.sum(alike.correlation[name][chosen] * weight) / weight.sum()) if weight.sum() > 0 else None
        edges = _edges(alike.mids, alike.response_db[name], chosen) if weight.sum() > 0 else edges
    return {
        **{key: getattr(one, key) for key in ("loudness_lufs", "loudness_range_lu", "peak_dbfs", "true_peak_dbtp")},
        "band_dbfs": power_db(alike.powers[name][chosen].sum()),
        "correlation_with_source": correlation,
        "band_low_hz": edges[0],
        "band_high_hz": edges[1],
    }


def _edges(mids, response_db, chosen):
    """Where what is in step with the source has fallen by 10 dB under its median within the medium's band: (low, high) in Hz,
    straight lines over the logarithm of frequency; the outermost band's middle where it never falls.
    """
    over = response_db - (np.median(response_db[chosen]) - _EDGE_DB)
    start = int(np.flatnonzero(chosen)[np.argmax(response_db[chosen])])
    found = []
    for order in (range(start, -1, -1), range(start, len(mids))):
        edge, last = mids[order[-1]], start
        for k in order:
            if over[k] < 0:
                part = over[last] / (over[last] - over[k])
                edge = mids[last] * (mids[k] / mids[last]) ** part
                break
            last = k
        found.append(float(edge))
    return tuple(found)


def _row(k, band, alike, loud):
    row = {"nominal_hz": band.nominal_hz}
    for name in MIXES:
        row[f"{name}_dbfs"] = power_db(alike.powers[name][k])
    row["returned_over_narrow_band_db"] = _matched_difference(alike.powers, loud, k)
    for name in alike.correlation:
        row[f"{name}_correlation"] = alike.correlation[name][k]
    return row


def _matched_difference(powers, loud, k):
    """Returned less narrow-band in one band after both are brought to one loudness; None where either has none."""
    ours, theirs = loud["returned"], loud["narrow-band"]
    if ours is None or theirs is None or powers["returned"][k] <= 0 or powers["narrow-band"][k] <= 0:
        return None
    return float(power_db(powers["returned"][k] / powers["narrow-band"][k]) - (ours - theirs))


def _over_hiss(power, hiss_dbfs):
    if hiss_dbfs is None:
        return None
    signal = power - power_from_db(hiss_dbfs)
    return float(power_db(signal) - hiss_dbfs) if signal > 0 else None


def _differences(rows, chosen):
    """How far the returned mix's spectrum lies from the narrow-band reference within the band, and where most."""
    inner = [row for row, take in zip(rows, chosen, strict=True) if take and row["returned_over_narrow_band_db"] is not None]
    if not inner:
        return {"spectrum_rms_db": None, "furthest_hz": None, "furthest_db": None}
    differences = np.array([row["returned_over_narrow_band_db"] for row in inner])
    furthest = int(np.abs(differences).argmax())
    return {
        "spectrum_rms_db": float(np.sqrt(np.mean(differences**2))),
        "furthest_hz": inner[furthest]["nominal_hz"],
        "furthest_db": float(differences[furthest]),
    }
