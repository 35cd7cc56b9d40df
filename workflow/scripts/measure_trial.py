"""Measure what came back of a track's trial.

input:  capture, trial (planning/trials/TRACK.wav), transfer, facts (transfers/trials/TRACK.wav, .json)
output: values (planning/trials/TRACK.json)
params: settings = {track, band_low_hz, band_high_hz, gap_s, tail_s, alignment, distortion_percent}
"""

from bounceproof.aligning.channels import channel_samples
from bounceproof.aligning.lay import lay_return
from bounceproof.audio import read_capture, read_mono
from bounceproof.files import read_json, write_json
from bounceproof.planning.trials import measure_trial
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    capture, facts, trial = read_capture(files.capture), read_json(files.facts), read_mono(files.trial)
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    laid = lay_return(
        capture.samples,
        capture.rate_hz,
        trial,
        read_mono(files.transfer),
        facts,
        settings=settings["alignment"],
        band_hz=band_hz,
    )
    heading = {"track": settings["track"], "state": laid.alignment["state"], "reason": laid.alignment["reason"]}
    if laid.alignment["state"] != "aligned":
        write_json(snakemake.output.values, heading)
        return
    channel, _ = channel_samples(capture.samples, laid.alignment["capture"]["channel"])
    values = measure_trial(
        trial,
        laid.aligned,
        channel,
        capture.rate_hz,
        laid.alignment,
        facts["passages"],
        rate_hz=facts["sample_rate_hz"],
        band_hz=band_hz,
        transfer=settings,
        distortion_percent=settings["distortion_percent"],
    )
    write_json(snakemake.output.values, {**heading, **values})


if __name__ == "__main__":
    run_job(main, snakemake)
