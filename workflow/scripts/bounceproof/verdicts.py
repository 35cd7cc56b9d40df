"""Verdicts: the one place where a threshold turns a number into a judgement.

Conventions: numbers come as alignment.json, condition.json, PAIR.json, stack.json and reference.json hold them; thresholds as
session.yaml names them. A track's word is one of `ready`, `look`, `record again`, `waiting`, `rejected`; the words are told
by text, never by colour alone. Reasons are whole sentences, worst first, a next step each where there is one.
"""

import math
from typing import NamedTuple

DEFAULTS = {
    "sum_loss_ok_db": 1.0,
    "sum_loss_poor_db": 3.0,
    "pair_ok_hz": 2000.0,
    "signal_over_hiss_kept_db": 10.0,
    "signal_over_hiss_marginal_db": 3.0,
    "residual_ok_us": 20.0,
    "residual_poor_us": 100.0,
    "offset_ok_us": 20.0,
    "programme_over_stack_ok_db": 30.0,
    "programme_over_stack_poor_db": 20.0,
    "capture_low_dbfs": -40.0,
    "direct_current_dbfs": -50.0,
    "overload_db": 1.0,
    "room_db": 6.0,
    "signal_over_hiss_hotter_db": 20.0,
    "dropout_db": 10.0,
    "line_under_hiss_db": 10.0,
    "dropouts_per_minute": 1.0,
    "balance_ok_db": 2.0,
    "loudness_range_ok_lu": 1.0,
    "foreign_db": -45.0,
    "highs_fade_db": 2.0,
    "evening_speed_percent": 0.3,
    "evening_hiss_db": 2.0,
}
READY, LOOK, AGAIN, WAITING, REJECTED = "ready", "look", "record again", "waiting", "rejected"
_SEVERITY = {READY: 0, LOOK: 1, AGAIN: 2, WAITING: 2, REJECTED: 3}


class Finding(NamedTuple):
    """One reason: the word it asks for, the sentence, what to do about it (or None)."""

    word: str
    sentence: str
    next_step: str | None


class Verdict(NamedTuple):
    """word, findings (worst first), next_step (of the worst, or None)."""

    word: str
    findings: tuple
    next_step: str | None


def _verdict(findings):
    findings = tuple(sorted(findings, key=lambda one: -_SEVERITY[one.word]))
    word = findings[0].word if findings else READY
    return Verdict(word, findings, next((one.next_step for one in findings if one.next_step), None))


def anchor(kind, name):
    """The place in the report that a track's or pair's name leads to."""
    return f"{kind}-" + "-".join(name.split())


def limits(thresholds):
    """The session's thresholds over the defaults."""
    return {**DEFAULTS, **(thresholds or {})}


# ---------------------------------------------------------------------------------------------------------------- tracks


# What is judged of a take: the names by which the board's columns and the findings find each other.
CHECKS = (
    "aligning",
    "timing",
    "constant",
    "over hiss",
    "level sent",
    "hum and whine",
    "dropouts",
    "level riding",
    "highs",
    "other sounds",
    "capture",
)


def track_verdict(track, alignment, condition, *, thresholds=None):
    """The Verdict on a track's chosen take; alignment and condition are None while it waits."""
    if alignment is None:
        step = f"Play the transfer of {track} to the recorder and drop the capture into its folder."
        return _verdict([Finding(WAITING, "No return yet.", step)])
    if alignment["state"] != "aligned":
        step = alignment.get("next_step") or "Record it again."
        return _verdict([Finding(REJECTED, _sentence(alignment.get("reason") or "It could not be aligned"), step)])
    checks = track_checks(alignment, condition, thresholds=thresholds)
    return _verdict([finding for findings in checks.values() for finding in findings])


def track_checks(alignment, condition, *, thresholds=None):
    """{check: its Findings, none where all is well} of an aligned take, for every one of CHECKS."""
    limit = limits(thresholds)
    checks = dict.fromkeys(CHECKS, ())
    checks |= {"aligning": _flags(alignment), "timing": _timing(alignment, limit), "constant": _constant(alignment, limit)}
    if condition:
        checks |= {
            "over hiss": _survived(condition, limit),
            "level sent": _sent(condition, limit),
            "hum and whine": _lines(condition, limit),
            "dropouts": _dropouts(condition, limit),
            "level riding": _riding(condition),
            "highs": _fading(condition, limit),
            "other sounds": _foreign(condition, limit),
            "capture": _capture(condition, limit),
        }
    return checks


def _sentence(text):
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def _flags(alignment):
    """Flags set while aligning; a plain look is due, since the take was used all the same."""
    hints = list(alignment.get("hints") or [])
    sentences = hints if hints else [f"Flagged while aligning: {flag}" for flag in alignment.get("flags") or []]
    step = alignment.get("next_step") or "Listen to it before you trust it."
    return [Finding(LOOK, _sentence(sentence), step) for sentence in sentences]


