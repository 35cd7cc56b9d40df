"""The stack: how the hiss of all tracks adds up at the mix's gains.

Conventions: hiss of separate passes is incoherent, so powers add. A track's gain is level_db + mix_db; pan spreads its power
over left and right without changing their sum (sine and cosine law), so every total here is the power of left plus right. Levels
are rms in dBFS. Hum is not in these figures: it can add in amplitude, so that its best and worst case are told apart. The hiss
of a track is that under its music, wherever it was measured: the silences mislead where hiss rises with the signal or a level
control opens up in rests.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.files import number_in
from bounceproof.mix import pan_gains, why_silent
from bounceproof.muting import gate
from bounceproof.quantities import (
    amplitude_db,
    amplitude_from_db,
    power_db,
    power_from_db,
    power_weights,
    third_octave_bands,
)

MEASURES = ("flat", "a_weighted", "bs468_rms")
FRAME_S = 0.05


class Layer(NamedTuple):
    """One track's hiss: gain_db = level_db + mix_db; levels_dbfs: dict of MEASURES at the capture's level, sigmas_db: their sd
    where known; band_dbfs: dict nominal_hz -> dBFS.

    by: "music" where the hiss was taken under music, else "silence"; hum: (frequency_hz, dBFS at the capture's
    level) of each line; quasi_peak_over_rms_db: of the silences' hiss by BS.468-4; playing_s: spans in which its stem plays;
    signal_dbfs: the return's level over the whole song within the band, hiss taken off.
    """

    track: str
    take: str
    simulated: bool
    gain_db: float
    pan: float
    levels_dbfs: dict
    band_dbfs: dict
    playing_s: list
    signal_dbfs: float | None
    by: str = "silence"
    hum: tuple = ()
    quasi_peak_over_rms_db: float | None = None
    silence_flat_dbfs: float | None = None
    room_db: float | None = None
    signal_by_second_dbfs: tuple = ()
    sigmas_db: dict | None = None


def layer(track, alignment, condition, band_rows, *, ready=None, band_hz=None):
    """(Layer, None), or (None, reason) where a track has no hiss to stack.

    track: dict with track, take, mix_db, pan; band_rows: rows of bands.tsv as read (text); ready: mix/TRACK.ready.json where the
    mix-ready file was equalised or its level ride taken back, then with band_hz, the medium's (low, high).
    """
    silent = why_silent(alignment)
    if silent:
        return None, silent
    hiss = condition.get("hiss")
    if hiss is None:
        return None, "no stretch to measure its hiss in"
    under = condition.get("hiss_under_music")
    levels = {measure: _level((under or hiss)[f"{measure}_dbfs"]) for measure in MEASURES}
    rise_db = (under or {}).get("rise_db") or 0.0
    found = Layer(
        track["track"],
        track["take"],
        bool(alignment.get("simulated")),
        alignment["level_db"] + track["mix_db"],
        track["pan"],
        levels,
        {float(row["nominal_hz"]): _band_level(row, rise_db) for row in band_rows},
        condition.get("playing_s") or [],
        _signal_dbfs(condition["level"]["return_whole_song_dbfs"], hiss["flat_dbfs"]),
        "music" if under else "silence",
        tuple((line["frequency_hz"], line["level_dbfs"]) for line in condition.get("hum") or []),
        _difference(hiss.get("bs468_quasi_peak_dbfs"), hiss["bs468_rms_dbfs"]),
        hiss["flat_dbfs"],
        _room_db(condition.get("overload") or {}),
        tuple((condition.get("level_history") or {}).get("signal_dbfs") or ()),
        {measure: (under or hiss).get(f"{measure}_sigma_db") for measure in MEASURES},
    )
    if ready and ready.get("equaliser"):
        found = _equalised(found, ready["equaliser"], band_rows, band_hz)
    if ready and ready.get("level_riding_undone"):
        found = _levelled(found, ready["level_riding_undone"])
    return found, None


def _equalised(one, curve, band_rows, band_hz):
    """A Layer whose return went through an equaliser: its rows as `restoring` gives them."""
    gains_db = {float(row["nominal_hz"]): row["noise_gain_db"] for row in curve}
    weights = _weights(one.band_dbfs, band_hz)

    def lifted(band_dbfs):
        return {nominal: level + gains_db.get(nominal, 0.0) for nominal, level in band_dbfs.items()}

    def change_db(band_dbfs, measure="flat"):
        return _change_db(band_dbfs, lifted(band_dbfs), weights[measure])

    silent = {float(row["nominal_hz"]): _level(row["hiss_dbfs"]) for row in band_rows}
    signal = {float(row["nominal_hz"]): _level(_signal_dbfs(row["return_dbfs"], row["hiss_dbfs"])) for row in band_rows}
    return one._replace(
        levels_dbfs={measure: level + change_db(one.band_dbfs, measure) for measure, level in one.levels_dbfs.items()},
        band_dbfs=lifted(one.band_dbfs),
        hum=tuple((hz, level + _nearest(gains_db, hz)) for hz, level in one.hum),
        **_shifted(one, change_db(silent), change_db(signal)),
    )


def _levelled(one, undone):
    """A Layer whose level ride was taken back: noise rises and falls with the gain, the sound's mean level stays."""
    by_db = undone["noise_playing_db"] or 0.0
    return one._replace(
        levels_dbfs={name: level + by_db for name, level in one.levels_dbfs.items()},
        band_dbfs={nominal: level + by_db for nominal, level in one.band_dbfs.items()},
        **_shifted(one, by_db if undone["noise_resting_db"] is None else undone["noise_resting_db"], 0.0),
    )


