"""Set two records side by side: two machines, or two evenings with one song.

input:  ours (record.json of this session), theirs (another record.json)
output: page (comparison.html), table (comparison.tsv)
params: settings = {name}
"""

from bounceproof.comparing import COLUMNS, compare
from bounceproof.files import write_table, write_text
from bounceproof.record import read_record
from bounceproof.report.comparison_page import comparison_page
from bounceproof_job import run_job


def main(snakemake):
    ours, theirs = (read_record(path) for path in (snakemake.input.ours, snakemake.input.theirs))
    rows = compare(ours, theirs)
    write_table(snakemake.output.table, rows, COLUMNS)
    write_text(snakemake.output.page, comparison_page(snakemake.params.settings["name"], ours, theirs, rows))


if __name__ == "__main__":
    run_job(main, snakemake)
