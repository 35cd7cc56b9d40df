"""What was measured of a take, line by line: plain words, the number with its interval and unit, and where its method stands.

Conventions: values are finished text, unit included; a reading that was not made is left out, so that no line is empty.
"""

from typing import NamedTuple

from bounceproof import verdicts
from bounceproof.report.words import counted, fixed, hertz, known, microseconds, signed, spread


class Reading(NamedTuple):
    """what (plain words), method (key of `methods`), value (text with its unit), words (what it means; may be empty)."""

    what: str
    method: str
    value: str
    words: str


def readings(alignment, condition, *, wire=None, thresholds=None):
    """[(group, its Readings)] of an aligned take; groups without any reading are left out.

    alignment, condition: values of alignment.json and condition.json; wire: of wire.json, None where no wire was measured.
    """
    groups = (
        ("Time", [*_time(alignment), *_motion(alignment)]),
        ("Hiss", _hiss(condition, wire, thresholds)),
        ("Level and band", _level(alignment, condition, thresholds)),
        ("Faults", _faults(condition, thresholds)),
    )
    return [(name, made) for name, made in groups if made]


def _with_interval(value, sigma, places, unit, *, sign=False):
    """−2.11 ± 0.02 %; without a sigma the number and its unit."""
    text = fixed(value, places, sign=sign)
    if not known(sigma):
        return f"{text} {unit}"
    if 1.96 * sigma < 0.5 * 10.0**-places:
        return f"{text} {unit}, ± less than {10.0**-places:.{places}f} {unit}"
    return f"{text} ± {fixed(1.96 * sigma, places)} {unit}"


def _time(alignment):
    followed = alignment.get("method") == "follow"
    way = "by following the stem" if followed else "through its two clicks"
    polarity = "polarity as sent" if alignment.get("polarity") == 1 else "polarity upside down, put right"
    yield Reading("Laid on the song's time", "following", way, polarity)
    if known(alignment.get("residual_rms_us")):
        words = "found on sound the map did not use"
        yield Reading("Timing left", "timing", f"{microseconds(alignment['residual_rms_us'])} rms", words)
    if known(alignment.get("clicks_only_rms_us")):
        rms_us, left_us = alignment["clicks_only_rms_us"], alignment.get("residual_rms_us")
        words = f"{rms_us / left_us:.0f} times as much" if followed and left_us and rms_us >= 2 * left_us else ""
        yield Reading("Two clicks alone", "clicks", f"off by {microseconds(rms_us)} rms", words)
    if known(alignment.get("offset_sigma_us")):
        value = f"known to ± {microseconds(1.96 * alignment['offset_sigma_us'])}"
        yield Reading("Constant delay", "constant", value, "against every other track")
    together = alignment.get("together")
    if together is not None:
        value = f"{together['with']} lies {microseconds(together['skew_us'])} later"
        words = f"± {microseconds(1.96 * together['skew_sigma_us'])}; both share one time map"
        yield Reading(f"In one pass with {together['with']}", "following", value, words)


def _motion(alignment):
    speed = alignment.get("speed_percent")
    if known(speed):
        words = "at the speed recorded" if abs(speed) < 0.005 else "short and sharp" if speed > 0 else "long and flat"
        yield Reading("Speed", "speed", _with_interval(speed, alignment.get("speed_sigma_percent"), 3, "%", sign=True), words)
    for key, name, words in (
        ("drift", "Drift", "slower than 0.5 Hz, rms"),
        ("wow", "Wow", "0.5 to 6 Hz, rms"),
        ("flutter", "Flutter", "6 to 100 Hz, rms"),
        ("weighted_flutter", "Weighted flutter", "exceeded 5 % of the time"),
    ):
        if known(alignment.get(f"{key}_percent")):
            value = _with_interval(alignment[f"{key}_percent"], alignment.get(f"{key}_sigma_percent"), 3, "%")
            yield Reading(name, "speed", value, words)
    if known(alignment.get("peak_timing_error_us")):
        sigma_us = alignment.get("peak_timing_error_sigma_us")
        interval = f" ± {microseconds(1.96 * sigma_us)}" if known(sigma_us) else ""
        words = "off a steady speed"
        yield Reading("Furthest in time", "speed", f"{microseconds(alignment['peak_timing_error_us'])}{interval}", words)


