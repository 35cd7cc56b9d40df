"""A stem as everything after works with it: one channel, the session's rate, the song's length.

input:  stem (the file as handed in)
output: stem (stems/TRACK.wav, 32-bit float), about (stems/TRACK.json: source_sha256, samples_sha256, notes, peak_dbfs,
        time_reference_sample: where the stem's own file says that the song starts, 0 if it says nothing), sketch
        (stems/TRACK.sketch.npy: the stem by narrow bands, so that it is known again in other tracks' returns)
params: content (the stem's SHA-256, or "demo_song"), settings = {track, channel, sample_rate_hz, song_samples}
"""

import hashlib

import numpy as np
from bounceproof.audio import read_audio, write_float_wav
from bounceproof.broadcast import time_reference
from bounceproof.files import file_sha256, write_json
from bounceproof.quantities import peak_dbfs, rms_dbfs
from bounceproof.sketches import sketch, write_sketch
from bounceproof.stems import prepared_stem
from bounceproof_job import check_unchanged, run_job


def main(snakemake):
    settings = snakemake.params.settings
    source = read_audio(snakemake.input.stem)
    stem, notes = prepared_stem(source, str(snakemake.input.stem), settings)
    check_unchanged(snakemake.input.stem, snakemake.params.content)
    write_float_wav(snakemake.output.stem, stem, settings["sample_rate_hz"])
    about = {
        "track": settings["track"],
        "source_sha256": file_sha256(snakemake.input.stem),
        # Of what comes out: what is made of it is told apart by it.
        "samples_sha256": hashlib.sha256(np.ascontiguousarray(stem)).hexdigest(),
        "source_rate_hz": source.rate_hz,
        "source_frames": len(source.samples),
        "source_channels": source.samples.shape[1],
        "channel": settings["channel"],
        "time_reference_sample": round(time_reference(snakemake.input.stem) * settings["sample_rate_hz"] / source.rate_hz),
        "peak_dbfs": peak_dbfs(stem),
        "rms_dbfs": rms_dbfs(stem),
        "notes": [*source.notes, *notes],
    }
    write_json(snakemake.output.about, about)
    write_sketch(snakemake.output.sketch, sketch(stem, settings["sample_rate_hz"]))


if __name__ == "__main__":
    run_job(main, snakemake)
