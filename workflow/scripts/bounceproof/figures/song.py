"""What the figures show, read from finished tables.

Conventions: tracks in the session's order; a track without a take is `waiting`; numbers of tables as floats, nan where empty.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.files import read_json, read_table
from bounceproof.timemap import KNOT_S, TimeMap, read_time_map

# Speed and timing are drawn at this step: fine enough for wow, and a hundredth of a map's knots.
STEP_S = 0.02


def number(cell):
    """A table's cell as float, nan for an empty one."""
    return float(cell) if cell not in (None, "") else float("nan")


class Track(NamedTuple):
    """A track's chosen take. clicks_s: the clicks' instants in the stem's time; sent: how many times faster it was sent."""

    name: str
    state: str
    alignment: dict
    condition: dict
    bands: list
    time_map: TimeMap | None
    clicks_s: tuple

    @property
    def simulated(self):
        return bool(self.alignment.get("simulated"))

    @property
    def by_clicks(self):
        return self.alignment.get("method") == "clicks"

    def band(self, key):
        """{nominal_hz: value} of a column of bands.tsv."""
        return {number(row["nominal_hz"]): number(row[key]) for row in self.bands}


class Song(NamedTuple):
    """tracks: Tracks; pairs: (PAIR.json, rows of PAIR.tsv); stack, reference: stack.json, reference.json; stack_rows: rows of
    stack.tsv; band_hz: the medium's (low, high); seconds: the song's length. reference is {} where it was not wanted.
    """

    name: str
    tracks: list
    pairs: list
    stack: dict
    stack_rows: list
    reference: dict
    band_hz: tuple
    seconds: float
    thresholds: dict

    def shown(self, wanted):
        """The same song with only the tracks named (all where none is), in the order named; pairs go with their tracks."""
        if not wanted:
            return self
        tracks = [
            track for name in wanted for track in self.tracks if name == track.name or name == track.name.rpartition(".")[0]
        ]
        names = {track.name for track in tracks}
        pairs = [pair for pair in self.pairs if {pair[0]["first"]["track"], pair[0]["second"]["track"]} <= names]
        return self._replace(tracks=tracks, pairs=pairs, stack_rows=[row for row in self.stack_rows if row["track"] in names])

    def simulated(self):
        """(simulated tracks, tracks that have a return), as a Sheet takes them."""
        there = [track for track in self.tracks if track.state != "waiting"]
        return sum(track.simulated for track in there), len(there)

    def aligned(self):
        return [track for track in self.tracks if track.time_map is not None]


def read_song(files, settings):
    """The Song of a rule's files.

    files: alignments, conditions, bands, time_maps: one for each of settings["tracks"] that has a take; pair_summaries,
    pair_tables, stack, stack_table; reference, if it is wanted. settings: name, song_s, band_low_hz, band_high_hz, thresholds,
    tracks: dicts with track, take (None while it waits), click_stem_s.
    """
    of_takes = iter(zip(files.alignments, files.conditions, files.bands, files.time_maps, strict=True))
    pairs = zip(files.pair_summaries, files.pair_tables, strict=True)
    return Song(
        settings["name"],
        [_track(one, next(of_takes) if one["take"] else None) for one in settings["tracks"]],
        [(read_json(one), read_table(table)) for one, table in pairs],
        read_json(files.stack),
        read_table(files.stack_table),
        read_json(files.reference) if hasattr(files, "reference") else {},
        (settings["band_low_hz"], settings["band_high_hz"]),
        settings["song_s"],
        settings["thresholds"],
    )


def _track(one, files):
    if files is None:
        return Track(one["track"], "waiting", {}, {}, [], None, one["click_stem_s"])
    alignment, condition, bands, time_map = files
    alignment, state = read_json(alignment), None
    state = "aligned" if alignment["state"] == "aligned" else "rejected"
    time_map = read_time_map(time_map, every=round(STEP_S / KNOT_S)) if state == "aligned" else None
    return Track(one["track"], state, alignment, read_json(condition), read_table(bands), time_map, one["click_stem_s"])


def trace(times_s, values, *, most=1200):
    """(times, values) thinned for drawing: where there are more than `most`, each pixel's highest and lowest in turn."""
    if len(times_s) <= most:
        return times_s, values
    cuts = np.linspace(0, len(times_s), most // 2 + 1).astype(int)
    low, high = np.minimum.reduceat(values, cuts[:-1]), np.maximum.reduceat(values, cuts[:-1])
    return np.repeat(times_s[cuts[:-1]], 2), np.column_stack((low, high)).ravel()