def _timing(alignment, limit):
    residual_us = alignment.get("residual_rms_us")
    if residual_us is None:
        if alignment.get("method") != "clicks":
            return []
        text = "Laid through its two clicks only: by how much it wanders between them with the recorder's speed was not measured."
    elif residual_us > limit["residual_poor_us"]:
        text = f"The timing still wanders by {_us(residual_us)} rms after alignment."
    elif residual_us > limit["residual_ok_us"]:
        text = f"The remaining timing error of {_us(residual_us)} rms is not small."
    else:
        return []
    return [Finding(LOOK, text, _timing_step(alignment))]


def _constant(alignment, limit):
    offset_us = alignment.get("offset_sigma_us")
    if offset_us is None or offset_us <= limit["offset_ok_us"]:
        return []
    text = f"Its constant delay against the other tracks is known to {_us(offset_us)} only."
    return [Finding(LOOK, text, "Record it again with both clicks whole.")]


def _timing_step(alignment):
    if alignment.get("method") == "clicks":
        return "Judge it by its pairs below; two clicks cannot follow wow and drift."
    return "Look at its timing figure; if a spell stands out, record it again."


def _survived(condition, limit):
    over_db = condition.get("signal_over_hiss_db")
    level = condition.get("level") or {}
    if level.get("level_db") is None:
        return [Finding(AGAIN, "Nothing of the stem stands over the hiss.", "Send it hotter and record it again.")]
    if over_db is None:
        return []
    text = f"Within the medium's band the signal lies {over_db:.0f} dB over the hiss"
    if over_db < limit["signal_over_hiss_marginal_db"]:
        return [Finding(AGAIN, text + ": lost.", "Send it hotter and record it again.")]
    if over_db < limit["signal_over_hiss_kept_db"]:
        hotter_db = _hotter_db(condition, limit)
        step = "Try it hotter, if the recorder stands it." if hotter_db is None else f"Send it {hotter_db:.0f} dB hotter."
        return [Finding(LOOK, text + ": marginal.", step)]
    return []


def _sent(condition, limit):
    """Sent too hot, or with room left that its hiss could use."""
    overload, over_hiss_db = condition.get("overload") or {}, condition.get("signal_over_hiss_db")
    over_db = overload.get("over_db")
    if over_db is not None and over_db > limit["overload_db"]:
        text = (
            f"Sent too hot: its peaks lie {over_db:.0f} dB (± {1.96 * overload['sigma_db']:.0f}) over the level of 3 % third"
            f" harmonic (third {overload['third_percent']:.1f} %, second {overload['second_percent']:.1f} %)."
        )
        return [Finding(LOOK, text, f"Send it {over_db:.0f} dB lower.")]
    hotter_db = _hotter_db(condition, limit)
    if hotter_db is None:
        return []
    room_db = _room_db(overload)
    least = "at least " if over_db is None else ""
    text = (
        f"Sent low: {least}{room_db:.0f} dB are left up to overload, and the signal is only {over_hiss_db:.0f} dB over the hiss."
    )
    return [Finding(LOOK, text, f"Send it {hotter_db:.0f} dB hotter.")]


def _room_db(overload):
    """dB left up to overload (at least), None where that was not measured."""
    over_db = overload.get("over_db")
    return overload.get("room_at_least_db") if over_db is None else -over_db


def _hotter_db(condition, limit):
    """How much hotter a stem can be sent that its hiss leaves wanting, None where there is no room or no need."""
    room_db, over_hiss_db = _room_db(condition.get("overload") or {}), condition.get("signal_over_hiss_db")
    wanting = over_hiss_db is not None and over_hiss_db < limit["signal_over_hiss_hotter_db"]
    if room_db is None or room_db < limit["room_db"] or not wanting:
        return None
    return min(room_db, limit["signal_over_hiss_hotter_db"] - over_hiss_db)


def _lines(condition, limit):
    lines = [line for line in [*(condition.get("hum") or []), *(condition.get("whine") or [])] if _loud(line, condition, limit)]
    if not lines:
        return []
    worst = max(lines, key=lambda line: line["level_dbfs"])
    text = (
        f"{'Hum' if worst['kind'] == 'hum' else 'A whine'} at {worst['frequency_hz']:.1f} Hz, {worst['level_dbfs']:.0f} dBFS,"
        f" stands out of the hiss{f', and {len(lines) - 1} more lines' if len(lines) > 1 else ''}."
    )
    return [Finding(LOOK, text, f"Notch {worst['notch_hz']:.1f} Hz, {worst['notch_width_hz']:.0f} Hz wide.")]


