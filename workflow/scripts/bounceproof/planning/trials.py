"""A trial: 25 s of a stem that say how hot to send it on this very machine, with a level control or without.

The loudest passage in the medium's band at four levels 6 dB apart, rising, then a soft passage at the gain of the loudest.
Conventions: one channel; a passage is a plain dict {kind ("loud" or "soft"), first_sample, samples, send_db}; send_db is what
column send_db of tracks.tsv would have to say for the whole stem to be sent with that passage's gain.
"""

import itertools

import numpy as np

from bounceproof.condition.measure import measure_condition
from bounceproof.filters import bandpass_response, filtered
from bounceproof.planning.level_law import level_for_third_db
from bounceproof.quantities import amplitude_from_db, peak_dbfs, power_db

PASSAGE_S, GAP_S = 4.5, 0.5
BELOW_DB = (18.0, 12.0, 6.0, 0.0)
_STEP_S, _FADE_S = 0.1, 0.03
# A soft passage still plays: its power in the band is within so much of the loudest passage's.
_SOFT_WITHIN_DB = 30.0
_PEAK_DB = -0.1
_KNEE_DB = 1.0
_FRAME_S, _LOUD_PERCENT = 0.02, 10.0


def make_trial(stem, rate_hz, band_hz):
    """(samples float64 of 25 s, passages) of a stem (one channel); None for a silent stem or one under 5 s."""
    size = round(PASSAGE_S * rate_hz)
    if stem.size < size + 1 or not np.any(stem):
        return None
    loud, soft = _places(stem, rate_hz, band_hz, size)
    gain_db = _PEAK_DB - peak_dbfs(stem[loud : loud + size])
    samples = np.zeros(len(BELOW_DB) * (size + round(GAP_S * rate_hz)) + size)
    passages, at = [], 0
    for kind, place, below_db in [*(("loud", loud, below_db) for below_db in BELOW_DB), ("soft", soft, 0.0)]:
        piece = _faded(stem[place : place + size], rate_hz) * float(amplitude_from_db(gain_db - below_db))
        samples[at : at + size] = np.clip(piece, -1.0, 1.0)
        send_db = peak_dbfs(stem) + gain_db - below_db
        passages.append({"kind": kind, "first_sample": at, "samples": size, "send_db": send_db, "stem_s": place / rate_hz})
        at += size + round(GAP_S * rate_hz)
    return samples, passages


def _places(stem, rate_hz, band_hz, size):
    """First samples of the loudest passage in the band, and of the softest one that plays."""
    energy = np.concatenate(([0.0], np.cumsum(np.square(_in_band(stem, rate_hz, band_hz)))))
    starts = np.arange(0, stem.size - size + 1, max(1, round(_STEP_S * rate_hz)))
    power = (energy[starts + size] - energy[starts]) / size
    loudest = int(np.argmax(power))
    plays = power > power[loudest] * 10 ** (-_SOFT_WITHIN_DB / 10)
    softest = int(np.flatnonzero(plays)[np.argmin(power[plays])])
    return int(starts[loudest]), int(starts[softest])


def _faded(piece, rate_hz):
    piece = np.array(piece, dtype=float)
    ramp = np.sin(0.5 * np.pi * np.arange(round(_FADE_S * rate_hz)) / round(_FADE_S * rate_hz)) ** 2
    piece[: ramp.size] *= ramp
    piece[-ramp.size :] *= ramp[::-1]
    return piece


