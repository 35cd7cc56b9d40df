"""A session's forecast beside what came: a page of its own, and a part of the report.

Conventions: a range is the 10 to 90 % points over the drawn recorders, its middle the median; a row a track.
"""

import math

from bounceproof.files import number_in
from bounceproof.report import templates
from bounceproof.verdicts import expected_word, odds

COLUMNS = (
    "track",
    "expected",
    "odds_percent",
    "over_hiss_10_db",
    "over_hiss_50_db",
    "over_hiss_90_db",
    "clicks_only_10_us",
    "clicks_only_50_us",
    "clicks_only_90_us",
    "followed_10_us",
    "followed_50_us",
    "followed_90_us",
    "bands",
    "came_verdict",
    "came_over_hiss_db",
    "came_clicks_only_us",
    "came_residual_us",
)


def forecast_part(found, came, stack, thresholds):
    """What `forecast_table.html.j2` shows, on a page of its own and in the report: found, rows (of the table), came (whether
    anything did), held (how many of what came lie within the ranges), programme_over_hiss_db that came.

    found: of `planning.forecast.forecast`; came: rows of tracks.tsv, empty before any capture; stack: noise/stack.json or {}.
    """
    by_track = {row["track"]: row for row in came}
    rows = [_row(one, by_track.get(one["track"]), thresholds) for one in found["tracks"]]
    return {
        "found": found,
        "rows": rows,
        "came": bool(came),
        "held": [one for one in _held(found, rows) if one["of"]],
        "programme_over_hiss_db": stack.get("programme_over_hiss_db"),
    }


def _held(found, rows):
    """Of each kind of figure that came, how many lie within their range."""
    kinds = (
        ("over the hiss", "came_over_hiss_db", "over_hiss_db"),
        ("by two clicks", "came_clicks_only_us", "two_click_rms_us"),
        ("followed", "came_residual_us", "followed_rms_us"),
    )
    for what, key, told_by in kinds:
        both = [(row.get(key), told[told_by]) for row, told in zip(rows, found["tracks"], strict=True)]
        known = [(value, told) for value, told in both if told and value is not None and math.isfinite(value)]
        yield {"what": what, "of": len(known), "inside": sum(told[0] <= value <= told[-1] for value, told in known)}


def _row(one, came, thresholds):
    word, share = expected_word(one["role_bands"], thresholds=thresholds)
    row = {"track": one["track"], "expected": word, "odds_percent": None if share is None else 100.0 * share}
    for name, key, unit in _RANGES:
        row |= {f"{name}_{point}_{unit}": value for point, value in zip((10, 50, 90), one[key] or (None,) * 3, strict=True)}
    bands = []
    for band in one["role_bands"]:
        shares = odds(band["over_hiss_db"], thresholds=thresholds)
        likeliest = max(shares, key=shares.get)
        bands.append(f"{band['name']} {likeliest} ({100 * shares[likeliest]:.0f} %)")
    row["bands"] = ", ".join(bands)
    if came:
        row["came_verdict"] = came["verdict"]
        for ours, theirs in _CAME.items():
            row[ours] = number_in(came[theirs])
    return row


_RANGES = (("over_hiss", "over_hiss_db", "db"), ("clicks_only", "two_click_rms_us", "us"), ("followed", "followed_rms_us", "us"))
_CAME = {
    "came_over_hiss_db": "signal_over_hiss_db",
    "came_clicks_only_us": "clicks_only_rms_us",
    "came_residual_us": "residual_rms_us",
}


def forecast_page(name, medium, part):
    """HTML text. medium: its label; part: of `forecast_part`."""
    return templates().get_template("forecast.html.j2").render({"name": name, "medium": medium, "forecast": part})