def _dropouts(condition, limit):
    deep = deep_dropouts(condition, thresholds=limit)
    minutes = sum(end_s - start_s for start_s, end_s in condition.get("playing_s") or []) / 60.0
    if not deep or len(deep) <= limit["dropouts_per_minute"] * minutes:
        return []
    worst = max(deep, key=lambda one: one["depth_db"] * one["length_s"])
    text = (
        f"{len(deep)} dropout{'s' if len(deep) > 1 else ''} of {limit['dropout_db']:g} dB or more under the playing stem,"
        f" the worst at {worst['time_s']:.2f} s: {worst['depth_db']:.0f} dB for {1000 * worst['length_s']:.0f} ms."
    )
    return [Finding(LOOK, text, "Clean the head and record it again, or patch those moments from another take.")]


def deep_dropouts(condition, *, thresholds=None):
    """The dropouts of condition.json that are as deep as the threshold."""
    return [one for one in condition.get("dropouts") or [] if one["depth_db"] >= limits(thresholds)["dropout_db"]]


def _riding(condition):
    ride = condition.get("level_ride") or {}
    if not ride.get("found"):
        return []
    text = (
        f"An automatic level control is at work: it rides the level through {ride['range_db']:.0f}"
        f" dB (± {1.96 * ride['range_sigma_db']:.0f}), falls within {_ms(ride['attack_s'])}"
        f" and rises within {_ms(ride['release_s'])}."
    )
    return [Finding(LOOK, text, "Switch it off if the recorder can; else judge hiss by the figure under music.")]


def _fading(condition, limit):
    """Highs that change through the song, by more than is allowed and than their error says."""
    highs = condition.get("highs") or {}
    fade_db = highs.get("fade_db")
    if fade_db is None or abs(fade_db) < max(limit["highs_fade_db"], 1.96 * highs["fade_sigma_db"]):
        return []
    span = f"{_hz(highs['from_hz'])} to {_hz(highs['to_hz'])}"
    text = (
        f"Its highs ({span}) {'fall' if fade_db < 0 else 'rise'} by {abs(fade_db):.1f} dB"
        f" (± {1.96 * highs['fade_sigma_db']:.1f}) against the middle through the song."
    )
    return [Finding(LOOK, text, "Clean head and pressure pad, and play it again; if it stays, record it again.")]


_FOREIGN_STEPS = {
    # Common practice, no source.
    "not erased": "Erase the tape whole, or take a fresh stretch of it, and record it again.",
    "print-through": "Wind the tape through once or twice and play it again soon after; if it stays, send it less hot.",
    "other side": "Use a tape whose other side is blank, or have the head's height looked at, and record it again.",
}


def _foreign(condition, limit):
    """Sounds that are not this stem's."""
    found = []
    for one in condition.get("foreign") or []:
        if one["level_db"] is not None and one["level_db"] >= limit["foreign_db"]:
            found.append(Finding(LOOK, foreign_sentence(one), _FOREIGN_STEPS[one["kind"]]))
    return found


def foreign_sentence(one):
    """A foreign sound in words: what, how far under the stem, and when."""
    what = {
        "not erased": f"the stem of {one['track']} is heard in it, not erased",
        "print-through": "its own stem is heard twice (print-through from the next layer of the reel)",
        "other side": f"the stem of {one['track']} is heard in it backwards, from the tape's other side",
    }[one["kind"]]
    by = "at a level that could not be measured" if one["level_db"] is None else _under(one)
    when = f"{abs(one['delay_s']):.2f} s {'late' if one['delay_s'] >= 0 else 'early'}"
    if one["kind"] == "other side":
        when = f"its end {abs(one['delay_s']):.2f} s {'after' if one['delay_s'] >= 0 else 'before'} the song's start"
    return _sentence(f"{what}, {by}, {when}")


def _under(one):
    return f"{-one['level_db']:.1f} dB (± {1.96 * one['level_sigma_db']:.1f}) under the stem"


def _loud(line, condition, limit):
    """Whether a line is as loud as all the hiss within the band, or so many dB under it."""
    flat_dbfs = (condition.get("hiss") or {}).get("flat_dbfs")
    return flat_dbfs is not None and line["level_dbfs"] > flat_dbfs - limit["line_under_hiss_db"]


def _ms(value_s):
    return f"{value_s:.1f} s" if value_s >= 1 else f"{1000 * value_s:.0f} ms"


