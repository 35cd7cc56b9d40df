"""The page of proposed send levels.

Conventions: a row a track; what is proposed is for a person to copy into tracks.tsv: nothing here changes the session.
"""

from bounceproof.planning.send_levels import hotter
from bounceproof.report import templates
from bounceproof.verdicts import level_choice, limits

COLUMNS = (
    "track",
    "role",
    "send_db",
    "proposed_db",
    "sigma_db",
    "limit",
    "third_percent",
    "crest_db",
    "taken_db",
    "soft_over_hiss_db",
    "guess",
    "choice",
)


def level_row(track, proposal, thresholds):
    """One track's row: its dict of track, role, send_db with its proposal (None for a silent stem)."""
    if proposal is None:
        return {**track, "choice": "The stem is silent: nothing to propose."}
    short_db = max(0.0, limits(thresholds)["signal_over_hiss_kept_db"] - proposal["soft_over_hiss_db"])
    choice = level_choice(proposal, hotter(proposal, short_db), thresholds=thresholds)
    return {**track, **proposal, "choice": " ".join(choice)}


def levels_page(name, rows, *, distortion_percent, recorder, medium):
    """HTML text; recorder: of recorder.json, or None where the medium's typical figures had to do."""
    context = {
        "name": name,
        "rows": rows,
        "distortion_percent": distortion_percent,
        "recorder": recorder,
        "medium": medium["label"],
    }
    return templates().get_template("send_levels.html.j2").render(context)
