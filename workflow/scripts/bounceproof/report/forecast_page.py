"""The page of a session's forecast, beside what came.

Conventions: a range is the 10 to 90 % points over the drawn recorders, its middle the median; a row a track.
"""

from bounceproof.figures.style import number
from bounceproof.report import templates
from bounceproof.verdicts import expected_word, odds

COLUMNS = (
    "track",
    "expected",
    "odds_percent",
    "over_hiss_10_db",
    "over_hiss_50_db",
    "over_hiss_90_db",
    "followed_10_us",
    "followed_50_us",
    "followed_90_us",
    "bands",
    "came_verdict",
    "came_over_hiss_db",
    "came_clicks_only_us",
    "came_residual_us",
)


def forecast_rows(found, came, thresholds):
    """The table's rows. found: of `planning.forecast.forecast`; came: {track: row of tracks.tsv}, empty before any capture."""
    return [_row(one, came.get(one["track"]), thresholds) for one in found["tracks"]]


def _row(one, came, thresholds):
    word, share = expected_word(one["role_bands"], thresholds=thresholds)
    row = {"track": one["track"], "expected": word, "odds_percent": None if share is None else 100.0 * share}
    for name, key, unit in (("over_hiss", "over_hiss_db", "db"), ("followed", "followed_rms_us", "us")):
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
            row[ours] = number(came[theirs])
    return row


_CAME = {
    "came_over_hiss_db": "signal_over_hiss_db",
    "came_clicks_only_us": "clicks_only_rms_us",
    "came_residual_us": "residual_rms_us",
}


def forecast_page(name, medium, found, rows):
    """HTML text."""
    context = {
        "name": name,
        "medium": medium["label"],
        "found": found,
        "rows": rows,
        "came": any("came_verdict" in row for row in rows),
    }
    return templates().get_template("forecast.html.j2").render(context)
