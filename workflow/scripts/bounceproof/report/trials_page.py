"""The page of trials: what each stem's own 25 s said about its send level.

Conventions: a row a track; what is proposed is for a person to copy into tracks.tsv.
"""

from bounceproof.report import templates
from bounceproof.verdicts import trial_words

COLUMNS = ("track", "send_db", "state", "proposed_db", "sigma_db", "limit", "over_db", "soft_over_hiss_db", "says")


def trial_row(track, values, thresholds):
    """One track's row; values: of its trial's JSON, None where none has come back."""
    if values is None:
        return {**track, "state": "waiting", "says": "", "levels": []}
    if values["state"] != "aligned":
        return {**track, "state": values["state"], "says": values["reason"], "levels": []}
    kept = {key: values[key] for key in ("state", "proposed_db", "limit", "over_db", "soft_over_hiss_db", "levels")}
    sigma_db = values["over_sigma_db"] if values["limit"] == "distortion" else None
    return {**track, **kept, "sigma_db": sigma_db, "says": " ".join(trial_words(values, thresholds=thresholds))}


def trials_page(name, rows, distortion_percent):
    """HTML text."""
    context = {"name": name, "rows": rows, "distortion_percent": distortion_percent}
    return templates().get_template("trials.html.j2").render(context)