def _capture(condition, limit):
    found = []
    clipped = condition.get("clipped") or {}
    if clipped.get("runs"):
        where = (
            "at full scale, at the converter"
            if clipped["full_scale"]
            else f"at {clipped['at_dbfs']:.1f} dBFS, before the converter"
        )
        half = "" if clipped["side"] == "both" else f", {clipped['side']} half only"
        text = f"Clipped {clipped['runs']} times {where}{half}, first at {clipped['first_s']:.2f} s of the capture."
        found.append(Finding(LOOK, text, "Lower the capture gain (or the level before it) and capture the tape again."))
    peak_dbfs, dc_dbfs = condition.get("peak_dbfs"), condition.get("dc_dbfs")
    if peak_dbfs is not None and peak_dbfs < limit["capture_low_dbfs"]:
        found.append(
            Finding(
                LOOK, f"The capture peaks at {peak_dbfs:.0f} dBFS only.", "Raise the capture gain and capture the tape again."
            )
        )
    if dc_dbfs is not None and dc_dbfs > limit["direct_current_dbfs"]:
        text = f"Direct current of {dc_dbfs:.1f} dBFS in the capture (taken off here)."
        found.append(Finding(LOOK, text, "Block plug-in power or mend the input, or its switching will click."))
    return found


def kept(over_hiss_db, *, thresholds=None):
    """The word for a band: "kept", "marginal", "lost", or "not known here" for None."""
    limit = limits(thresholds)
    if over_hiss_db is None:
        return "not known here"
    if over_hiss_db >= limit["signal_over_hiss_kept_db"]:
        return "kept"
    return "marginal" if over_hiss_db >= limit["signal_over_hiss_marginal_db"] else "lost"


# ----------------------------------------------------------------------------------------------------------------- pairs


def pair_verdict(pair, *, thresholds=None):
    """The Verdict on a pair, its first sentence in words such as "adds up to 3.6 kHz; with two clicks only to 210 Hz"."""
    limit = limits(thresholds)
    if pair["state"] != "measured":
        word = {"waiting": WAITING, "rejected": REJECTED}.get(pair["state"], AGAIN)
        return _verdict([Finding(word, _sentence(pair["reason"]), None)])
    if pair["kind"] == "doubled":
        return _doubled(pair["aligned"])
    ours, clicks = pair["aligned"], pair["clicks"]
    if ours["adds_up_to_hz"] is None:
        text = "The stems share nothing that stands over the hiss: there is nothing to cancel."
        return _verdict([Finding(READY, text, None)])
    findings = [_adding_up(ours, clicks, limit, pair)]
    if ours["polarity"] == -1:
        findings.append(
            Finding(AGAIN, "The two returns are of opposite polarity where their stems agree.", "Check both takes' clicks.")
        )
    return _verdict(findings)


# How a pair's word reads: it is not the pair that gets recorded again.
PAIR_WORDS = {READY: "adds up", LOOK: "look", AGAIN: "does not add up", WAITING: "waiting", REJECTED: "rejected"}


def _adding_up(ours, clicks, limit, pair):
    text = f"Adds up {_up_to(ours)} within {limit['sum_loss_ok_db']:g} dB{_notch(ours)}"
    by_clicks = pair["methods"] == ["clicks", "clicks"]
    if not by_clicks:
        text += f"; with two clicks {_up_to(clicks, only=True)}{_notch(clicks)}"
    text += "." + _in_mono(ours, pair)
    far = ours["adds_up_to_hz"] >= limit["pair_ok_hz"] or ours["limit"] not in ("loss", "polarity")
    if far:
        return Finding(READY, text, None)
    step = "Keep one of the two, or treat them as two sounds: two clicks cannot hold a pair together."
    if not by_clicks:
        step = "Record the worse of the two again, or treat the pair as two sounds."
    return Finding(AGAIN if ours["within_poor_to_hz"] < limit["pair_ok_hz"] else LOOK, text, step)


def _up_to(way, *, only=False):
    if way["adds_up_to_hz"] is None:
        return "nowhere that was measured"
    if way["adds_up_to_hz"] == 0:
        return "nowhere"
    return f"{'only ' if only and way['limit'] == 'loss' else ''}to {_hz(way['adds_up_to_hz'])}"


def _notch(way):
    """The first notch, where it lies in what would otherwise be heard: a notch that the pair's own band ends under is no news."""
    notch_hz = way["first_notch_hz"]
    return f", first notch near {_hz(notch_hz)}" if notch_hz and way["limit"] == "loss" else ""


def _in_mono(ours, pair):
    stems_db = pair.get("stems_mono_db")
    if stems_db is None or ours.get("mono_db") is None:
        return ""
    return f" Summed to mono its level is {_signed(ours['mono_db'])} dB re both sides alone, the stems' {_signed(stems_db)} dB."


def _doubled(ours):
    if ours["rms_us"] is None:
        return _verdict([Finding(LOOK, "Its timing could not be compared.", None)])
    text = f"Two performances: only timing counts, and it differs by {_us(ours['rms_us'])} rms from the stems'."
    # A doubled part is heard as two players anyway; ten milliseconds is where a player's own spread begins (common practice).
    return _verdict([Finding(READY if ours["rms_us"] < 10000 else LOOK, text, None)])


# --------------------------------------------------------------------------------------------------------------- session


