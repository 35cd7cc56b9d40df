"""The stack: how the hiss of all tracks adds up at the mix's gains.

Conventions: hiss of separate passes is incoherent, so powers add. A track's gain is level_db + mix_db; pan spreads its power
over left and right without changing their sum (sine and cosine law), so every total here is the power of left plus right. Levels
are rms in dBFS. Hum is not in these figures.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.mix import pan_gains
from bounceproof.quantities import power_db, power_from_db

MEASURES = ("flat", "a_weighted", "bs468_rms")
FRAME_S = 0.05


class Layer(NamedTuple):
    """One track's hiss: gain_db = level_db + mix_db; levels_dbfs: dict of MEASURES at the capture's level; band_dbfs: dict
    nominal_hz -> dBFS.

    playing_s: spans in which its stem plays; signal_dbfs: the return's level over the whole song within the band, hiss taken off.
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


def layer(track, alignment, condition, band_rows):
    """(Layer, None), or (None, reason) where a track has no hiss to stack.

    track: dict with track, take, mix_db, pan; band_rows: rows of bands.tsv as read (text).
    """
    if alignment is None:
        return None, "no return yet"
    if alignment["state"] != "aligned":
        return None, f"rejected: {alignment.get('reason')}"
    if alignment.get("level_db") is None:
        return None, "nothing stands over its hiss, so it has no level"
    hiss = condition.get("hiss")
    if hiss is None:
        return None, "no stretch to measure its hiss in"
    return Layer(
        track["track"],
        track["take"],
        bool(alignment.get("simulated")),
        alignment["level_db"] + track["mix_db"],
        track["pan"],
        {measure: _level(hiss[f"{measure}_dbfs"]) for measure in MEASURES},
        {float(row["nominal_hz"]): _level(row["hiss_dbfs"]) for row in band_rows},
        condition.get("playing_s") or [],
        _signal_dbfs(condition["level"]["return_whole_song_dbfs"], hiss["flat_dbfs"]),
    ), None


def _level(value):
    return -np.inf if value in (None, "") else float(value)


def _signal_dbfs(return_dbfs, hiss_dbfs):
    power = power_from_db(_level(return_dbfs)) - power_from_db(_level(hiss_dbfs))
    return float(power_db(power)) if power > 0 else None


def stacked(layers, *, song_s):
    """The stack of Layers: dict for stack.json without its heading; see `rows` for its table."""
    order = sorted(layers, key=lambda one: (-_power(one, "flat"), one.track))
    total = {measure: _dbfs(sum(_power(one, measure) for one in layers)) for measure in MEASURES}
    sides = {
        side: _dbfs(sum(_power(one, "flat") * pan_gains(one.pan)[i] ** 2 for one in layers))
        for i, side in enumerate(("left", "right"))
    }
    programme = sum(power_from_db(one.signal_dbfs + one.gain_db) for one in layers if one.signal_dbfs is not None)
    return {
        "tracks": len(layers),
        "simulated": any(one.simulated for one in layers),
        "total": {f"{measure}_dbfs": value for measure, value in total.items()},
        **{f"{side}_flat_dbfs": value for side, value in sides.items()},
        "ten_lg_n_db": float(power_db(len(layers))) if layers else None,
        "programme_dbfs": _dbfs(programme),
        "programme_over_hiss_db": _difference(_dbfs(programme), total["flat"]),
        "with_muting": with_muting(layers, song_s=song_s),
        "gains_most": _what_helps(order, total["flat"]),
        "bands": _bands(layers),
    }


def _power(one, measure):
    return float(power_from_db(one.levels_dbfs[measure] + one.gain_db))


def _dbfs(power):
    return float(power_db(power)) if power > 0 else None


def _difference(upper_db, lower_db):
    return None if upper_db is None or lower_db is None else upper_db - lower_db


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
    """The stack when every return is muted wherever its stem is silent: mean, loudest and quietest moment, in dBFS flat.

    Moments are 50 ms long. Plain: no look-ahead, no fades.
    """
    empty = dict.fromkeys(("mean_dbfs", "worst_dbfs", "worst_at_s", "saved_db"))
    if not layers or not song_s > 0:
        return empty
    power = np.zeros(max(1, round(song_s / FRAME_S)))
    for one in layers:
        power += _power(one, "flat") * _plays(one.playing_s, len(power))
    whole = sum(_power(one, "flat") for one in layers)
    worst = int(power.argmax())
    return {
        "mean_dbfs": _dbfs(power.mean()),
        "worst_dbfs": _dbfs(power[worst]),
        "worst_at_s": worst * FRAME_S,
        "saved_db": _difference(_dbfs(whole), _dbfs(power.mean())),
    }


def _plays(spans, frames):
    """The share of each 50 ms frame in which a track plays."""
    edges = np.arange(frames + 1) * FRAME_S
    played = np.zeros(frames + 1)
    for start_s, end_s in spans:
        played += np.clip(edges - start_s, 0.0, end_s - start_s)
    return np.diff(played) / FRAME_S


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
    fixed = ["order", "track", "take", "simulated", "gain_db", "pan", *measures, "ten_lg_n_dbfs", "playing_percent"]
    return fixed + [_band_column(band) for band in bands]


def _band_column(nominal_hz):
    return f"hiss_{nominal_hz:g}_hz_dbfs"
