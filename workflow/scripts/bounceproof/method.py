"""A paragraph on the method, with a session's own numbers, to paste into a write-up.

Conventions: English; only numbers of a record; what is simulated is said first.
"""

import statistics

from bounceproof.report.words import counted


def paragraph(record):
    """Text of one paragraph (and a sentence of caution in front where returns are simulated) from a value of record.json."""
    tracks = record["numbers"]["tracks"]
    there = {name: one for name, one in tracks.items() if one["state"] == "aligned"}
    session, medium = record["session"], record["session"]["medium"]
    sentences = [_simulated(tracks), _sent(session, medium), _aligned(there, session), _timing(record, there)]
    sentences += [_kept(there, session), _pairs(record["numbers"]["pairs"]), _stack(record, medium), _versions(record)]
    return " ".join(sentence for sentence in sentences if sentence) + "\n"


def _simulated(tracks):
    simulated = [name for name, one in tracks.items() if one["simulated"]]
    if not simulated:
        return None
    which = "All returns" if len(simulated) == len(tracks) else f"The returns of {', '.join(simulated)}"
    return f"{which} were simulated: the numbers are a forecast, no tape was heard."


def _sent(session, medium):
    rate, seconds = session["sample_rate_hz"], session["song_samples"] / session["sample_rate_hz"]
    band = f"{medium['band_low_hz']:g} to {medium['band_high_hz']:g} Hz"
    return (
        f"{counted(len(session['tracks']), 'track')} of {seconds:.0f} s at {rate / 1000:g} kHz were sent one at a time to a"
        f" recorder ({medium['label']}; nominal band {band}), each between two swept clicks whose peak lay"
        f" {session['transfer']['click_below_peak_db']:g} dB below the stem's own in that band, and captured again."
    )


def _aligned(there, session):
    if not there:
        return "No return was aligned."
    if session["alignment"]["method"] == "clicks":
        return f"The returns ({len(there)}) were laid on their stems' time by the straight line through their two clicks."
    speed = _values(there, "speed_percent")
    return (
        f"The clicks gave mean speed (from {min(speed):+.2f} to {max(speed):+.2f} %), polarity and place; between them the stem"
        " was followed through its return by whole-signal least squares in octave bands, weighted by the return's own noise and"
        " smoothed by a Kalman smoother whose speed process was learned from the return; each return was then read once through"
        " the time map found, and no sample of a stem enters a mix-ready file."
    )


def _timing(record, there):
    clicks, left = _values(there, "clicks_only_rms_us"), _values(there, "residual_rms_us")
    parts = []
    if clicks:
        parts.append(f"two clicks alone would have left {_us(statistics.median(clicks))} rms (median over tracks)")
    if left:
        parts.append(
            f"following left {_us(statistics.median(left))} (largest {_us(max(left))}), measured on bands left out in turn"
        )
    between = ((record["numbers"]["mixes"].get("timing") or {}).get("between_tracks_us") or {}).get("value")
    if between is not None:
        parts.append(f"between any two tracks the median is {_us(between)} rms")
    flutter = _values(there, "weighted_flutter_percent")
    if flutter:
        parts.append(f"weighted peak flutter (AES6-2008) was {min(flutter):.2f} to {max(flutter):.2f} %")
    return f"Timing: {'; '.join(parts)}." if parts else None


def _kept(there, session):
    over = _values(there, "signal_over_hiss_db")
    if not over:
        return None
    limit = session["thresholds"]["signal_over_hiss_kept_db"]
    return (
        f"Within the nominal band the signal stood {min(over):.0f} to {max(over):.0f} dB over the hiss (median"
        f" {statistics.median(over):.0f} dB), by third-octaves (IEC 61260-1); a band counts as kept from {limit:g} dB on."
    )


def _pairs(pairs):
    found = [(name, one["adds_up_to_hz"]["value"]) for name, one in pairs.items() if one["adds_up_to_hz"]["value"] is not None]
    if not found:
        return None
    return "Pairs added up like their stems " + ", ".join(f"to {hz / 1000:.1f} kHz ({name})" for name, hz in found) + "."


def _stack(record, medium):
    hiss = record["numbers"]["hiss of the stack"].get("all tracks") or {}
    flat, over = ((hiss.get(key) or {}).get("value") for key in ("flat_dbfs", "programme_over_hiss_db"))
    if flat is None:
        return None
    beside = f", {over:.0f} dB under the programme" if over is not None else ""
    return f"The hiss of all tracks adds up to {flat:.1f} dBFS rms within that band{beside}."


def _versions(record):
    versions = record["versions"]
    names = ("numpy", "scipy", "soxr", "soundfile")
    return (
        f"Everything was computed with Bounceproof under Python {versions['python']} ("
        + ", ".join(f"{name} {versions[name]}" for name in names if versions.get(name))
        + f"), seed {record['seed']}; settings and the SHA-256 of every file read and made are in the record (record.json)."
    )


def _values(tracks, key):
    return [one[key]["value"] for one in tracks.values() if one[key]["value"] is not None]


def _us(value_us):
    return f"{value_us / 1000:.1f} ms" if value_us >= 1000 else f"{value_us:.3g} us"
