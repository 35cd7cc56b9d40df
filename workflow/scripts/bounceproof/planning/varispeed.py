"""Whether it pays to send a stem faster than it is and to read its return back slower.

Conventions: factor = how many times as fast (2 or 4): a sound of the stem at f goes over the tape at factor x f. Levels in dB per
third-octave (IEC 61260-1; an octave is three of them); gains are of signal over hiss, positive where sending faster is better.

What decides is where the machine loses its lows. Lost before the tape (record side), they sink into hiss that does not care: sent
an octave higher they are recorded whole. Lost after it (replay side), the hiss is lost with them: an equaliser brings them
back, and sending faster only lets in the wider hiss, 10 lg(factor). Both show in one measure: signal over hiss, band by band.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.quantities import power_db, power_from_db

FACTORS = (2, 4)
LOWS_HZ = (40.0, 160.0)
# Under these a gain is not worth an hour of transfers, and a loss of treble is not heard for it.
WORTH_DB = 3.0
_TREBLE_DB = 1.0
_LITTLE_DB = 0.5
_FLOOR_DB = -60.0


class Machine(NamedTuple):
    """A recorder by third-octaves: bands (list of Band), response_db, hiss_db (level in the band); against any one level each."""

    bands: list
    response_db: np.ndarray
    hiss_db: np.ndarray


class Gain(NamedTuple):
    """factor; lows_db: gain of signal over hiss in LOWS_HZ for this stem; treble_db: how much of its power above them is no
    longer carried, as a loss in dB; upper_hz: up to where the stem is still carried.
    """

    factor: int
    lows_db: float
    treble_db: float
    upper_hz: float


def from_recorder(values, bands):
    """The Machine of a recorder.json: response by its sweeps, hiss as white on the tape behind what the replay side loses."""
    rows = values["response"]
    mids, known = np.log([band.mid_hz for band in bands]), np.log([row["freq_hz"] for row in rows])
    response, before = (np.interp(mids, known, [row[key] for row in rows]) for key in ("level_db", "before_tape_db"))
    widths = power_db(np.array([band.high_hz - band.low_hz for band in bands]))
    return Machine(bands, response, widths + response - before)


def from_returns(tables, bands):
    """The Machine as the session's returns show it; tables: {track: rows of bands.tsv} of aligned takes.

    Levels differ from track to track, shapes do not: each is held against its own mean over the bands that all tracks know.
    """
    response, hiss = (_shape(tables, bands, key) for key in ("response_db", "hiss_dbfs"))
    return Machine(bands, response, hiss)


def _shape(tables, bands, key):
    cells = np.array([[_cell(rows, band, key) for band in bands] for rows in tables.values()])
    common = np.isfinite(cells).all(axis=0)
    if not common.any():
        common = np.isfinite(cells).sum(axis=0) == np.isfinite(cells).sum(axis=0).max()
    means = np.array([np.nanmean(row[common]) if np.isfinite(row[common]).any() else np.nan for row in cells])
    level = np.full(len(bands), np.nan)
    for k in np.flatnonzero(np.isfinite(cells - means[:, None]).any(axis=0)):
        level[k] = np.nanmedian(cells[:, k] - means)
    return level


def _cell(rows, band, key):
    found = next((row[key] for row in rows if float(row["nominal_hz"]) == band.nominal_hz), "")
    return float(found) if found not in ("", None) else np.nan


def gain(machine, stem_power, factor):
    """The Gain of sending a stem faster.

    stem_power: its power per band of the machine. Bands whose response is not known count as lost (60 dB down); where nothing
    of the lows is known at all the gain is nan.
    """
    step = 3 * round(np.log2(factor))
    mids = np.array([band.mid_hz for band in machine.bands])
    response = np.where(np.isfinite(machine.response_db), machine.response_db, _FLOOR_DB)
    hiss = machine.hiss_db
    lows = (mids >= LOWS_HZ[0] * 0.999) & (mids <= LOWS_HZ[1] * 1.001)
    here = np.flatnonzero(lows)
    there = here + step
    good = (there < len(mids)) & np.isfinite(hiss[here])
    here, there = here[good], there[good]
    before, after = (_over_hiss_db(stem_power[here], response[k], hiss[k]) for k in (here, there))
    carried = response >= np.nanmax(machine.response_db) - 10.0
    upper_hz = mids[np.flatnonzero(carried)[-1]] if carried.any() else mids[-1]
    above = mids > LOWS_HZ[1] * 1.001
    whole = stem_power[above & (mids <= upper_hz * 1.001)].sum()
    kept = stem_power[above & (mids <= upper_hz / factor * 1.001)].sum()
    treble_db = 0.0 if not whole > 0 else float(power_db(whole / kept)) if kept > 0 else np.inf
    return Gain(factor, float(after - before), treble_db, float(upper_hz / factor))


def _over_hiss_db(stem_power, response_db, hiss_db):
    signal, noise = np.sum(stem_power * power_from_db(response_db)), np.sum(power_from_db(hiss_db))
    return power_db(signal / noise) if signal > 0 and noise > 0 else np.nan


def advice(machine, stem_power):
    """(factor, sentence): the factor to send a stem at (1, 2 or 4), and why."""
    known = [one for one in (gain(machine, stem_power, factor) for factor in FACTORS) if np.isfinite(one.lows_db)]
    if not known:
        return 1, f"Nothing is known of the machine below {LOWS_HZ[1]:.0f} Hz: no advice."
    paying = [one for one in known if one.lows_db >= WORTH_DB and one.treble_db <= _TREBLE_DB]
    if paying:
        # An octave more has to bring as much again: it costs as much treble.
        best = paying[-1] if paying[-1].lows_db >= paying[0].lows_db + WORTH_DB else paying[0]
        return best.factor, (
            f"Send it {best.factor} times as fast: its lows come {best.lows_db:.0f} dB further over the hiss, because the"
            f" machine loses them on the way to the tape; above {best.upper_hz:.0f} Hz nothing of it is carried then."
        )
    first = known[0]
    if first.lows_db >= WORTH_DB:
        return 1, (
            f"Sending it faster would lift its lows by {first.lows_db:.0f} dB over the hiss, but above {first.upper_hz:.0f} Hz"
            f" nothing of it would be carried, {first.treble_db:.0f} dB of its level: leave it as it is."
        )
    if first.lows_db > _LITTLE_DB:
        return 1, f"Sending it faster would lift its lows by {first.lows_db:.0f} dB over the hiss only: leave it as it is."
    if _carries_lows(machine):
        return 1, f"Sending it faster gains nothing ({first.lows_db:+.0f} dB): the machine carries its lows as they are."
    return 1, (
        f"Sending it faster gains nothing ({first.lows_db:+.0f} dB): what the machine loses of the lows it loses after the tape,"
        " hiss and all. Equalise the return instead."
    )


def _carries_lows(machine):
    """Whether the machine's response in LOWS_HZ lies within 3 dB of its best."""
    mids = np.array([band.mid_hz for band in machine.bands])
    lows = machine.response_db[(mids >= LOWS_HZ[0] * 0.999) & (mids <= LOWS_HZ[1] * 1.001) & np.isfinite(machine.response_db)]
    return len(lows) > 0 and lows.mean() > np.nanmax(machine.response_db) - WORTH_DB
