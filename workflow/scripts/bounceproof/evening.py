"""The evening: speed, hiss and highs take by take in the order recorded, and whether they wander as a whole (a sagging battery, a
dirtying head).

Conventions: the order is that of side and counter in takes.tsv, then of the takes' names, then of the run sheet. hiss_dbfs is the
silences' hiss within the band less the capture's gain, where that is told; highs_db are the response's upper octave against the
octave two below it, re the evening's median in each band, so that what a stem leaves unknown does not look like a change.
"""

import re

import numpy as np

from bounceproof.trends import straight_trend

FEWEST_TAKES = 4
COLUMNS = (
    "order",
    "track",
    "take",
    "simulated",
    "side",
    "counter",
    "battery_v",
    "speed_percent",
    "hiss_dbfs",
    "hiss_sigma_db",
    "highs_db",
    "highs_sigma_db",
)
# Below these a trend is not believed whatever the errors say: what a machine does from one minute to the next.
_LEAST_SD = {"speed": 0.02, "hiss": 0.2, "highs": 0.2}


def evening(takes, band_hz):
    """(rows of evening.tsv, summary): of all aligned takes.

    takes: dicts with track, take, number, side, counter, battery_v, capture_gain_db, alignment, condition, bands (rows of
    bands.tsv as read); band_hz: the medium's. summary: takes, and for speed, hiss and highs each change and sigma over the
    evening, None where fewer than four takes tell.
    """
    there = sorted((one for one in takes if one["alignment"]["state"] == "aligned"), key=_place)
    highs = _highs([_responses(one["bands"]) for one in there], band_hz)
    rows = [_row(order, one, *high) for order, (one, high) in enumerate(zip(there, highs, strict=True), start=1)]
    trends = {
        "speed": _trend(rows, "speed_percent", None, "speed"),
        "hiss": _trend(rows, "hiss_dbfs", "hiss_sigma_db", "hiss"),
        "highs": _trend(rows, "highs_db", "highs_sigma_db", "highs"),
    }
    return rows, {"takes": len(rows), "simulated": any(row["simulated"] for row in rows), **trends}


def _place(one):
    sides = [(not one[key], _natural(one[key] or "")) for key in ("side", "counter")]
    return (*sides, _natural(one["take"]), one["number"], one["track"])


def _natural(name):
    return [(0, int(part), "") if part.isdigit() else (1, 0, part.casefold()) for part in re.split(r"(\d+)", str(name)) if part]


def _row(order, one, highs_db, highs_sigma_db):
    hiss = one["condition"].get("hiss") or {}
    level = hiss.get("flat_dbfs")
    return {
        "order": order,
        **{key: one[key] for key in ("track", "take", "side", "counter", "battery_v")},
        "simulated": bool(one["alignment"].get("simulated")),
        "speed_percent": one["alignment"].get("speed_percent"),
        "hiss_dbfs": None if level is None else level - (one["capture_gain_db"] or 0.0),
        "hiss_sigma_db": hiss.get("flat_sigma_db"),
        "highs_db": highs_db,
        "highs_sigma_db": highs_sigma_db,
    }


def _responses(band_rows):
    """{nominal_hz: (response in dB, its sd)} of the bands whose response is known."""
    known = [row for row in band_rows if row["response_db"] not in (None, "")]
    return {float(row["nominal_hz"]): (float(row["response_db"]), float(row["response_sigma_db"])) for row in known}


def _highs(responses, band_hz):
    """[(highs in dB, sd)] a take; (None, None) where either octave is not known in two bands."""
    # Third-octaves at the very edge of the medium differ with every stem's spectrum.
    top_hz = band_hz[1] / 2 ** (1 / 6)
    spans = ((top_hz / 2, top_hz), (max(band_hz[0], top_hz / 8), top_hz / 4))
    bands = sorted({band for one in responses for band in one})
    usual = {band: np.median([one[band][0] for one in responses if band in one]) for band in bands}
    return [_tilt(one, usual, spans) for one in responses]


def _tilt(response, usual, spans):
    levels, variance = [], 0.0
    for low_hz, high_hz in spans:
        inside = [band for band in response if low_hz <= band <= high_hz]
        if len(inside) < 2:
            return None, None
        levels.append(np.mean([response[band][0] - usual[band] for band in inside]))
        variance += np.sum([response[band][1] ** 2 for band in inside]) / len(inside) ** 2
    return float(levels[0] - levels[1]), float(np.sqrt(variance))


def _trend(rows, key, sigma_key, name):
    told = [row for row in rows if row[key] is not None]
    if len(told) < FEWEST_TAKES:
        return {"change": None, "sigma": None}
    places = [row["order"] - 1 for row in told]
    sds = [0.0 if sigma_key is None else row[sigma_key] or 0.0 for row in told]
    change, sigma = straight_trend(places, [row[key] for row in told], sds, len(rows) - 1, least_sd=_LEAST_SD[name])
    return {"change": change, "sigma": sigma}
