"""Show the forecast as a page and a table, beside what came.

input:  values (planning/forecast.json); came: [tracks.tsv, noise/stack.json] or nothing
output: page (planning/forecast.html), table (planning/forecast.tsv)
params: settings = {name, medium: its label, thresholds}
"""

from bounceproof.files import read_json, read_table, write_table, write_text
from bounceproof.report.forecast_page import COLUMNS, forecast_page, forecast_part
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    tracks, stack = (read_table(files.came[0]), read_json(files.came[1])) if files.came else ([], {})
    part = forecast_part(read_json(files.values), tracks, stack, settings["thresholds"])
    write_table(snakemake.output.table, part["rows"], COLUMNS)
    write_text(snakemake.output.page, forecast_page(settings["name"], settings["medium"], part))


if __name__ == "__main__":
    run_job(main, snakemake)
