"""The tables behind the report: tracks.tsv, pairs.tsv, and what the page shows of each track and pair.

Conventions: one row per track (its chosen take) and per pair; units in the columns' names; None where there is nothing.
"""

from typing import NamedTuple

from bounceproof import verdicts
from bounceproof.report import words

TRACK_COLUMNS = (
    "track",
    "role",
    "take",
    "simulated",
    "verdict",
    "reason",
    "next_step",
    "state",
    "method",
    "speed_percent",
    "polarity",
    "level_db",
    "residual_rms_us",
    "offset_sigma_us",
    "clicks_only_rms_us",
    "signal_over_hiss_db",
    "signal_over_hiss_sigma_db",
    "hiss_flat_dbfs",
    "hiss_flat_sigma_db",
    "hiss_a_weighted_dbfs",
    "hiss_bs468_rms_dbfs",
    "hiss_under_music_dbfs",
    "hiss_under_music_sigma_db",
    "dropouts",
    "level_ride_db",
    "foreign",
    "band_low_hz",
    "band_high_hz",
    "clipped_runs",
    "dc_dbfs",
    "capture_peak_dbfs",
    "flags",
)
# What alignment.json tells of a take that is laid on the song's time.
_ALIGNED = (
    "speed_percent",
    "polarity",
    "level_db",
    "residual_rms_us",
    "offset_sigma_us",
    "clicks_only_rms_us",
)


def track_row(track, take, alignment, condition, verdict):
    """A row of tracks.tsv; alignment and condition are None while the track waits."""
    alignment, condition = alignment or {"state": "waiting"}, condition or {}
    hiss, band, clipped = condition.get("hiss") or {}, condition.get("band") or {}, condition.get("clipped") or {}
    under, ride = condition.get("hiss_under_music") or {}, condition.get("level_ride") or {}
    return {
        "track": track["track"],
        "role": track.get("role"),
        "take": take,
        "simulated": bool(alignment.get("simulated")),
        "verdict": verdict.word,
        "reason": " ".join(one.sentence for one in verdict.findings),
        "next_step": verdict.next_step,
        "state": alignment["state"],
        "method": alignment.get("method"),
        **{key: alignment.get(key) if alignment["state"] == "aligned" else None for key in _ALIGNED},
        **{key: condition.get(key) for key in ("signal_over_hiss_db", "signal_over_hiss_sigma_db", "dc_dbfs")},
        **{f"hiss_{key}": hiss.get(key) for key in ("flat_dbfs", "flat_sigma_db", "a_weighted_dbfs", "bs468_rms_dbfs")},
        "hiss_under_music_dbfs": under.get("flat_dbfs"),
        "hiss_under_music_sigma_db": under.get("flat_sigma_db"),
        "dropouts": None if condition.get("dropouts") is None else len(condition["dropouts"]),
        "level_ride_db": ride.get("range_db"),
        "foreign": None if condition.get("foreign") is None else "; ".join(map(_foreign, condition["foreign"])),
        **{f"band_{key}": band.get(key) for key in ("low_hz", "high_hz")},
        "clipped_runs": clipped.get("runs"),
        "capture_peak_dbfs": condition.get("peak_dbfs"),
        "flags": ", ".join(alignment.get("flags") or []),
    }


def _foreign(one):
    """A foreign sound in a cell: piano not erased -31.2 dB 0.80 s."""
    level = "" if one["level_db"] is None else f" {one['level_db']:.1f} dB"
    return f"{one['track']} {one['kind']}{level} {one['delay_s']:.2f} s"


_PAIR_NUMBERS = (
    "adds_up_to_hz",
    "adds_up_to_low_hz",
    "adds_up_to_high_hz",
    "within_poor_to_hz",
    "delay_us",
    "delay_sd_us",
    "spread_us",
    "rms_us",
    "worst_us",
    "air_cm",
    "first_notch_hz",
    "sum_loss_db",
    "mono_db",
    "polarity",
)
PAIR_COLUMNS = (
    "pair",
    "first",
    "second",
    "kind",
    "declared",
    "verdict",
    "sentence",
    "state",
    "simulated",
    *_PAIR_NUMBERS,
    *(f"clicks_{key}" for key in _PAIR_NUMBERS),
)