def measure_trial(
    sent, aligned, capture, capture_rate_hz, alignment, passages, *, rate_hz, band_hz, transfer, distortion_percent
):
    """What a trial's return says, as plain values.

    sent: the trial as make_trial has it; aligned: the return on its time; capture, alignment: as for measure_condition. levels: a
    row a loud passage with its gain against the softest of them (what is missing, overload or a level control took) and its
    distance over the hiss; soft_over_hiss_db: at the hottest gain; over_db: how far the hottest passage's peaks lie over 3 %
    third harmonic, or room_at_least_db; level_control: its ride; proposed_db and limit: the send level for the distortion chosen
    ("distortion"), where a level control begins to ride ("level control"), or at least so high ("room").
    """
    condition, _ = measure_condition(
        sent, aligned, capture, capture_rate_hz, alignment, rate_hz=rate_hz, band_hz=band_hz, transfer=transfer
    )
    hiss_dbfs = (condition["hiss"] or {}).get("flat_dbfs")
    heard = [_in_band(samples, rate_hz, band_hz) for samples in (sent, aligned)]
    rows = [_row(one, *heard, rate_hz, hiss_dbfs) for one in passages]
    loud = [row for row in rows if row["kind"] == "loud"]
    known = [row["gain_db"] for row in loud if row["gain_db"] is not None]
    for row in loud:
        row["missing_db"] = None if row["gain_db"] is None else known[0] - row["gain_db"]
    overload = condition["overload"] or {}
    over_db = overload.get("over_db")
    return {
        **_proposal(loud, overload, condition["level_ride"], distortion_percent),
        "levels": loud,
        "soft_over_hiss_db": rows[-1]["over_hiss_db"],
        "over_db": over_db,
        "over_sigma_db": overload.get("sigma_db") if over_db is not None else None,
        "room_at_least_db": overload.get("room_at_least_db"),
        "level_control": condition["level_ride"],
        "hiss_dbfs": hiss_dbfs,
    }


def _proposal(loud, overload, ride, distortion_percent):
    """proposed_db and limit; None each where the trial says nothing."""
    top_db, beyond_db = loud[-1]["send_db"], level_for_third_db(distortion_percent / 100.0)
    if ride is not None and ride["found"]:
        return {"proposed_db": _knee_db(loud), "limit": "level control"}
    if overload.get("over_db") is not None:
        return {"proposed_db": top_db - overload["over_db"] + beyond_db, "limit": "distortion"}
    if overload.get("room_at_least_db") is not None:
        return {"proposed_db": top_db + overload["room_at_least_db"] + beyond_db, "limit": "room"}
    return {"proposed_db": None, "limit": None}


def _knee_db(loud):
    """Where 1 dB is missing, straight between levels; the lowest level where the control is at work from there on already."""
    known = [(row["send_db"], row["missing_db"]) for row in loud if row["missing_db"] is not None]
    if len(known) > 1 and known[1][1] > 0.5 * (known[1][0] - known[0][0]):
        return known[0][0]
    for (low_db, before), (high_db, after) in itertools.pairwise(known):
        if after >= _KNEE_DB:
            return low_db + (high_db - low_db) * (_KNEE_DB - before) / (after - before)
    return known[-1][0] if known else loud[0]["send_db"]


def _row(passage, sent, aligned, rate_hz, hiss_dbfs):
    """A passage's gain in its loudest frames (hiss taken off), where a level control shows first, and its distance over the hiss;
    None each where hiss hides it. sent, aligned: within the band.
    """
    part = slice(passage["first_sample"], passage["first_sample"] + passage["samples"])
    sent_power, came_power = (_frame_powers(samples[part], rate_hz) for samples in (sent, aligned))
    loud = sent_power >= np.percentile(sent_power, 100 - _LOUD_PERCENT)
    hiss = 0.0 if hiss_dbfs is None else 10 ** (hiss_dbfs / 10)
    clear, whole = came_power[loud].mean() - hiss, came_power.mean() - hiss
    return {
        "kind": passage["kind"],
        "send_db": passage["send_db"],
        "gain_db": float(power_db(clear / sent_power[loud].mean())) if clear > 0.5 * hiss else None,
        "over_hiss_db": float(power_db(max(whole, 1e-30) / hiss)) if hiss else None,
    }


def _frame_powers(samples, rate_hz):
    size = round(_FRAME_S * rate_hz)
    return np.mean(np.square(samples[: samples.size // size * size].reshape(-1, size)), axis=1)


def _in_band(samples, rate_hz, band_hz):
    return filtered(samples, lambda freq_hz: bandpass_response(freq_hz, rate_hz, *band_hz, order=2), rate_hz)
