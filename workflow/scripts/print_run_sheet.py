"""Print the run sheet on paper: a page of steps and cautions, then a page a side.

input:  sheet (transfers/run-sheet.tsv)
output: paper (transfers/run-sheet.pdf, A4)
params: settings = {name, medium_label, tape_speed_cm_s|None, side_minutes, leader_s}
"""

from bounceproof.files import read_table
from bounceproof_job import run_job

NUMBERS = ("starts_at_s", "ends_at_s", "duration_s", "peak_dbfs", "gain_db")


def main(snakemake):
    from bounceproof.figures.paper import print_pages

    settings = snakemake.params.settings
    rows = [{**row, **{key: float(row[key]) for key in NUMBERS}} for row in read_table(snakemake.input.sheet)]
    print_pages(snakemake.output.paper, rows, settings)


if __name__ == "__main__":
    run_job(main, snakemake)
