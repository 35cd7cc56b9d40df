"""A return's hiss as bands.tsv tells it, for whoever compares returns.

Conventions: rows as read (text), an empty cell where there is nothing; powers are mean squares per third-octave.
"""

import numpy as np

from bounceproof.files import number_in
from bounceproof.quantities import power_from_db


def hiss_powers(rows, bands, gain_db):
    """Mean square of a return's hiss per band under its music, gain_db applied.

    rows: of bands.tsv as read (text). Where the hiss under music was not measured, that of the silences counts, risen as in the
    nearest band where it was: hiss rises with the signal on tape, and what is not taken off would pass for sound that lost its
    phase.
    """
    silent = {float(row["nominal_hz"]): number_in(row["hiss_dbfs"]) for row in rows}
    under = {float(row["nominal_hz"]): number_in(row.get("hiss_under_music_dbfs")) for row in rows}
    rises = {hz: under[hz] - silent[hz] for hz in under if under[hz] is not None and silent[hz] is not None}
    levels = []
    for band in bands:
        level, nearest = silent.get(band.nominal_hz), min(rises, key=lambda hz: abs(np.log(hz / band.mid_hz)), default=None)
        rise = rises[nearest] if nearest is not None else 0.0
        levels.append(-np.inf if level is None else level + rise + gain_db)
    return power_from_db(np.array(levels))
