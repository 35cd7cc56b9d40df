"""Propose a send level for each stem.

input:  stems: list of stems/TRACK.wav, parallel to params.settings["tracks"]; recorder: [recorder.json], or nothing
output: page (planning/send-levels.html), table (planning/send-levels.tsv)
params: settings = {name, medium, send_db, distortion_percent, thresholds, tracks: [{track, role, send_db}]}
"""

from bounceproof.audio import look_at, read_mono
from bounceproof.files import read_json, write_table, write_text
from bounceproof.planning.send_levels import measured_machine, propose, typical_machine
from bounceproof.report.levels_page import COLUMNS, level_row, levels_page
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    medium, recorder = settings["medium"], snakemake.input.recorder
    values = read_json(recorder[0]) if recorder else None
    rows = []
    for track, path in zip(settings["tracks"], snakemake.input.stems, strict=True):
        rate_hz = look_at(path).rate_hz
        machine = (
            measured_machine(values) if values else typical_machine(medium, full_send_db=settings["send_db"], rate_hz=rate_hz)
        )
        proposal = propose(
            read_mono(path),
            rate_hz,
            machine,
            (medium["band_low_hz"], medium["band_high_hz"]),
            distortion_percent=settings["distortion_percent"],
        )
        rows.append(level_row(track, proposal, settings["thresholds"]))
    write_table(snakemake.output.table, rows, COLUMNS)
    page = levels_page(settings["name"], rows, distortion_percent=settings["distortion_percent"], recorder=values, medium=medium)
    write_text(snakemake.output.page, page)


if __name__ == "__main__":
    run_job(main, snakemake)