def _shifted(one, rest_db, signal_db):
    """The fields of a Layer that hiss at rest and sound move."""
    return {
        "silence_flat_dbfs": one.silence_flat_dbfs + rest_db,
        "signal_dbfs": None if one.signal_dbfs is None else one.signal_dbfs + signal_db,
        "signal_by_second_dbfs": tuple(None if level is None else level + signal_db for level in one.signal_by_second_dbfs),
    }


def _weights(band_dbfs, band_hz):
    """{measure: {nominal_hz: power weight}} of the bands that a Layer tells."""
    bands = [band for band in third_octave_bands(20.0, 20000.0) if band.nominal_hz in band_dbfs]
    nominal = [band.nominal_hz for band in bands]
    return {name: dict(zip(nominal, weight, strict=True)) for name, weight in power_weights(bands, band_hz).items()}


def _change_db(before_dbfs, after_dbfs, weights):
    """By how much the weighted sum over bands moves."""
    before, after = (sum(weights.get(k, 0.0) * power_from_db(v) for k, v in part.items()) for part in (before_dbfs, after_dbfs))
    return float(power_db(after / before)) if before > 0 and after > 0 else 0.0


def _nearest(gains_db, frequency_hz):
    return gains_db[min(gains_db, key=lambda hz: abs(np.log(hz / frequency_hz)))]


def _room_db(overload):
    """How much hotter the take could have been sent: up to the level where tape counts as full."""
    over_db = overload.get("over_db")
    return overload.get("room_at_least_db") if over_db is None else max(0.0, -over_db)


def _band_level(row, rise_db):
    """Hiss under music of a row of bands.tsv; where it was not measured, the silences' moved by what it rose by as a whole."""
    under = number_in(row.get("hiss_under_music_dbfs"))
    return _level(row["hiss_dbfs"]) + rise_db if under is None else under


def _level(value):
    level = number_in(value)
    return -np.inf if level is None else level


def _signal_dbfs(return_dbfs, hiss_dbfs):
    power = power_from_db(_level(return_dbfs)) - power_from_db(_level(hiss_dbfs))
    return float(power_db(power)) if power > 0 else None


