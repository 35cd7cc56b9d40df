"""The run sheet: what to play to the recorder, in which order, and how long the evening will be.

Conventions: times in seconds; levels in dBFS; one row per transfer in the order of its number. Winding is reckoned as a tenth of
the playing time and handling as 20 s a transfer (common practice, no source): plan with it, do not trust it.
"""

from bounceproof.report import templates
from bounceproof.report.cautions import CAUTIONS

WIND_SHARE = 0.1
HANDLING_S = 20.0
COLUMNS = (
    "number",
    "track",
    "file",
    "side",
    "starts_at_s",
    "duration_s",
    "peak_dbfs",
    "gain_db",
    "send_speed",
    "what_to_do",
)


def rows(transfers, *, side_minutes, leader_s, has_tape=True):
    """The rows of the run sheet.

    transfers: dicts in any order with number, track, file, sample_rate_hz, samples (of the whole transfer), gain_db, peak_dbfs,
    send_speed. A transfer that no longer fits opens the next side; each side begins with its leader.
    """
    out, side, at_s, left = [], 1, float(leader_s), 0
    for transfer in sorted(transfers, key=lambda one: one["number"]):
        duration_s = transfer["samples"] / transfer["sample_rate_hz"]
        if left and at_s + duration_s > 60 * side_minutes:
            side, at_s, left = side + 1, float(leader_s), 0
        out.append(
            {
                "number": transfer["number"],
                "track": transfer["track"],
                "file": transfer["file"],
                "side": side,
                "starts_at_s": at_s,
                "duration_s": duration_s,
                "peak_dbfs": transfer["peak_dbfs"],
                "gain_db": transfer["gain_db"],
                "send_speed": transfer["send_speed"],
                "what_to_do": _what_to_do(transfer, first=not left, leader_s=leader_s, has_tape=has_tape),
            }
        )
        at_s, left = at_s + duration_s, left + 1
    return out


def _what_to_do(transfer, *, first, leader_s, has_tape):
    words = []
    if first and has_tape and leader_s:
        words.append(f"Wind to the start and let {leader_s:g} s of leader run first.")
    words.append("Record, then play the file whole, lead-in and tail included.")
    if transfer["send_speed"] != 1:
        words.append(f"The stem is sent {transfer['send_speed']} times faster: nothing to change on the recorder.")
    return " ".join(words)


def times(sheet):
    """Total times in seconds: out, back (the same again), winding, all together with handling."""
    out_s = sum(row["duration_s"] for row in sheet)
    # The tape is wound back once after recording and once after capturing.
    wind_s = 2 * WIND_SHARE * out_s
    return {"out_s": out_s, "back_s": out_s, "wind_s": wind_s, "total_s": 2 * out_s + wind_s + 2 * HANDLING_S * len(sheet)}


def steps(sheet, *, medium, leader_s, has_tape=True):
    """What to do, step by step, in sentences."""
    if not has_tape:
        return (
            "Join the interface's output to its input with one lead: nothing else in between.",
            "Play each file and record its return, a take each, into the session's folder returns/TRACK/.",
            "Run the chain again: a wire must come back at the stem's level, flat, with no timing error."
            " Only then bring in the recorder.",
        )
    first = sheet[0]["track"] if sheet else "the first track"
    return (
        f"The wire first: send one transfer ({first}) through a lead from output to input, with no recorder,"
        " and let the chain judge it."
        " What it finds there belongs to your computer, not to the tape.",
        "Loudspeakers and headphones down or off. Pad between output and recorder; input monitoring off.",
        f"Wind to the start of the side. The tape begins with its leader: let {leader_s:g} s run before the first transfer.",
        "Trial: record the first minute of the loudest transfer, play it back,"
        " and lower the output until its peaks no longer sound rough.",
        "Record the transfers in the order below, each whole; leave the output level alone from then on.",
        "Wind back, switch the recorder to replay, capture each transfer (or a whole side in one file)"
        " at 24 bit, peaks well under full scale.",
        "Put each capture into returns/TRACK/ (any take name), or whole sides into returns/unsorted/, and run the chain again.",
        "A track that the report wants again costs its own transfer only: nothing else has to be recorded twice.",
    )


def page(name, sheet, *, medium, side_minutes, leader_s, has_tape=True):
    """The run sheet as HTML text."""
    context = {
        "name": name,
        "rows": sheet,
        "times": times(sheet),
        "sides": max((row["side"] for row in sheet), default=1),
        "side_minutes": side_minutes,
        "medium": medium,
        "steps": steps(sheet, medium=medium, leader_s=leader_s, has_tape=has_tape),
        "cautions": CAUTIONS,
    }
    return templates().get_template("run_sheet.html.j2").render(context)