def stack_verdict(stack, *, thresholds=None):
    """The Verdict on the hiss of all tracks."""
    limit = limits(thresholds)
    over_db = stack.get("programme_over_hiss_db")
    if not stack.get("tracks"):
        return _verdict([Finding(WAITING, "No hiss to stack yet.", None)])
    if over_db is None:
        return _verdict([Finding(READY, "No hiss was found.", None)])
    text = f"The programme lies {over_db:.0f} dB over the stacked hiss of {stack['tracks']} tracks"
    step = _stack_step(stack)
    if over_db < limit["programme_over_stack_poor_db"]:
        return _verdict([Finding(AGAIN, text + ": poor.", step)])
    if over_db < limit["programme_over_stack_ok_db"]:
        return _verdict([Finding(LOOK, text + ": fair.", step)])
    return _verdict([Finding(READY, text + ".", None)])


# How the stack's word reads: it is no single track that gets recorded again.
STACK_WORDS = {READY: "clear", LOOK: "fair", AGAIN: "poor", WAITING: "waiting"}


def _stack_step(stack):
    saved_db = (stack.get("with_muting") or {}).get("saved_db") or 0.0
    steps = [step for step in stack.get("helps") or [] if step["gain_db"] is not None and step["gain_db"] >= 0.5]
    if saved_db >= 1.0 and all(step["gain_db"] <= saved_db for step in steps):
        text = f"Mute the returns where their stems are silent: it saves {saved_db:.1f} dB on average."
        return text + (f" Of single steps: {_help(steps[0])}" if steps else "")
    return _sentence(_help(steps[0])) if steps else "Send everything hotter, or leave a track out."


def _help(step):
    words = {
        "record again hotter": f"record {step['track']} again, {step['by_db'] or 0:.0f} dB hotter",
        "mute": f"mute {step['track']} where its stem is silent",
        "lower in the mix": f"take {step['track']} down by {step['by_db'] or 0:.0f} dB in the mix",
    }
    return f"{words[step['what']]}: the stack's hiss falls by {step['gain_db']:.1f} dB."


_EVENING = {
    # what, unit, decimals, threshold, (step where it falls, step where it rises); common practice, no source
    "speed": (
        "speed",
        "%",
        2,
        "evening_speed_percent",
        ("Look to batteries or supply, and let the machine run warm before the first take.",) * 2,
    ),
    "hiss": (
        "hiss",
        "dB",
        1,
        "evening_hiss_db",
        ("Nothing to do but to know it.", "Clean the head, and look to what else is powered beside the machine."),
    ),
    "highs": (
        "highs",
        "dB",
        1,
        "highs_fade_db",
        ("Clean head, capstan and pinch roller, and record the last takes again.", "Nothing to do but to know it."),
    ),
}


def evening_findings(summary, *, thresholds=None):
    """What changed from the first take of the evening to the last by more than is allowed and than its error says: Findings."""
    limit, found = limits(thresholds), []
    for key, (name, unit, places, threshold, steps) in _EVENING.items():
        change, sigma = summary[key]["change"], summary[key]["sigma"]
        if change is None or abs(change) < max(limit[threshold], 1.96 * sigma):
            continue
        verb = "fell" if change < 0 else "rose"
        text = (
            f"From the first take of the evening to the last the {name} {verb} by {abs(change):.{places}f} {unit}"
            f" (± {1.96 * sigma:.{places}f})."
        )
        found.append(Finding(LOOK, text, steps[change > 0]))
    return found


class Readiness(NamedTuple):
    """ready (bool), headline, why (sentence), next_steps (at most three dicts: subject, anchor, sentence, step)."""

    ready: bool
    headline: str
    why: str
    next_steps: tuple


def readiness(tracks, pairs, stack, *, simulated):
    """Whether the song is ready to mix.

    tracks: {track: Verdict}; pairs: {pair: Verdict}; stack: Verdict; simulated: names of the tracks whose return is simulated.
    """
    subjects = [(name, anchor("track", name), verdict) for name, verdict in tracks.items()]
    subjects += [
        (f"pair {name}", anchor("pair", name), verdict)
        for name, verdict in pairs.items()
        if verdict.word not in (WAITING, REJECTED)
    ]
    subjects.append(("hiss stack", "stack", stack))
    stopping = [subject for subject in subjects if _SEVERITY[subject[2].word] >= 2 and subject[0] != "hiss stack"]
    watching = [
        subject for subject in subjects if subject[2].word == LOOK or (subject[0] == "hiss stack" and subject[2].word == AGAIN)
    ]
    ready = bool(tracks) and not stopping
    # What drowns the whole song comes before what touches one track.
    watching.sort(key=lambda subject: -_SEVERITY[subject[2].word])
    ordered = sorted(stopping, key=lambda subject: -_SEVERITY[subject[2].word]) + watching
    steps = [_step(*subject) for subject in ordered if subject[2].findings][:3]
    return Readiness(
        ready and not simulated, _headline(ready, simulated, tracks), _why(tracks, stopping, stack, simulated), tuple(steps)
    )


