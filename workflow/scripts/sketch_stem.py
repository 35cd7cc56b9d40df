"""Sketch a stem by narrow bands, so that it is known again in other tracks' returns.

input:  stem (stems/TRACK.wav)
output: sketch (stems/TRACK.sketch.npy)
params: settings = {sample_rate_hz}
"""

from bounceproof.audio import read_mono
from bounceproof.sketches import sketch, write_sketch
from bounceproof_job import run_job


def main(snakemake):
    stem = read_mono(snakemake.input.stem)
    write_sketch(snakemake.output.sketch, sketch(stem, snakemake.params.settings["sample_rate_hz"]))


if __name__ == "__main__":
    run_job(main, snakemake)