def pair_row(summary, verdict):
    """A row of pairs.tsv."""
    ours, clicks = summary.get("aligned") or {}, summary.get("clicks") or {}
    return {
        "pair": summary["pair"],
        "first": summary["first"]["track"],
        "second": summary["second"]["track"],
        "kind": summary["kind"],
        "declared": summary["declared"],
        "verdict": verdicts.PAIR_WORDS[verdict.word],
        "sentence": " ".join(one.sentence for one in verdict.findings),
        "state": summary["state"],
        "simulated": summary["simulated"],
        **{key: ours.get(key) for key in _PAIR_NUMBERS},
        **{f"clicks_{key}": clicks.get(key) for key in _PAIR_NUMBERS},
    }


class Check(NamedTuple):
    """A cell of the board: the number as text (its unit stands in the column's head), the same for sorting (None sorts last), and
    the word that the check asks for: "ready", "look", "record again", None where nothing was measured.
    """

    text: str
    number: float | None
    word: str | None


# A column each: (check, head, its unit, key of the method).
CHECK_HEADS = (
    ("aligning", "Aligning", "flags", "following"),
    ("timing", "Timing left", "µs rms", "timing"),
    ("constant", "Constant", "± µs", "constant"),
    ("over hiss", "Over hiss", "dB, in band", "over-hiss"),
    ("bands", "Role's bands kept", "of all", "role"),
    ("level sent", "Peaks", "dB re full", "sent"),
    ("hum and whine", "Hum, whine", "lines", "lines"),
    ("dropouts", "Dropouts", "count", "dropouts"),
    ("level riding", "Level rides", "dB", "riding"),
    ("highs", "Highs, change", "dB", "highs"),
    ("other sounds", "Other sounds", "count", "foreign"),
    ("capture", "Capture's peak", "dBFS", "capture"),
)


def check_cells(alignment, condition, roles, *, thresholds=None):
    """{check: Check} of an aligned take for every column of CHECK_HEADS.

    roles: the role's bands with the word of each.
    """
    found = verdicts.track_checks(alignment, condition, thresholds=thresholds)
    cells = {}
    for check, (text, number) in _check_numbers(alignment, condition, roles).items():
        findings = found.get(check, ())
        word = findings[0].word if findings else verdicts.READY
        cells[check] = Check(text, number, word if findings or text != words.NONE else None)
    return cells


def asking(cells):
    """The names of the checks that ask for a step; cells: of `check_cells`, None where there are none."""
    return [check for check, cell in (cells or {}).items() if cell.word not in (verdicts.READY, None)]


def _check_numbers(alignment, condition, roles):
    """{check: (text, number)}."""
    residual_us, offset_us = alignment.get("residual_rms_us"), alignment.get("offset_sigma_us")
    interval_us = 1.96 * offset_us if words.known(offset_us) else None
    over_db, over_sigma_db = condition.get("signal_over_hiss_db"), condition.get("signal_over_hiss_sigma_db")
    overload, ride, highs = (condition.get(key) or {} for key in ("overload", "level_ride", "highs"))
    told = [one for one in roles if one["word"] != "not known here"]
    kept = sum(one["word"] == "kept" for one in told)
    lines = [len(condition[key]) for key in ("hum", "whine") if condition.get(key) is not None]
    return {
        "aligning": _count(alignment.get("flags")),
        "timing": (words.fixed(residual_us, 1), residual_us),
        "constant": (words.fixed(interval_us, 1), interval_us),
        "over hiss": (words.spread(over_db, over_sigma_db), over_db),
        "bands": (f"{kept} of {len(told)}", kept / len(told)) if told else (words.NONE, None),
        "level sent": _peaks(overload),
        "hum and whine": (str(sum(lines)), sum(lines)) if lines else (words.NONE, None),
        "dropouts": _count(condition.get("dropouts")),
        "level riding": (words.fixed(ride.get("range_db")), ride.get("range_db")),
        "highs": (words.signed(highs.get("fade_db")), highs.get("fade_db")),
        "other sounds": _count(condition.get("foreign")),
        "capture": (words.fixed(condition.get("peak_dbfs")), condition.get("peak_dbfs")),
    }


def _peaks(overload):
    over_db, room_db = overload.get("over_db"), overload.get("room_at_least_db")
    if words.known(over_db):
        return words.signed(over_db), over_db
    return (f"under {words.signed(-room_db, 0)}", -room_db) if words.known(room_db) else (words.NONE, None)


def _count(found):
    return (words.NONE, None) if found is None else (str(len(found)), len(found))