def stacked(layers, *, song_s):
    """The stack of Layers: dict for stack.json without its heading; see `rows` for its table."""
    order = sorted(layers, key=lambda one: (-_power(one, "flat"), one.track))
    total = {measure: _dbfs(sum(_power(one, measure) for one in layers)) for measure in MEASURES}
    sigmas = {f"{measure}_sigma_db": _sigma_db(layers, measure) for measure in MEASURES}
    sides = {
        side: _dbfs(sum(_power(one, "flat") * pan_gains(one.pan)[i] ** 2 for one in layers))
        for i, side in enumerate(("left", "right"))
    }
    muting = with_muting(layers, song_s=song_s)
    programme = sum(power_from_db(one.signal_dbfs + one.gain_db) for one in layers if one.signal_dbfs is not None)
    return {
        "tracks": len(layers),
        "simulated": any(one.simulated for one in layers),
        "total": {**{f"{measure}_dbfs": value for measure, value in total.items()}, **sigmas},
        "bs468_quasi_peak_dbfs": _quasi_peak(layers, total["bs468_rms"]),
        "hum": stacked_hum(layers),
        **{f"{side}_flat_dbfs": value for side, value in sides.items()},
        "ten_lg_n_db": float(power_db(len(layers))) if layers else None,
        "programme_dbfs": _dbfs(programme),
        "programme_over_hiss_db": _difference(_dbfs(programme), total["flat"]),
        "with_muting": muting,
        "quietest_second": quietest_second(layers, muting),
        "helps": what_helps(layers, song_s=song_s)[:8],
        "gains_most": _what_helps(order, total["flat"]),
        "bands": _bands(layers),
    }


def _power(one, measure):
    return float(power_from_db(one.levels_dbfs[measure] + one.gain_db))


def _sigma_db(layers, measure):
    """Sd of a total in dB: each track's hiss is known by itself."""
    sigmas_db = [(one.sigmas_db or {}).get(measure) for one in layers]
    if not layers or any(sigma_db is None for sigma_db in sigmas_db):
        return None
    powers = np.array([_power(one, measure) for one in layers])
    return float(np.sqrt(np.sum((powers * sigmas_db) ** 2)) / max(np.sum(powers), 1e-30))


def _dbfs(power):
    return float(power_db(power)) if power > 0 else None


def _difference(upper_db, lower_db):
    return None if upper_db is None or lower_db is None else upper_db - lower_db


def _quasi_peak(layers, total_dbfs):
    """The total read by the quasi-peak detector: over its rms by what the tracks' are, weighted by their power."""
    told = [(_power(one, "bs468_rms"), one.quasi_peak_over_rms_db) for one in layers if one.quasi_peak_over_rms_db is not None]
    weight = sum(power for power, _ in told)
    return None if total_dbfs is None or not weight > 0 else total_dbfs + sum(power * over for power, over in told) / weight


def stacked_hum(layers):
    """Hum of the stack, lines within 1 % of each other together: list of frequency_hz, tracks, worst_dbfs (all in phase),
    best_dbfs (phases that cancel best), mean_dbfs (any phases, powers add). Panned apart they meet less: worst is that of one
    centre.
    """
    found = sorted((frequency_hz, level_dbfs + one.gain_db) for one in layers for frequency_hz, level_dbfs in one.hum)
    groups = []
    for frequency_hz, level_dbfs in found:
        if groups and frequency_hz <= 1.01 * groups[-1][0][0]:
            groups[-1].append((frequency_hz, level_dbfs))
        else:
            groups.append([(frequency_hz, level_dbfs)])
    return [_hum_line(group) for group in groups]


def _hum_line(group):
    sizes = np.array([amplitude_from_db(level_dbfs) for _, level_dbfs in group])
    return {
        "frequency_hz": float(np.average([frequency_hz for frequency_hz, _ in group], weights=sizes**2)),
        "tracks": len(group),
        "worst_dbfs": float(amplitude_db(sizes.sum())),
        "best_dbfs": _dbfs(max(0.0, 2.0 * sizes.max() - sizes.sum()) ** 2),
        "mean_dbfs": float(power_db(np.sum(sizes**2))),
    }


def _bands(layers):
    nominal = sorted({band for one in layers for band in one.band_dbfs})
    powers = [sum(power_from_db(one.band_dbfs.get(band, -np.inf) + one.gain_db) for one in layers) for band in nominal]
    return [{"nominal_hz": band, "hiss_dbfs": _dbfs(power)} for band, power in zip(nominal, powers, strict=True)]


def _what_helps(order, total_dbfs):
    """The track whose silence would lower the stack most, and by how much; None for fewer than two tracks."""
    if len(order) < 2 or total_dbfs is None:
        return None
    rest = power_from_db(total_dbfs) - _power(order[0], "flat")
    return {"track": order[0].track, "without_it_db": _difference(_dbfs(rest), total_dbfs)}


