"""What stands in chosen/TRACK for the average of a track's takes.

Conventions: levels of the average are those of the take that stands for it (its `level_db` applies); what an average does not
change (speed, response, hum) is that take's.
"""

import numpy as np

from bounceproof.condition.known_hiss import hiss_powers
from bounceproof.condition.level import inside
from bounceproof.quantities import power_db, power_from_db
from bounceproof.timemap import TimeMap

_LEVELS = ("flat_dbfs", "a_weighted_dbfs", "bs468_rms_dbfs", "bs468_quasi_peak_dbfs")


def powers(rows, bands, level_db):
    """(hiss, signal) of a take per band (mean squares, level_db applied) from its rows of bands.tsv."""
    hiss = hiss_powers(rows, bands, level_db)
    returned = {float(row["nominal_hz"]): row["return_dbfs"] for row in rows}
    levels = [float(returned.get(band.nominal_hz) or -400.0) + level_db for band in bands]
    return hiss, np.maximum(power_from_db(np.array(levels)) - hiss, 0.0)


def alignment_of(averaged, standing, measured):
    """alignment.json of the average; standing: that of the take that stands for it, measured: those of all."""
    weight = averaged.weight.mean(axis=1)
    names = [one["take"] for one in averaged.record["takes"]]
    changed = {"take": "average", "averaged": names, "simulated": any(one.get("simulated") for one in measured)}
    for key in ("residual_rms_us", "offset_sigma_us"):
        values = [one.get(key) for one in measured]
        if None not in values:
            changed[key] = float(np.sqrt(np.sum((weight * np.array(values)) ** 2) / weight.sum() ** 2))
    return {**standing, **changed}


def map_of(averaged, standing):
    """The time map of the take that stands for the average, with the average's own sigma."""
    sigma_us = np.interp(standing.stem_s, averaged.time_s, np.where(np.isfinite(averaged.sigma_us), averaged.sigma_us, 1e9))
    return TimeMap(standing.stem_s, standing.return_s, np.where(sigma_us < 1e8, sigma_us / standing.mean_speed_ratio, np.inf))


def condition_of(averaged, standing, hiss, bands, band_hz):
    """condition.json of the average: its hiss and what hangs on it; hiss: of the standing take per band, at the average's
    level.
    """
    chosen = inside(bands, band_hz)
    if not hiss[chosen].sum() > 0:
        return standing
    gain_db = float(power_db(hiss[chosen].sum() / averaged.hiss[chosen].sum()))
    lower = {}
    for name in ("hiss", "hiss_under_music"):
        values = standing.get(name)
        lower[name] = values and {**values, **{k: values[k] - gain_db for k in _LEVELS if values.get(k) is not None}}
    over_db = standing["signal_over_hiss_db"]
    kept = [one for one in standing.get("dropouts") or [] if _still_there(averaged, one["time_s"])]
    return {
        **standing,
        **lower,
        "take": "average",
        "signal_over_hiss_db": None if over_db is None else over_db + gain_db,
        "dropouts": standing.get("dropouts") and kept,
        "clipped": None,
        "notes": [*standing["notes"], f"An average: its hiss lies {gain_db:.1f} dB under that of the take it stands on."],
    }


def _still_there(averaged, time_s):
    """Whether the standing take (the first) is most of the average at that time."""
    return np.interp(time_s, averaged.time_s, averaged.weight[0]) > 0.5


def rows_of(averaged, rows, hiss, bands):
    """bands.tsv of the average from the rows of the standing take."""
    places = {band.nominal_hz: k for k, band in enumerate(bands)}
    return [_row(row, averaged, hiss, places.get(float(row["nominal_hz"]))) for row in rows]


def _row(row, averaged, hiss, k):
    row = {key: None if value == "" else value for key, value in row.items()}
    if k is None or not (hiss[k] > 0 and averaged.hiss[k] > 0):
        return row
    gain_db = float(power_db(hiss[k] / averaged.hiss[k]))
    for key, by_db in (("hiss_dbfs", -gain_db), ("hiss_under_music_dbfs", -gain_db), ("signal_over_hiss_db", gain_db)):
        if row.get(key) is not None:
            row[key] = float(row[key]) + by_db
    return row
