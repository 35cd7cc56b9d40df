"""Put the trials that came back together: a send level for each.

input:  values: list of planning/trials/TRACK.json
output: page (planning/trials.html), table (planning/trials.tsv)
params: settings = {name, tracks: [{track, send_db}], distortion_percent, thresholds}
"""

from bounceproof.files import read_json, write_table, write_text
from bounceproof.report.trials_page import COLUMNS, trial_row, trials_page
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    came = {values["track"]: values for values in map(read_json, snakemake.input.values)}
    rows = [trial_row(track, came.get(track["track"]), settings["thresholds"]) for track in settings["tracks"]]
    write_table(snakemake.output.table, rows, COLUMNS)
    write_text(snakemake.output.page, trials_page(settings["name"], rows, settings["distortion_percent"]))


if __name__ == "__main__":
    run_job(main, snakemake)
