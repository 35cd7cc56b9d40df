"""Forecast a session: every stem through many recorders drawn from what is known of the real one.

input:  stems: list of stems/TRACK.wav, parallel to params.settings["tracks"]; recorder: [recorder.json] or nothing;
        came: [tracks.tsv] or nothing
output: page (planning/forecast.html), values (planning/forecast.json), table (planning/forecast.tsv)
params: settings = {name, medium, seed, send_db, thresholds, tracks: [{track, send_db, mix_db, send_speed, role_bands}]}
"""

from bounceproof.audio import look_at, read_mono
from bounceproof.files import read_json, read_table, write_json, write_table, write_text
from bounceproof.planning.forecast import Stem, expected_of_medium, expected_of_recorder, forecast
from bounceproof.report.forecast_page import COLUMNS, forecast_page, forecast_rows
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    medium = settings["medium"]
    if files.recorder:
        expected = expected_of_recorder(read_json(files.recorder[0]), medium)
    else:
        expected = expected_of_medium(medium, full_send_db=settings["send_db"])
    band_hz = (medium["band_low_hz"], medium["band_high_hz"])
    tracks = []
    for track, path in zip(settings["tracks"], files.stems, strict=True):
        rate_hz = look_at(path).rate_hz
        stem = Stem(read_mono(path), rate_hz, band_hz, send_db=track["send_db"], control=expected["control"])
        tracks.append({**track, "stem": stem})
    found = forecast(tracks, expected, band_hz=band_hz, rate_hz=rate_hz, seed=settings["seed"])
    came = {row["track"]: row for row in read_table(files.came[0])} if files.came else {}
    rows = forecast_rows(found, came, settings["thresholds"])
    write_json(snakemake.output.values, found)
    write_table(snakemake.output.table, rows, COLUMNS)
    write_text(snakemake.output.page, forecast_page(settings["name"], medium, found, rows))


if __name__ == "__main__":
    run_job(main, snakemake)