def _headline(ready, simulated, tracks):
    if simulated and len(simulated) == len(tracks):
        return "Forecast: this song would be ready to mix" if ready else "Forecast: this song would not be ready to mix"
    if simulated:
        return "Not ready to mix: some returns are only simulated"
    return "Ready to mix" if ready else "Not ready to mix"


def _why(tracks, stopping, stack, simulated):
    counts = {word: sum(verdict.word == word for verdict in tracks.values()) for word in (READY, LOOK, AGAIN, WAITING, REJECTED)}
    parts = [
        f"{count} {'to look at' if word == LOOK else f'to {word}' if word == AGAIN else word}"
        for word, count in counts.items()
        if count
    ]
    text = (
        f"Of {len(tracks)} track{'s' if len(tracks) != 1 else ''}: {', '.join(parts)}."
        if tracks
        else "The session has no tracks."
    )
    pairs_stop = [name for name, _, _ in stopping if name.startswith("pair ")]
    if pairs_stop:
        text += f" Not adding up: {', '.join(name.removeprefix('pair ') for name in pairs_stop)}."
    if stack.word in (LOOK, AGAIN):
        text += f" {stack.findings[0].sentence}"
    if simulated:
        several = "The returns of {} are" if len(simulated) > 1 else "The return of {} is"
        what = "Every return is" if len(simulated) == len(tracks) else several.format(", ".join(simulated))
        text += f" {what} simulated: no tape was heard."
    return text


def _step(name, anchor, verdict):
    return {
        "subject": name,
        "anchor": anchor,
        "word": verdict.word,
        "sentence": verdict.findings[0].sentence,
        "step": verdict.next_step or "",
    }


# ------------------------------------------------------------------------------------------------------------------- wire

# What a wire may do at most: two clocks of one interface are one clock; converters are flat and straight.
_WIRE = {"speed_percent": 0.02, "timing_us": 2.0, "uneven_db": 0.5}


def wire_findings(values, band_hz):
    """What the calibration through a wire shows that a wire does not do, as sentences; none where all is well.

    values: of `planning.measured_recorder.measure_recorder`; band_hz: within which it has to be flat.
    """
    out = []
    if abs(values["speed_percent"]) > _WIRE["speed_percent"]:
        out.append(f"Output and input run at different speeds, by {values['speed_percent']:+.3f} %: use one clock for both.")
    if values["peak_timing_error_us"] - 2.0 * values["peak_timing_error_sigma_us"] > _WIRE["timing_us"]:
        out.append(f"Time wanders by {_us(values['peak_timing_error_us'])}: samples are dropped, or this is no wire.")
    inside = [row["level_db"] for row in values["response"] if band_hz[0] <= row["freq_hz"] <= band_hz[1]]
    if inside and max(inside) - min(inside) > 2 * _WIRE["uneven_db"]:
        out.append(f"The response is uneven by {max(inside) - min(inside):.1f} dB within the band: an equaliser is on.")
    if values["level_control"]["found"]:
        out.append("The level rides: an automatic gain or a compressor is on in the interface or its program.")
    if values["full"] is not None:
        out.append(f"It overloads from {values['full']['send_db']:.0f} dBFS on: turn the input's gain down.")
    return out


# --------------------------------------------------------------------------------------------------------------- forecast


def odds(over_hiss_db, *, thresholds=None):
    """How often a band is kept, marginal and lost over the draws of its distance over the hiss: shares of 1 by word."""
    words = [kept(value, thresholds=thresholds) for value in over_hiss_db]
    return {word: words.count(word) / len(words) for word in ("kept", "marginal", "lost")}


def expected_word(role_bands, *, thresholds=None):
    """(word, its share of the draws) that a track may expect: ready where none of its most important bands is lost.

    role_bands: of a forecast. Without any important band nothing can be expected: (None, None).
    """
    important = [band["over_hiss_db"] for band in role_bands if band["importance"] >= 3]
    if not important:
        return None, None
    ready = [all(kept(value, thresholds=thresholds) != "lost" for value in draw) for draw in zip(*important, strict=True)]
    share = sum(ready) / len(ready)
    return (READY, share) if share >= 0.5 else (AGAIN, 1.0 - share)


# ------------------------------------------------------------------------------------------------------------ send levels


