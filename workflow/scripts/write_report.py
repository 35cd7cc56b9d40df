"""Write the mix-readiness report and its tables from finished results.

input:  alignments, conditions, bands: lists parallel to params.settings["takes"]; chosen: list of chosen/TRACK/chosen.json;
        averaged_alignments, averaged_conditions, averaged_bands: the same three of the tracks that ask for an average;
        pair_summaries, pair_tables: lists (pairs/*.json, *.tsv); stack (noise/stack.json), stack_table (noise/stack.tsv),
        reference (mix/reference.json), timing_table (mix/timing.tsv); figures: list of figures/*.png in the order of FIGURES;
        wire: [wire.json] or nothing
output: page (report.html), tracks (tracks.tsv), pairs (pairs.tsv), evening (evening.tsv)
params: settings = {session: the session record, takes: [{track, take}] (every take, chosen or not), facts: list parallel to it:
        {track, take, number, side, counter, battery_v, capture_gain_db}}
"""

from pathlib import Path

from bounceproof import evening
from bounceproof.figures import FIGURES
from bounceproof.files import read_json, read_table, write_table, write_text
from bounceproof.record import package_versions
from bounceproof.report import board, page
from bounceproof.takes import AVERAGE
from bounceproof_job import run_job


def main(snakemake):
    material = gathered(snakemake.input, snakemake.params.settings)
    tracks, pairs = page.tables(material)
    write_table(snakemake.output.tracks, tracks, board.TRACK_COLUMNS)
    write_table(snakemake.output.pairs, pairs, board.PAIR_COLUMNS)
    write_table(snakemake.output.evening, material.evening[0], evening.COLUMNS)
    write_text(snakemake.output.page, page.render(material))


def chosen_takes(session, abouts):
    """{track: the take that goes on, or None while it waits} from the choices made."""
    chosen = {about["track"]: about["take"] for about in abouts}
    return {track["track"]: chosen.get(track["track"]) for track in session["tracks"]}


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
    figures = dict(zip(FIGURES, files.figures, strict=True))
    return page.Material(
        settings["session"],
        chosen_takes(settings["session"], abouts),
        takes,
        pairs,
        read_json(files.stack),
        read_table(files.stack_table),
        read_json(files.reference),
        {name: Path(path).read_bytes() for name, path in figures.items()},
        package_versions(),
        {about["track"]: about["why"] for about in abouts},
        read_table(files.timing_table),
        evening.evening(told, (medium["band_low_hz"], medium["band_high_hz"])),
        read_json(files.wire[0]) if files.wire else None,
    )


if __name__ == "__main__":
    run_job(main, snakemake)
