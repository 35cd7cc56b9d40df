"""Synthesise the demo song's stems.

output: one WAV (32-bit float) for each of `names`, in their order
params: settings = {seed, names}
"""

from bounceproof.audio import write_float_wav
from bounceproof.demo_song import catalogue, synthesise
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    song = catalogue(settings["seed"])
    for name, path in zip(settings["names"], snakemake.output, strict=True):
        write_float_wav(path, synthesise(name, settings["seed"]), song[name]["rate_hz"])


if __name__ == "__main__":
    run_job(main, snakemake)