def level_choice(proposal, needed_percent, *, thresholds=None):
    """What a proposed send level leaves to choose, as sentences; none where it simply fits.

    proposal: of `planning.send_levels.propose`; needed_percent: third harmonic of the loudest moments at the level that would
    lift the softest ones clear of the hiss, None where full level is not known.
    """
    clear_db = limits(thresholds)["signal_over_hiss_kept_db"]
    out, short_db = [], clear_db - proposal["soft_over_hiss_db"]
    if proposal["limit"] == "output":
        out.append(_more_output(proposal))
    elif proposal["limit"] == "level control" and proposal["wanted_db"] is not None:
        over_db = proposal["wanted_db"] - proposal["proposed_db"]
        if over_db > 1.0:
            out.append(f"Hotter, up to {over_db:.0f} dB, the level control rides the music; the tape has that much room.")
    if short_db > 0:
        hotter = f"{short_db:.0f} dB hotter they would stand clear"
        if needed_percent is not None:
            hotter += f", with {needed_percent:.0f} % third harmonic in the loudest"
        out.append(
            f"Its softest moments come to {_signed(proposal['soft_over_hiss_db'])} dB over the hiss: {hotter}. Choose: send it"
            " hotter, lift the soft passages in the stem before it is sent, or mute between phrases and let them go."
        )
    return out


def trial_words(values, *, thresholds=None):
    """What an aligned trial says, as sentences; values: of its JSON."""
    proposed_db, ride, out = values["proposed_db"], values["level_control"], []
    if values["limit"] == "level control":
        ridden = f"A level control rides it, over {ride['range_db']:.0f} dB"
        out.append(f"{ridden}; below the level proposed it leaves the music alone.")
    elif values["limit"] == "room":
        out.append("No overload was seen at the hottest level: at least this much goes.")
    elif values["limit"] == "distortion":
        out.append(f"At the hottest level its peaks lie {_signed(values['over_db'])} dB over full.")
    else:
        out.append("Too little of it came back to say a level: send it hotter, or with less pad.")
    if proposed_db is not None and proposed_db > 0:
        out.append(f"The output gives no more than 0 dBFS: {proposed_db:.0f} dB less pad would use all of the tape.")
    soft_db = values["soft_over_hiss_db"]
    if soft_db is not None and proposed_db is not None:
        at_level_db = soft_db + min(proposed_db, 0.0) - values["levels"][-1]["send_db"]
        if at_level_db < limits(thresholds)["signal_over_hiss_kept_db"]:
            out.append(f"Its soft passage then lies {_signed(at_level_db)} dB over the hiss: lift it in the stem, or let it go.")
    return out


def _more_output(proposal):
    if proposal["wanted_db"] is None:
        return "The output gives no more; less pad would use more of the tape."
    missing_db = proposal["wanted_db"] - proposal["proposed_db"]
    if missing_db <= 1.0:
        return "It just reaches the limit with the output at full scale."
    return f"The output gives no more: {missing_db:.0f} dB less pad would use all of the tape."


# ------------------------------------------------------------------------------------------------------------- reference

AHEAD, LEVEL, BEHIND = "ahead", "level", "behind"


class Respect(NamedTuple):
    """One respect in which the returned mix is held against its reference: what, the word, and the numbers in words."""

    what: str
    word: str
    numbers: str


def reference_respects(reference, *, thresholds=None):
    """The Respects of reference.json's values (with its `timing`), those that were measured."""
    limit = limits(thresholds)
    ours, theirs = (reference["mixes"][name] for name in ("returned", "narrow-band"))
    found = [
        _bandwidth(ours, theirs),
        _balance(reference, limit),
        _hiss(reference, limit),
        _likeness(ours, theirs),
        _dynamics(ours, theirs, limit),
        _together(reference["timing"], limit),
    ]
    return [one for one in found if one]


def _by(difference, limit):
    return LEVEL if abs(difference) <= limit else AHEAD if difference > 0 else BEHIND


def _bandwidth(ours, theirs):
    ends = [one[f"band_{end}_hz"] for one in (ours, theirs) for end in ("low", "high")]
    if None in ends:
        return None
    octaves = math.log2(ends[1] / ends[0]) - math.log2(ends[3] / ends[2])
    numbers = f"{_hz(ends[0])} to {_hz(ends[1])} against {_hz(ends[2])} to {_hz(ends[3])}"
    return Respect("bandwidth", _by(octaves, 0.25), numbers)


def _balance(reference, limit):
    rms_db = reference["spectrum_rms_db"]
    if rms_db is None:
        return None
    furthest = f"furthest {_signed(reference['furthest_db'])} dB at {_hz(reference['furthest_hz'])}"
    word = LEVEL if rms_db <= limit["balance_ok_db"] else BEHIND
    return Respect("balance within the band", word, f"{rms_db:.1f} dB rms apart, {furthest}")


def _hiss(reference, limit):
    over_db, theirs_db = reference["programme_over_hiss_db"], reference["reference_over_hiss_db"]
    if over_db is None:
        return None
    if theirs_db is not None:
        numbers = f"the programme lies {over_db:.0f} dB over it, the reference's {theirs_db:.0f} dB, as is usual for the medium"
        return Respect("hiss", _by(over_db - theirs_db, 1.0), numbers)
    word = LEVEL if over_db >= limit["programme_over_stack_ok_db"] else BEHIND
    return Respect("hiss", word, f"the programme lies {over_db:.0f} dB over it; the reference has none")


