"""Draw the figures for print, at a column's width, from finished tables.

input:  as of draw_figures
output: each figure by its name, a list of paths: figures/print/FILE.svg and .pdf
params: as of draw_figures
"""

from bounceproof.figures import FIGURES
from bounceproof.figures.drawing import draw_all
from bounceproof.figures.song import read_song
from bounceproof.figures.style import Look
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    look = Look(settings["figures"], preset="print")
    paths = {name: getattr(snakemake.output, name) for name in FIGURES}
    draw_all(read_song(snakemake.input, settings), look, paths)


if __name__ == "__main__":
    run_job(main, snakemake)
