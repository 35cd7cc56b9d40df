"""Write the mix-readiness report and its tables from finished results.

input:  alignments, conditions, bands: lists parallel to params.settings["takes"]; chosen: list of chosen/TRACK/chosen.json;
        pair_summaries, pair_tables: lists (pairs/*.json, *.tsv); stack (noise/stack.json), stack_table (noise/stack.tsv),
        reference (mix/reference.json); survived, timing, stack_figure, pair_sums: figures/*.png
output: page (report.html), tracks (tracks.tsv), pairs (pairs.tsv)
params: settings = {session: the session record, takes: [{track, take}]} (takes: every take, chosen or not)
"""

from pathlib import Path

from bounceproof.files import read_json, read_table, write_table, write_text
from bounceproof.record import package_versions
from bounceproof.report import board, page
from bounceproof_job import run_job


def main(snakemake):
    material = gathered(snakemake.input, snakemake.params.settings)
    tracks, pairs = page.tables(material)
    write_table(snakemake.output.tracks, tracks, board.TRACK_COLUMNS)
    write_table(snakemake.output.pairs, pairs, board.PAIR_COLUMNS)
    write_text(snakemake.output.page, page.render(material))


def chosen_takes(session, paths):
    """{track: the take that goes on, or None while it waits} from the choices made."""
    chosen = {about["track"]: about["take"] for about in map(read_json, paths)}
    return {track["track"]: chosen.get(track["track"]) for track in session["tracks"]}


def gathered(files, settings):
    rows = zip(settings["takes"], files.alignments, files.conditions, files.bands, strict=True)
    takes = {
        (one["track"], one["take"]): (read_json(alignment), read_json(condition), read_table(bands))
        for one, alignment, condition, bands in rows
    }
    pairs = [(read_json(one), read_table(table)) for one, table in zip(files.pair_summaries, files.pair_tables, strict=True)]
    figures = {"survived": files.survived, "timing": files.timing, "stack": files.stack_figure, "pair_sums": files.pair_sums}
    return page.Material(
        settings["session"],
        chosen_takes(settings["session"], files.chosen),
        takes,
        pairs,
        read_json(files.stack),
        read_table(files.stack_table),
        read_json(files.reference),
        {name: Path(path).read_bytes() for name, path in figures.items()},
        package_versions(),
    )


if __name__ == "__main__":
    run_job(main, snakemake)