def _hiss(condition, wire, thresholds):
    if known(condition.get("signal_over_hiss_db")):
        over_db = condition["signal_over_hiss_db"]
        value = _with_interval(over_db, condition.get("signal_over_hiss_sigma_db"), 1, "dB")
        yield Reading("Signal over hiss", "over-hiss", value, f"{verdicts.kept(over_db, thresholds=thresholds)}, in the band")
    hiss, under = condition.get("hiss"), condition.get("hiss_under_music")
    if hiss:
        where = f"in the {hiss['source']}, over {fixed(hiss['seconds'])} s"
        yield Reading("Hiss, flat", "hiss", _dbfs(hiss, "flat_dbfs", "flat_sigma_db"), where)
        value = _dbfs(hiss, "a_weighted_dbfs", "a_weighted_sigma_db")
        yield Reading("Hiss, A-weighted", "hiss", value, "")
        peak_dbfs = hiss.get("bs468_quasi_peak_dbfs")
        words = f"quasi-peak {fixed(peak_dbfs)} dBFS" if known(peak_dbfs) else ""
        yield Reading("Hiss, 468 curve", "hiss", f"{_dbfs(hiss, 'bs468_rms_dbfs', 'bs468_rms_sigma_db')} rms", words)
    if under:
        rise_db = under.get("rise_db")
        against = f"; {signed(rise_db)} dB against the silence" if known(rise_db) else ""
        value = _dbfs(under, "flat_dbfs", "flat_sigma_db")
        yield Reading("Hiss under music, flat", "hiss", value, f"over {fixed(under['seconds'], 0)} s{against}")
    if hiss and wire:
        words = f"{fixed(wire['hiss']['a_weighted_dbfs'])} dBFS A-weighted"
        value = f"{fixed(wire['hiss']['flat_dbfs'])} dBFS"
        yield Reading("The interface alone, through a wire", "hiss", value, words)


def _dbfs(values, key, sigma_key):
    return f"{spread(values[key], values.get(sigma_key))} dBFS"


def _level(alignment, condition, thresholds):
    if known(alignment.get("level_db")):
        value = _with_interval(alignment["level_db"], alignment.get("level_sigma_db"), 1, "dB", sign=True)
        yield Reading("Level to add", "level", value, "before the mix")
    for key, down in (("band", 10), ("band_3_db", 3)):
        band = condition.get(key)
        if band and (known(band["low_hz"]) or known(band["high_hz"])):
            value = f"{hertz(band['low_hz'])} to {hertz(band['high_hz'])}"
            yield Reading(f"Band at −{down} dB", "response", value, "re its middle")
    overload = condition.get("overload") or {}
    if known(overload.get("over_db")):
        harmonics = f"second {fixed(overload['second_percent'])} %, third {fixed(overload['third_percent'])} % at the peaks"
        value = _with_interval(overload["over_db"], overload["sigma_db"], 1, "dB", sign=True)
        yield Reading("Peaks against full level", "sent", value, harmonics)
    elif known(overload.get("room_at_least_db")):
        value = f"at least {fixed(overload['room_at_least_db'], 0)} dB of room"
        yield Reading("Peaks against full level", "sent", value, "no overload seen")
    ride = condition.get("level_ride") or {}
    if known(ride.get("range_db")):
        words = "an automatic level control" if ride["found"] else "no automatic level control seen"
        value = f"through {_with_interval(ride['range_db'], ride['range_sigma_db'], 1, 'dB')}"
        yield Reading("Level rides", "riding", value, words)
    highs = condition.get("highs")
    if highs and known(highs["fade_db"]):
        words = (
            f"{hertz(highs['from_hz'])} to {hertz(highs['to_hz'])} against"
            f" {hertz(highs['against_from_hz'])} to {hertz(highs['against_to_hz'])}"
        )
        value = _with_interval(highs["fade_db"], highs["fade_sigma_db"], 1, "dB", sign=True)
        yield Reading("Highs through the song", "highs", value, words)


def _faults(condition, thresholds):
    dropouts = condition.get("dropouts")
    if dropouts is not None:
        yield Reading("Dropouts", "dropouts", counted(len(dropouts), "dropout"), "; ".join(map(_drop, dropouts[:6])))
    for key, name in (("hum", "Hum"), ("whine", "Whine")):
        lines = condition.get(key)
        if lines is not None:
            words = "; ".join(map(_line, lines[:6]))
            yield Reading(name, "lines", counted(len(lines), "line"), words)
    foreign = condition.get("foreign")
    if foreign is not None:
        words = " ".join(map(verdicts.foreign_sentence, foreign)) or "of the session's own"
        yield Reading("Other sounds", "foreign", f"{len(foreign)} found", words)
    clipped = condition.get("clipped") or {}
    if clipped.get("runs"):
        yield Reading("Clipped", "capture", counted(clipped["runs"], "run"), f"first at {fixed(clipped['first_s'], 2)} s")
    if known(condition.get("peak_dbfs")):
        dc_dbfs = condition.get("dc_dbfs")
        limit_dbfs = verdicts.limits(thresholds)["direct_current_dbfs"]
        words = f"direct current {fixed(dc_dbfs)} dBFS" if known(dc_dbfs) and dc_dbfs > limit_dbfs else ""
        yield Reading("Capture's highest sample", "capture", f"{fixed(condition['peak_dbfs'])} dBFS", words)


def _drop(one):
    least = "at least " if one["at_least"] else ""
    return f"{fixed(one['time_s'], 2)} s: {least}{fixed(one['depth_db'], 0)} dB for {fixed(1000 * one['length_s'], 0)} ms"


def _line(one):
    family = f" ({one['order']} × {fixed(one['family_hz'], 0)} Hz{', laid on the tape' if one['recorded'] else ''})"
    return f"{fixed(one['frequency_hz'], 1)} Hz at {fixed(one['level_dbfs'])} dBFS{family if one['order'] else ''}"
