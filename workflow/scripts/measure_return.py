"""Measure a return: level, hiss, signal over hiss per third-octave, what is broken, and what else is heard in it.

input:  aligned (aligned.wav), stem (stems/TRACK.wav), alignment (alignment.json), capture (the recorded file); sketches, others
        (stems/*.sketch.npy and *.wav of params.settings["others"]; a stem is read only where its sketch makes it suspect)
output: condition (condition.json), bands (bands.tsv)
params: content (the capture's SHA-256, or "simulated"),
        settings = {track, take, band_low_hz, band_high_hz, gap_s, tail_s, clipped_run_samples,
                    role_bands: [{name, low_hz, high_hz, importance}], others: [track],
                    search: whether foreign sounds are looked for}
"""

from functools import partial

import bounceproof_job
from bounceproof import at_once
from bounceproof.audio import AudioBlocks, look_at, read_capture
from bounceproof.condition.measure import measure_condition, rejected_condition
from bounceproof.condition.survival import BAND_COLUMNS
from bounceproof.files import read_json, write_json, write_table
from bounceproof.sketches import read_sketch
from bounceproof.sliced import held


def main(snakemake):
    settings = snakemake.params.settings
    alignment = read_json(snakemake.input.alignment)
    if alignment["state"] == "aligned":
        condition, rows = measured(snakemake.input, alignment, settings)
    else:
        condition, rows = rejected_condition(alignment), []
    bounceproof_job.check_unchanged(snakemake.input.capture, snakemake.params.content)
    write_table(snakemake.output.bands, rows, BAND_COLUMNS)
    write_json(snakemake.output.condition, {"track": settings["track"], "take": settings["take"], **condition})


def measured(paths, alignment, settings):
    return measure_condition(
        held(samples_of(paths.stem)),
        held(samples_of(paths.aligned)),
        lambda: used_channel(read_capture(paths.capture).samples, alignment),
        look_at(paths.capture).rate_hz,
        alignment,
        rate_hz=look_at(paths.aligned).rate_hz,
        band_hz=(settings["band_low_hz"], settings["band_high_hz"]),
        transfer=settings,
        role_bands=settings.get("role_bands", []),
        clip_run_samples=settings["clipped_run_samples"],
        track=settings["track"],
        others=other_stems(settings["others"], paths) if settings["search"] else None,
    )


def other_stems(tracks, paths):
    """{track: (sketch, function that opens its samples)}."""
    rows = zip(tracks, at_once.each(read_sketch, paths.sketches), paths.others, strict=True)
    return {track: (sketch, partial(samples_of, stem)) for track, sketch, stem in rows}


def samples_of(stem):
    return AudioBlocks(stem).channel(1)


def used_channel(samples, alignment):
    """The channel of the capture that was aligned; they are numbered from 1."""
    number = (alignment.get("capture") or {}).get("channel") or 1
    return samples[:, min(number, samples.shape[1]) - 1]


if __name__ == "__main__":
    bounceproof_job.run_job(main, snakemake)
