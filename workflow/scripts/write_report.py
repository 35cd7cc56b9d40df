"""Write the mix-readiness report and its tables from finished results.

input:  alignments, conditions, bands: lists parallel to params.settings["takes"]; chosen: list of chosen/TRACK/chosen.json;
        averaged_alignments, averaged_conditions, averaged_bands: the same three of the tracks that ask for an average;
        pair_summaries, pair_tables: lists (pairs/*.json, *.tsv); stack (noise/stack.json), stack_table (noise/stack.tsv),
        reference (mix/reference.json), timing_table (mix/timing.tsv); time_maps: parallel to chosen; mp3s, abouts: excerpts/*.mp3
        and .json, one a track; wire: [wire.json] or nothing; forecast: [planning/forecast.json] or nothing
output: page (report.html), tracks (tracks.tsv), pairs (pairs.tsv), evening (evening.tsv)
params: settings = {session: the session record, takes: [{track, take}] (every take, chosen or not), facts: list parallel to it:
        {track, take, number, side, counter, battery_v, capture_gain_db}, clicks: {track: [start, end] in s of its stem's time}}
"""

from pathlib import Path

from bounceproof import evening
from bounceproof.files import read_json, read_table, write_table, write_text
from bounceproof.record import chosen_by_track, package_versions
from bounceproof.report import board, page
from bounceproof.takes import AVERAGE
from bounceproof.timemap import read_time_map
from bounceproof_job import run_job

# A drawing as wide as a phone shows some four hundred points; every 40 ms the wow of a motor is still to be seen.
_KNOTS_APART, _POINTS = 20, 450


def main(snakemake):
    material = gathered(snakemake.input, snakemake.params.settings)
    tracks, pairs = page.tables(material)
    write_table(snakemake.output.tracks, tracks, board.TRACK_COLUMNS)
    write_table(snakemake.output.pairs, pairs, board.PAIR_COLUMNS)
    write_table(snakemake.output.evening, material.evening[0], evening.COLUMNS)
    write_text(snakemake.output.page, page.render(material))


def gathered(files, settings):
    rows = zip(settings["takes"], files.alignments, files.conditions, files.bands, strict=True)
    takes = {
        (one["track"], one["take"]): (read_json(alignment), read_json(condition), read_table(bands))
        for one, alignment, condition, bands in rows
    }
    for files_of in zip(files.averaged_alignments, files.averaged_conditions, files.averaged_bands, strict=True):
        alignment, condition, bands = read_json(files_of[0]), read_json(files_of[1]), read_table(files_of[2])
        if alignment["take"] == AVERAGE:
            takes[alignment["track"], AVERAGE] = alignment, condition, bands
    told = [
        {**facts, **dict(zip(("alignment", "condition", "bands"), takes[facts["track"], facts["take"]], strict=True))}
        for facts in settings["facts"]
    ]
    medium = settings["session"]["medium"]
    abouts = [read_json(path) for path in files.chosen]
    pairs = [(read_json(one), read_table(table)) for one, table in zip(files.pair_summaries, files.pair_tables, strict=True)]
    heard = [(read_json(about), Path(mp3).read_bytes()) for about, mp3 in zip(files.abouts, files.mp3s, strict=True)]
    return page.Material(
        settings["session"],
        chosen_by_track(settings["session"]["tracks"], abouts),
        takes,
        pairs,
        read_json(files.stack),
        read_table(files.stack_table),
        read_json(files.reference),
        package_versions(),
        {about["track"]: about["why"] for about in abouts},
        read_table(files.timing_table),
        evening.evening(told, (medium["band_low_hz"], medium["band_high_hz"])),
        wire=read_json(files.wire[0]) if files.wire else None,
        courses=dict(courses(abouts, files.time_maps, takes, settings["clicks"])),
        excerpts={excerpt[0]["track"]: excerpt for excerpt in heard},
        forecast=read_json(files.forecast[0]) if files.forecast else None,
    )


def courses(abouts, time_maps, takes, clicks):
    """(track, rows of song s, error of its two-click line in ms, sd of its map in ms) of each track laid on the song's time."""
    for about, path in zip(abouts, time_maps, strict=True):
        track = about["track"]
        alignment = takes[track, about["take"]][0]
        time_map = read_time_map(path, every=_KNOTS_APART) if alignment["state"] == "aligned" else None
        if time_map is not None:
            back_s = alignment.get("start_click_return_s"), alignment.get("end_click_return_s")
            late_ms = 1e3 * time_map.late_by_line_s(clicks[track], back_s)
            sigma_ms = 1e-3 * time_map.sigma_in_song_us(time_map.stem_s)
            few = max(1, len(late_ms) // _POINTS)
            yield track, [*zip(*(values[::few].tolist() for values in (time_map.stem_s, late_ms, sigma_ms)), strict=True)]


if __name__ == "__main__":
    run_job(main, snakemake)
