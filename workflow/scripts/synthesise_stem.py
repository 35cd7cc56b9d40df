"""Synthesise one stem of the demo song.

output: stem (WAV, 32-bit float)
params: settings = {seed, stem: its name}
"""

from bounceproof.audio import write_float_wav
from bounceproof.demo_song import catalogue, synthesise
from bounceproof_job import run_job


def main(snakemake):
    seed, name = snakemake.params.settings["seed"], snakemake.params.settings["stem"]
    write_float_wav(snakemake.output.stem, synthesise(name, seed), catalogue(seed)[name]["rate_hz"])


if __name__ == "__main__":
    run_job(main, snakemake)
