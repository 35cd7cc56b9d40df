"""The run sheet: what to play to the recorder, in which order, and how long the evening will be.

Conventions: times in seconds; levels in dBFS; one row per transfer, side by side, within a side in order of number. Winding is
reckoned as a tenth of the playing time and handling as 20 s a transfer (common practice, no source): plan with it, do not trust
it.
"""

from bounceproof.planning.sides import lay_out, side_name
from bounceproof.report import templates
from bounceproof.report.cautions import CAUTIONS

WIND_SHARE = 0.1
HANDLING_S = 20.0
COLUMNS = (
    "number",
    "track",
    "file",
    "side",
    "tape_side",
    "starts_at_s",
    "ends_at_s",
    "duration_s",
    "peak_dbfs",
    "gain_db",
    "send_speed",
    "what_to_do",
    "note",
)
LISTEN = (
    "Roughness in the loudest moments: too hot. Hiss between the words: too low, or a level control that opens.",
    "A thump at the start: wait longer after pressing record. A voice or music that is not yours: the tape was not blank.",
    "The clicks, one before and one after each track: without them a track is hard to find again.",
    "Pitch that sags or flutters: batteries, or a tape that wants winding through once.",
)


def rows(transfers, *, side_minutes, leader_s, has_tape=True, side_s=None, together=()):
    """The rows of the run sheet, side by side.

    transfers: dicts in any order with number, track, file, sample_rate_hz, samples (of the whole transfer), gain_db, peak_dbfs,
    send_speed, note. side_s: what a side holds, by default all of its minutes; together: sets of tracks that belong on one side.
    Each side begins with its leader; a transfer longer than a side has one of its own, and says so.
    """
    for transfer in transfers:
        transfer["duration_s"] = transfer["samples"] / transfer["sample_rate_hz"]
    side_s = 60.0 * side_minutes if side_s is None else side_s
    out = []
    for side, members in enumerate(lay_out(transfers, side_s=side_s, leader_s=leader_s, together=together), start=1):
        at_s = float(leader_s)
        for place, transfer in enumerate(members):
            kept = {key: transfer[key] for key in ("number", "track", "file", "duration_s", "peak_dbfs", "gain_db", "send_speed")}
            end_s = at_s + transfer["duration_s"]
            words = _what_to_do(transfer, first=place == 0, leader_s=leader_s, has_tape=has_tape)
            if end_s > side_s:
                words += " It is longer than a side: shorten it, or use a longer tape."
            times = {"side": side, "tape_side": side_name(side), "starts_at_s": at_s, "ends_at_s": end_s}
            out.append({**kept, **times, "what_to_do": words, "note": transfer.get("note", "")})
            at_s = end_s
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


def by_side(sheet):
    """[(side's name, its rows, when its last transfer ends)]."""
    sides = {}
    for row in sheet:
        sides.setdefault(row["tape_side"], []).append(row)
    return [(name, members, members[-1]["ends_at_s"]) for name, members in sides.items()]


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
        "Set the counter to zero at the start of each side; the times below run from there, leader included.",
        'Record the transfers in the order below, each whole, or a side in one go (the target "sides" makes one file of each);'
        " leave the output level alone from then on. Switches (level control, noise reduction, tape type): the same for all.",
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
        "by_side": by_side(sheet),
        "listen": LISTEN,
        "cautions": CAUTIONS,
    }
    return templates().get_template("run_sheet.html.j2").render(context)