def with_muting(layers, *, song_s):
    """The stack when every return is muted wherever its stem is silent: dict of mean, loudest and quietest moment in dBFS flat,
    the weighted means, unmuted_mean_dbfs, saved_db, and through time.

    A mute opens 30 ms before its stem plays, holds for 100 ms after it and fades over 50 ms at either end (raised cosine in
    amplitude). Moments are 50 ms long. Unmuted, a track hisses in its rests as it does in the silences around the song, which is
    more than under music where a level control opens up.
    """
    means = {f"{measure}_mean_dbfs": None for measure in MEASURES[1:]}
    moments = ("mean_dbfs", "worst_dbfs", "worst_at_s", "best_dbfs", "unmuted_mean_dbfs", "saved_db", "through_time")
    if not layers or not song_s > 0:
        return {**dict.fromkeys(moments), **means}
    frames = max(1, round(song_s / FRAME_S))
    muted, unmuted, weighted = np.zeros(frames), np.zeros(frames), dict.fromkeys(means, 0.0)
    for one in layers:
        plays, rest = _plays(one.playing_s, frames), _rest_power(one)
        kept = _power(one, "flat") * plays + rest * (_gate_power(one.playing_s, frames) - plays).clip(min=0.0)
        muted += kept
        for measure, mean in zip(MEASURES[1:], means, strict=True):
            weighted[mean] += kept.mean() * _power(one, measure) / max(_power(one, "flat"), 1e-30)
        unmuted += _power(one, "flat") * plays + rest * (1.0 - plays)
    worst = int(muted.argmax())
    return {
        "mean_dbfs": _dbfs(muted.mean()),
        **{mean: _dbfs(power) for mean, power in weighted.items()},
        "worst_dbfs": _dbfs(muted[worst]),
        "worst_at_s": worst * FRAME_S,
        "best_dbfs": _dbfs(muted.min()),
        "unmuted_mean_dbfs": _dbfs(unmuted.mean()),
        "saved_db": _difference(_dbfs(unmuted.mean()), _dbfs(muted.mean())),
        "through_time": {"step_s": 1.0, "muted_dbfs": _by_second(muted), "unmuted_dbfs": _by_second(unmuted)},
    }


def quietest_second(layers, muting):
    """Programme over hiss where it is nearest to it: in the second whose programme is lowest, of those in which some stem plays
    for half of it or more. dict of at_s, tracks (whose level through time is known), programme_dbfs, hiss_dbfs, muted_hiss_dbfs,
    programme_over_hiss_db, programme_over_muted_hiss_db; None where no level through time is known.

    muting: as `with_muting` gives it.
    """
    known = [one for one in layers if one.signal_by_second_dbfs]
    through = muting["through_time"]
    if not known or not through:
        return None
    seconds = len(through["unmuted_dbfs"])
    programme, plays = np.zeros(seconds), np.zeros(seconds)
    for one in known:
        levels = [_level(value) for value in one.signal_by_second_dbfs[:seconds]]
        programme[: len(levels)] += power_from_db(np.array(levels) + one.gain_db)
        plays = np.maximum(plays, _plays(one.playing_s, round(seconds / FRAME_S)).reshape(seconds, -1).mean(axis=1))
    playing = np.flatnonzero((plays >= 0.5) & (programme > 0))
    if not len(playing):
        return None
    second = int(playing[programme[playing].argmin()])
    programme_dbfs = _dbfs(programme[second])
    hiss = {name: through[f"{name}_dbfs"][second] for name in ("unmuted", "muted")}
    return {
        "at_s": float(second),
        "tracks": len(known),
        "programme_dbfs": programme_dbfs,
        "hiss_dbfs": hiss["unmuted"],
        "muted_hiss_dbfs": hiss["muted"],
        "programme_over_hiss_db": _difference(programme_dbfs, hiss["unmuted"]),
        "programme_over_muted_hiss_db": _difference(programme_dbfs, hiss["muted"]),
    }


def _rest_power(one):
    """Hiss of a track in its rests: that of the silences, where it was told apart."""
    return _power(one, "flat") if one.silence_flat_dbfs is None else float(power_from_db(one.silence_flat_dbfs + one.gain_db))


