"""Draw the figures for video from finished tables.

input:  alignments, conditions, bands, time_maps: lists, one entry for each track of params.settings["tracks"] that has a take, in
        that order; stack (noise/stack.json), stack_table (noise/stack.tsv), reference (mix/reference.json), left out where no
        figure of the mixes is asked for; pair_summaries, pair_tables: lists (pairs/*.json, *.tsv), may be empty
output: each figure that is asked for by its name, a list of paths: figures/FILE.png and .svg
params: settings = {figures: the session's settings of figures, name, song_s, band_low_hz, band_high_hz, thresholds, tracks:
        [{track, take|None, click_stem_s: [start, end] in the stem's time}]}
"""

from bounceproof.figures import FIGURES
from bounceproof.figures.drawing import draw_all
from bounceproof.figures.song import read_song
from bounceproof.figures.style import Look
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    draw_all(
        read_song(snakemake.input, settings),
        Look(settings["figures"]),
        {name: getattr(snakemake.output, name) for name in FIGURES if hasattr(snakemake.output, name)},
    )


if __name__ == "__main__":
    run_job(main, snakemake)
