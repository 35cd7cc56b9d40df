"""Lay a return on its stem's time base.

input:  capture (the recorded file), stem (stems/TRACK.wav), transfer (transfers/TRACK.wav), facts (transfers/TRACK.json),
        others (stems/*.wav of the other tracks; opened only where the music is not this track's)
output: alignment (alignment.json), time_map (time-map.tsv), aligned (aligned.wav), clicks (aligned-clicks.wav)
params: settings = {track, take, simulated, capture_channel, band_low_hz, band_high_hz, names: {number: track}, alignment:
{method, …}}
"""

from pathlib import Path

from bounceproof.aligning.lay import lay_return, unreadable
from bounceproof.audio import AudioProblem, read_audio, write_float_wav
from bounceproof.files import file_sha256, read_json, write_json
from bounceproof.timemap import write_time_map
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    stem = read_audio(snakemake.input.stem)
    laid = lay(snakemake.input, stem.samples[:, 0], settings)
    write_float_wav(snakemake.output.aligned, laid.aligned, stem.rate_hz)
    write_float_wav(snakemake.output.clicks, laid.aligned_clicks, stem.rate_hz)
    write_time_map(snakemake.output.time_map, laid.time_map)
    heading = {
        "track": settings["track"],
        "take": settings["take"],
        "simulated": settings["simulated"],
        "capture_sha256": file_sha256(snakemake.input.capture),
    }
    write_json(snakemake.output.alignment, {**heading, **laid.alignment})


def lay(paths, stem, settings):
    """The Laid return; a capture that cannot be read is rejected like any other."""
    try:
        capture = read_audio(paths.capture)
    except AudioProblem as problem:
        return unreadable(str(problem), len(stem), settings["alignment"]["method"])
    return lay_return(
        capture.samples,
        capture.rate_hz,
        stem,
        read_audio(paths.transfer).samples[:, 0],
        read_json(paths.facts),
        settings=settings["alignment"],
        band_hz=(settings["band_low_hz"], settings["band_high_hz"]),
        channel=settings["capture_channel"],
        names={int(number): track for number, track in settings["names"].items()},
        others=stems_of(paths.others),
        notes=capture.notes,
    )


def stems_of(paths):
    """(track, samples) of each stem, read one by one as they are asked for."""
    for path in paths:
        yield Path(path).stem, read_audio(path).samples[:, 0]


if __name__ == "__main__":
    run_job(main, snakemake)
