"""The returned mix beside the narrow-band reference.

Conventions: mixes are (frames, 2), full scale = 1, over the same tracks; levels per band are the power of left plus right, rms
in dBFS; correlation runs from -1 to 1 at zero lag, so a timing error lowers it. Loudness after ITU-R BS.1770 (pyloudnorm).
"""

import warnings

import numpy as np

from bounceproof import spectra
from bounceproof.condition.level import analysis_bands, inside
from bounceproof.quantities import peak_dbfs, power_db, power_from_db

MIXES = ("returned", "returned-clicks", "source", "narrow-band")


def loudness_lufs(samples, rate_hz):
    """Integrated loudness in LUFS (BS.1770, gated), or None where a mix is silent or shorter than one gating block (0.4 s)."""
    import pyloudnorm

    if len(samples) < 0.4 * rate_hz or not np.any(samples):
        return None
    # Of the library's filters this is the one whose 48 kHz coefficients are the recommendation's own (0.04 LU apart from its
    # default).
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        value = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(np.asarray(samples, dtype=float))
    return float(value) if np.isfinite(value) else None


def compare(mixes, rate_hz, band_hz, *, stack):
    """(summary, answer-ready numbers) of the four mixes.

    mixes: dict of MIXES to samples; stack: the values of stack.json. Returns the dict of reference.json without its heading.
    """
    bands = analysis_bands(rate_hz)
    powers = {
        name: spectra.band_powers(list(samples.T), rate_hz, bands).sum(axis=1).mean(axis=0) for name, samples in mixes.items()
    }
    alike = {name: _correlation(mixes[name], mixes["source"], rate_hz, bands) for name in mixes if name != "source"}
    chosen = inside(bands, band_hz)
    loudness = {name: loudness_lufs(samples, rate_hz) for name, samples in mixes.items()}
    rows = [_row(k, band, powers, alike, loudness) for k, band in enumerate(bands)]
    return {
        "mixes": {name: _mix_record(name, mixes[name], loudness, powers, alike, chosen) for name in mixes},
        "programme_over_hiss_db": _over_hiss(powers["returned"][chosen].sum(), stack),
        "band_hz": list(band_hz),
        "bands": rows,
        **_differences(rows, chosen),
    }


def _mix_record(name, samples, loudness, powers, alike, chosen):
    correlation = None
    if name in alike:
        weight = powers["source"][chosen]
        correlation = float(np.sum(alike[name][chosen] * weight) / weight.sum()) if weight.sum() > 0 else None
    return {
        "loudness_lufs": loudness[name],
        "peak_dbfs": peak_dbfs(samples),
        "band_dbfs": power_db(powers[name][chosen].sum()),
        "correlation_with_source": correlation,
    }


def _correlation(samples, source, rate_hz, bands):
    """Normalised correlation at zero lag per band, both channels together; 0 where either is silent."""
    segment = spectra.segment_samples(rate_hz)
    matrix = spectra.band_matrix(bands, segment, rate_hz)
    both = spectra.spectral_matrix([*samples.T, *source.T], rate_hz, segment=segment)
    cross = (both.matrix[:, 0, 2] + both.matrix[:, 1, 3]).real @ matrix
    own = (both.power(0) + both.power(1)) @ matrix, (both.power(2) + both.power(3)) @ matrix
    under = np.sqrt(own[0] * own[1])
    return np.where(under > 0, cross / np.where(under > 0, under, 1.0), 0.0)


def _row(k, band, powers, alike, loudness):
    row = {"nominal_hz": band.nominal_hz}
    for name in MIXES:
        row[f"{name}_dbfs"] = power_db(powers[name][k])
    row["returned_over_narrow_band_db"] = _matched_difference(powers, loudness, k)
    for name in alike:
        row[f"{name}_correlation"] = alike[name][k]
    return row


def _matched_difference(powers, loudness, k):
    """Returned less narrow-band in one band after both are brought to one loudness; None where either has none."""
    ours, theirs = loudness["returned"], loudness["narrow-band"]
    if ours is None or theirs is None or powers["returned"][k] <= 0 or powers["narrow-band"][k] <= 0:
        return None
    return float(power_db(powers["returned"][k] / powers["narrow-band"][k]) - (ours - theirs))


def _over_hiss(power, stack):
    hiss_dbfs = (stack.get("total") or {}).get("flat_dbfs")
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


def answer(comparison, tracks, left_out):
    """One plain sentence or two about the returned mix beside its reference.

    comparison: `compare`'s dict; tracks: how many are in the mixes; left_out: list of {track, reason}.
    """
    if not tracks:
        return "No track has a usable return yet: all four mixes are silent."
    parts = [f"{tracks} track{'s' if tracks > 1 else ''} returned"]
    if comparison["spectrum_rms_db"] is not None:
        parts.append(
            f"within the medium's band the returned mix keeps to the narrow-band reference"
            f" within {comparison['spectrum_rms_db']:.1f} dB rms"
            f" (furthest {comparison['furthest_db']:+.1f} dB at {comparison['furthest_hz']:g} Hz)"
        )
    over = comparison["programme_over_hiss_db"]
    parts.append("no hiss could be measured" if over is None else f"its programme lies {over:.0f} dB over the stacked hiss")
    text = "; ".join(parts) + "."
    ours, clicks = (comparison["mixes"][name]["correlation_with_source"] for name in ("returned", "returned-clicks"))
    if ours is not None and clicks is not None:
        text += f" It correlates {ours:.2f} with the source mix there"
        text += f" (laid through two clicks alone: {clicks:.2f})." if abs(ours - clicks) >= 0.005 else "."
    if left_out:
        text += f" Left out of all four mixes: {', '.join(one['track'] for one in left_out)}."
    return text
