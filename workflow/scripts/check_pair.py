"""Check a pair: relative delay and sum against the stems' sum, for the alignment in use and for two clicks alone.

input:  first_stem, second_stem (stems/TRACK.wav) and, where that track has a take, first_aligned, first_clicks, first_alignment,
        first_bands (bands.tsv), and the same four for second_; what a waiting track lacks is left out
output: summary (pairs/PAIR.json), bands (pairs/PAIR.tsv)
params: settings = {pair, kind, first: {track, take|None}, second: {track, take|None}, band_low_hz, band_high_hz, sum_loss_ok_db,
sum_loss_poor_db}
"""

from bounceproof import pairs
from bounceproof.audio import read_audio, read_mono
from bounceproof.condition.level import analysis_bands
from bounceproof.files import read_json, read_table, write_json, write_table
from bounceproof.quantities import amplitude_from_db, power_from_db
from bounceproof_job import run_job

HISS_FLOOR_DBFS = -400.0


def main(snakemake):
    settings = snakemake.params.settings
    alignments = {place: alignment_of(snakemake.input, place, settings) for place in ("first", "second")}
    heading = {
        "pair": settings["pair"],
        "kind": settings["kind"],
        "first": settings["first"],
        "second": settings["second"],
        **pairs.pair_state(settings["first"]["track"], alignments["first"], settings["second"]["track"], alignments["second"]),
    }
    summary, rows = {"shared_bands": None, "aligned": None, "clicks": None}, []
    if heading["state"] == "measured":
        summary, rows = measured(snakemake.input, alignments, settings)
    write_table(snakemake.output.bands, rows, pairs.PAIR_COLUMNS)
    write_json(snakemake.output.summary, {**heading, **summary})


def alignment_of(paths, place, settings):
    """The alignment of one side, or None while it waits for its return."""
    return read_json(getattr(paths, f"{place}_alignment")) if settings[place]["take"] else None


def measured(paths, alignments, settings):
    sides, hiss = {}, {}
    for place, alignment in alignments.items():
        sides[place] = Loaded(paths, place, alignment)
        hiss[place] = sides[place].hiss
    first, second = sides["first"], sides["second"]
    both_clicks = [pairs.Side(first.aligned, second.aligned), pairs.Side(first.clicks, second.clicks)]
    pair = pairs.PairInput(pairs.Side(first.stem, second.stem), *both_clicks, hiss["first"], hiss["second"])
    limits = {"ok_db": settings["sum_loss_ok_db"], "poor_db": settings["sum_loss_poor_db"]}
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    return pairs.check(pair, first.rate_hz, band_hz, kind=settings["kind"], **limits)


class Loaded:
    """One side of the pair with its level_db applied: stem, aligned, clicks, hiss per band."""

    def __init__(self, paths, place, alignment):
        stem = read_audio(getattr(paths, f"{place}_stem"))
        gain = amplitude_from_db(alignment["level_db"])
        self.rate_hz = stem.rate_hz
        self.stem = stem.samples[:, 0]
        self.aligned = read_mono(getattr(paths, f"{place}_aligned")) * gain
        by_clicks = alignment.get("method") == "clicks"
        self.clicks = self.aligned if by_clicks else read_mono(getattr(paths, f"{place}_clicks")) * gain
        rows = {float(row["nominal_hz"]): row["hiss_dbfs"] for row in read_table(getattr(paths, f"{place}_bands"))}
        levels = [float(rows.get(band.nominal_hz) or HISS_FLOOR_DBFS) for band in analysis_bands(self.rate_hz)]
        self.hiss = power_from_db([level + alignment["level_db"] for level in levels])


if __name__ == "__main__":
    run_job(main, snakemake)
