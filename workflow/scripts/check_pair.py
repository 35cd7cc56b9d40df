"""Check a pair: relative delay and sum against the stems' sum, for the alignment in use and for two clicks alone.

input:  first_stem, second_stem (stems/TRACK.wav) and, where that track has a take, first_aligned, first_clicks, first_alignment,
        first_bands (bands.tsv), first_map (time-map.tsv), and the same five for second_; what a waiting track lacks is left out
output: summary (pairs/PAIR.json), bands (pairs/PAIR.tsv)
params: settings = {pair, kind, declared, first: {track, take|None}, second: {track, take|None}, first_click_stem_s: [start, end],
        second_click_stem_s, band_low_hz, band_high_hz, sum_loss_ok_db, sum_loss_poor_db}
"""

import numpy as np
from bounceproof import pairs
from bounceproof.audio import look_at, read_mono
from bounceproof.condition.known_hiss import hiss_powers
from bounceproof.condition.level import analysis_bands
from bounceproof.files import read_json, read_table, write_json, write_table
from bounceproof.quantities import amplitude_from_db
from bounceproof.timemap import read_time_map
from bounceproof_job import run_job

MAP_STEPS = 5


def main(snakemake):
    settings = snakemake.params.settings
    alignments = {place: alignment_of(snakemake.input, place, settings) for place in ("first", "second")}
    heading = {
        "pair": settings["pair"],
        "kind": settings["kind"],
        "declared": settings["declared"],
        "first": settings["first"],
        "second": settings["second"],
        **pairs.pair_state(settings["first"]["track"], alignments["first"], settings["second"]["track"], alignments["second"]),
    }
    summary, rows = {"shared_bands": None, "aligned": None, "clicks": None, "stems_mono_db": None, "through_time": None}, []
    if heading["state"] == "measured":
        summary, rows = measured(snakemake.input, alignments, settings)
    write_table(snakemake.output.bands, rows, pairs.PAIR_COLUMNS)
    write_json(snakemake.output.summary, {**heading, **summary})


def alignment_of(paths, place, settings):
    """The alignment of one side, or None while it waits for its return."""
    return read_json(getattr(paths, f"{place}_alignment")) if settings[place]["take"] else None


def measured(paths, alignments, settings):
    rate_hz, band_hz = look_at(paths.first_stem).rate_hz, (settings["band_low_hz"], settings["band_high_hz"])
    stems = pairs.Side(read_mono(paths.first_stem), read_mono(paths.second_stem))
    course = known_course(paths, alignments, settings)
    if course is not None and not settings["declared"]:
        found = pairs.check_strangers(stems, course, rate_hz, band_hz)
        if found is not None:
            return found
    first, second = (Loaded(paths, place, alignments[place], rate_hz) for place in ("first", "second"))
    sides = [pairs.Side(first.aligned, second.aligned), pairs.Side(first.clicks, second.clicks)]
    pair = pairs.PairInput(stems, *sides, first.hiss, second.hiss, course)
    limits = {"ok_db": settings["sum_loss_ok_db"], "poor_db": settings["sum_loss_poor_db"]}
    return pairs.check(pair, rate_hz, band_hz, kind=settings["kind"], **limits)


def known_course(paths, alignments, settings):
    """What the two time maps say about the pair, or None where one was laid through its clicks."""
    if any(alignment.get("method") == "clicks" for alignment in alignments.values()):
        return None
    # Every fifth knot tells as much over a block of a quarter of a second, at a fifth of the time and memory.
    maps = {place: read_time_map(getattr(paths, f"{place}_map"), every=MAP_STEPS) for place in alignments}
    times_s, later = maps["first"].stem_s, {}
    for place, time_map in maps.items():
        back_s = [alignments[place].get(f"{end}_click_return_s") for end in ("start", "end")]
        late_us = 1e6 * time_map.late_by_line_s(settings[f"{place}_click_stem_s"], back_s)
        later[place] = np.interp(times_s, time_map.stem_s, late_us) if None not in back_s else None
    sd_us = np.hypot(*(time_map.sigma_in_song_us(times_s) for time_map in maps.values()))
    unknown = any(late_us is None for late_us in later.values())
    return pairs.Course(times_s, sd_us, None if unknown else later["second"] - later["first"])


class Loaded:
    """One return of the pair with its level_db applied: aligned, clicks, hiss per band."""

    def __init__(self, paths, place, alignment, rate_hz):
        gain = amplitude_from_db(alignment["level_db"])
        self.aligned = read_mono(getattr(paths, f"{place}_aligned")) * gain
        by_clicks = alignment.get("method") == "clicks"
        self.clicks = self.aligned if by_clicks else read_mono(getattr(paths, f"{place}_clicks")) * gain
        rows = read_table(getattr(paths, f"{place}_bands"))
        self.hiss = hiss_powers(rows, analysis_bands(rate_hz), alignment["level_db"])


if __name__ == "__main__":
    run_job(main, snakemake)
