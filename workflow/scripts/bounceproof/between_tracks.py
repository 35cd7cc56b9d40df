"""Timing between all tracks of a song, from their time maps.

Conventions: us, rms over the moments in which both tracks play; "aligned" is what the two maps leave uncertain (their sigmas
together), "clicks" adds what two clicks alone would put wrong. A track laid through its clicks has one figure for both.
"""

from itertools import combinations
from typing import NamedTuple

import numpy as np

STEP_S = 0.25
COLUMNS = ("first", "second", "together_s", "aligned_rms_us", "clicks_rms_us")


class Course(NamedTuple):
    """One track every STEP_S of the song: sigma_us and clicks_late_us of its map (inf and nan where unknown), plays (bool)."""

    track: str
    sigma_us: np.ndarray
    clicks_late_us: np.ndarray
    plays: np.ndarray


def course(track, time_map, click_stem_s, click_return_s, playing_s, song_s, *, by_clicks):
    """The Course of a track; playing_s: spans in which its stem plays; by_clicks: laid through its clicks, whose stray is its
    sigma.
    """
    times_s = np.arange(0.5 * STEP_S, song_s, STEP_S)
    late_us = np.zeros(len(times_s))
    if not by_clicks:
        late_us = 1e6 * np.interp(times_s, time_map.stem_s, time_map.late_by_line_s(click_stem_s, click_return_s))
    plays = np.zeros(len(times_s), dtype=bool)
    for start_s, end_s in playing_s:
        plays |= (times_s >= start_s) & (times_s <= end_s)
    return Course(track, time_map.sigma_in_song_us(times_s), late_us, plays)


def rows(courses):
    """A row for every two of the Courses; None where they never play together, or nothing is known of them there."""
    return [_row(first, second) for first, second in combinations(courses, 2)]


def _row(first, second):
    row = {"first": first.track, "second": second.track, "together_s": 0.0, "aligned_rms_us": None, "clicks_rms_us": None}
    together = first.plays & second.plays & np.isfinite(first.sigma_us + second.sigma_us)
    if not together.any():
        return row
    variance = first.sigma_us[together] ** 2 + second.sigma_us[together] ** 2
    late_us = second.clicks_late_us[together] - first.clicks_late_us[together]
    return row | {
        "together_s": float(together.sum() * STEP_S),
        "aligned_rms_us": float(np.sqrt(variance.mean())),
        "clicks_rms_us": float(np.sqrt(np.mean(variance + late_us**2))),
    }


def summed_up(table):
    """The median and the worst pair of the table: dict of median_us, clicks_median_us, worst_us, worst (two names); None where
    nothing is known.
    """
    known = [row for row in table if row["aligned_rms_us"] is not None]
    if not known:
        return dict.fromkeys(("median_us", "clicks_median_us", "worst_us", "worst"))
    worst = max(known, key=lambda row: row["aligned_rms_us"])
    return {
        "median_us": float(np.median([row["aligned_rms_us"] for row in known])),
        "clicks_median_us": float(np.median([row["clicks_rms_us"] for row in known])),
        "worst_us": worst["aligned_rms_us"],
        "worst": [worst["first"], worst["second"]],
    }
