"""Choose a track's take: the files of the one that goes on, copied to chosen/TRACK.

input:  alignments, time_maps, aligned, clicks, conditions, bands: lists, one entry for each take in natural order
output: alignment, time_map, aligned, clicks, condition, bands, about (chosen.json: take, why)
params: settings = {track, want ("best" | "latest" | name), takes: [name]}
"""

import shutil

from bounceproof.files import read_json, write_atomically, write_json
from bounceproof.takes import choose
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    measured = [(read_json(a), read_json(c)) for a, c in zip(files.alignments, files.conditions, strict=True)]
    place, why = choose(settings["takes"], measured, settings["want"])
    for source, target in (
        (files.alignments, snakemake.output.alignment),
        (files.time_maps, snakemake.output.time_map),
        (files.aligned, snakemake.output.aligned),
        (files.clicks, snakemake.output.clicks),
        (files.conditions, snakemake.output.condition),
        (files.bands, snakemake.output.bands),
    ):
        with write_atomically(target) as temporary:
            shutil.copyfile(source[place], temporary)
    write_json(snakemake.output.about, {"track": settings["track"], "take": settings["takes"][place], "why": why})


if __name__ == "__main__":
    run_job(main, snakemake)