def _likeness(ours, theirs):
    one, other = ours["correlation_with_source"], theirs["correlation_with_source"]
    if one is None or other is None:
        return None
    return Respect("likeness to the stems' mix", _by(one - other, 0.03), f"correlation {one:.2f} against {other:.2f}")


def _dynamics(ours, theirs, limit):
    one, other = ours["loudness_range_lu"], theirs["loudness_range_lu"]
    if one is None or other is None:
        return None
    word = LEVEL if abs(one - other) <= limit["loudness_range_ok_lu"] else BEHIND
    return Respect("dynamics", word, f"loudness range {one:.1f} LU against {other:.1f}")


def _together(timing, limit):
    median_us = timing["median_us"]
    if median_us is None:
        return None
    word = LEVEL if median_us <= limit["residual_ok_us"] else BEHIND
    return Respect("timing between tracks", word, f"{_us(median_us)} rms, with two clicks {_us(timing['clicks_median_us'])}")


def reference_answer(reference, stack, *, thresholds=None):
    """The plain answer: where the returned mix is ahead of the narrow-band reference, where behind, and what would gain most.

    reference: the values of reference.json with tracks, left_out and timing; stack: of stack.json.
    """
    tracks = len(reference["tracks"])
    if not tracks:
        return "No track has a usable return yet: all four mixes are silent."
    respects = reference_respects(reference, thresholds=thresholds)
    text = f"{tracks} track{'s' if tracks > 1 else ''} returned."
    for word, phrase in ((AHEAD, "Ahead of the narrow-band reference in"), (LEVEL, "Level with it in"), (BEHIND, "Behind in")):
        named = [f"{one.what} ({one.numbers})" for one in respects if one.word == word]
        if named:
            text += f" {phrase} {', '.join(named)}."
    if reference["programme_over_hiss_db"] is None:
        text += " No hiss could be measured."
    step = _gains_most(reference, stack, limits(thresholds))
    text += f" Most would be gained this way: {step}." if step else ""
    if reference["left_out"]:
        text += f" Left out of all four mixes: {', '.join(one['track'] for one in reference['left_out'])}."
    return text


def _gains_most(reference, stack, limit):
    """The single action that would bring the returned mix furthest, by decibels of hiss or of balance; None where nothing brings
    half a decibel.
    """
    over_db, uneven_db, steps = reference["programme_over_hiss_db"], reference["spectrum_rms_db"], []
    if over_db is not None and over_db < limit["programme_over_stack_ok_db"]:
        saved_db = (stack.get("with_muting") or {}).get("saved_db") or 0.0
        steps.append((saved_db, f"mute the returns where their stems are silent: the hiss falls by {saved_db:.1f} dB on average"))
        steps += [(step["gain_db"] or 0.0, _help(step).rstrip(".")) for step in stack.get("helps") or []]
    if uneven_db is not None and uneven_db > limit["balance_ok_db"]:
        steps.append((uneven_db, f"restore the returns towards their stems, which evens out up to {uneven_db:.1f} dB"))
    gain_db, step = max(steps, key=lambda one: one[0], default=(0.0, None))
    return step if gain_db >= 0.5 else None


# -------------------------------------------------------------------------------------------------------------- terminal


def terminal_line(track, take, alignment, condition, *, thresholds=None):
    """One line for a new take: aligned or not, speed, distance over hiss, flags, what to do."""
    name = f"{track}/{take}{' (simulated)' if alignment.get('simulated') else ''}"
    verdict = track_verdict(track, alignment, condition, thresholds=thresholds)
    if alignment["state"] != "aligned":
        return f"{name}: rejected - {verdict.findings[0].sentence} {verdict.next_step}"
    parts = [f"aligned ({alignment.get('method')})"]
    if alignment.get("speed_percent") is not None:
        parts.append(f"speed {alignment['speed_percent']:+.2f} %")
    over_db = (condition or {}).get("signal_over_hiss_db")
    parts.append("hiss not measured" if over_db is None else f"{over_db:.0f} dB over hiss")
    if alignment.get("flags"):
        parts.append("flags: " + ", ".join(alignment["flags"]))
    line = f"{name}: {', '.join(parts)} - {verdict.word}"
    return line + (f": {verdict.next_step}" if verdict.next_step else "")


def _hz(value):
    return f"{value / 1000:.1f} kHz" if value >= 1000 else f"{value:.0f} Hz"


def _signed(value):
    return f"{value:+.1f}".replace("-", "\N{MINUS SIGN}") if abs(value) >= 0.05 else "0.0"


def _us(value):
    return f"{value / 1000:.1f} ms" if value >= 1000 else f"{value:.0f} µs" if value >= 10 else f"{value:.1f} µs"