def _by_second(power):
    step = round(1.0 / FRAME_S)
    return [_dbfs(power[first : first + step].mean()) for first in range(0, len(power), step)]


def _plays(spans, frames):
    """The share of each 50 ms frame in which a track plays."""
    edges = np.arange(frames + 1) * FRAME_S
    played = np.zeros(frames + 1)
    for start_s, end_s in spans:
        played += np.clip(edges - start_s, 0.0, end_s - start_s)
    return np.diff(played) / FRAME_S


def _gate_power(spans, frames):
    """Mean square of a mute's gain in each 50 ms frame, from its gain every millisecond."""
    per_frame = round(FRAME_S * 1000)
    t = (np.arange(frames * per_frame) + 0.5) / 1000
    return np.mean(gate(t, spans).reshape(frames, per_frame) ** 2, axis=1)


def what_helps(layers, *, song_s):
    """Single steps, the one that gains most first: dicts of what ("record again hotter", "mute", "lower in the mix"), track,
    by_db (how much hotter or lower; None for a mute) and gain_db (how far the song's mean hiss falls).

    Hotter: by the room that the take was measured to have, at most 12 dB; lower: by 3 dB.
    """
    if not layers or not song_s > 0:
        return []
    share = [min(1.0, sum(b - a for a, b in one.playing_s) / song_s) for one in layers]
    own = [_power(one, "flat") * part + _rest_power(one) * (1.0 - part) for one, part in zip(layers, share, strict=True)]
    total, steps = sum(own), []
    for one, part, power in zip(layers, share, own, strict=True):
        hotter_db = min(one.room_db or 0.0, 12.0)
        changes = [
            ("mute", None, _rest_power(one) * (1.0 - part)),
            ("lower in the mix", 3.0, power * (1.0 - 10.0**-0.3)),
            ("record again hotter", hotter_db, power * (1.0 - 10.0 ** (-hotter_db / 10)) if hotter_db > 0 else 0.0),
        ]
        for what, by_db, saved in changes:
            if saved > 0 and total > 0:
                gain_db = float(-power_db(1.0 - saved / total)) if saved < total else None
                steps.append({"what": what, "track": one.track, "by_db": by_db, "gain_db": gain_db})
    return sorted(steps, key=lambda step: (-np.inf if step["gain_db"] is None else -step["gain_db"], step["track"], step["what"]))


def rows(layers, *, song_s):
    """The rows of stack.tsv: one per track in order of contribution, with the running total and the 10 lg N line beside it."""
    order = sorted(layers, key=lambda one: (-_power(one, "flat"), one.track))
    mean = {measure: np.mean([_power(one, measure) for one in layers]) if layers else 0.0 for measure in MEASURES}
    running, out = dict.fromkeys(MEASURES, 0.0), []
    for place, one in enumerate(order, start=1):
        row = {
            "order": place,
            "track": one.track,
            "take": one.take,
            "simulated": one.simulated,
            "gain_db": one.gain_db,
            "pan": one.pan,
            "hiss_from": one.by,
        }
        for measure in MEASURES:
            running[measure] += _power(one, measure)
            row[f"{measure}_dbfs"] = _dbfs(_power(one, measure))
            row[f"running_{measure}_dbfs"] = _dbfs(running[measure])
        # N equal tracks of the mean power: the line that the running total meets at its end.
        row["ten_lg_n_dbfs"] = _dbfs(place * mean["flat"])
        row["playing_percent"] = 100.0 * sum(b - a for a, b in one.playing_s) / song_s if song_s > 0 else None
        row |= {_band_column(band): level + one.gain_db for band, level in one.band_dbfs.items()}
        out.append(row)
    return out


def columns(layers):
    """The columns of stack.tsv."""
    bands = sorted({band for one in layers for band in one.band_dbfs})
    measures = [column for measure in MEASURES for column in (f"{measure}_dbfs", f"running_{measure}_dbfs")]
    fixed = ["order", "track", "take", "simulated", "gain_db", "pan", "hiss_from", *measures, "ten_lg_n_dbfs", "playing_percent"]
    return fixed + [_band_column(band) for band in bands]


def _band_column(nominal_hz):
    return f"hiss_{nominal_hz:g}_hz_dbfs"
