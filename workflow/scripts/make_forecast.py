"""Forecast a session: every transfer through many recorders drawn from what is known of the real one.

input:  transfers: list of transfers/TRACK.wav, parallel to params.settings["tracks"]; facts: their JSON; recorder:
        [recorder.json] or nothing
output: values (planning/forecast.json)
params: settings = {medium, seed, send_db, tracks: [{track, mix_db, role_bands}]}
"""

from bounceproof.audio import look_at, read_mono
from bounceproof.files import read_json, write_json
from bounceproof.planning.forecast import Stem, expected_of_medium, expected_of_recorder, forecast
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    medium = settings["medium"]
    if files.recorder:
        expected = expected_of_recorder(read_json(files.recorder[0]), medium)
    else:
        expected = expected_of_medium(medium, full_send_db=settings["send_db"])
    band_hz, rate_hz = (medium["band_low_hz"], medium["band_high_hz"]), look_at(files.transfers[0]).rate_hz
    tracks = []
    for track, path, facts in zip(settings["tracks"], files.transfers, files.facts, strict=True):
        stem = Stem(read_mono(path), rate_hz, read_json(facts), band_hz, control=expected["control"])
        tracks.append({**track, "stem": stem})
    found = forecast(tracks, expected, band_hz=band_hz, rate_hz=rate_hz, seed=settings["seed"])
    write_json(snakemake.output.values, found)


if __name__ == "__main__":
    run_job(main, snakemake)
