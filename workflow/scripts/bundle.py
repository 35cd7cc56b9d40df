"""Zip report, tables, figures and record for publication.

input:  members: list of files
output: bundle (bundle.zip)
params: settings = {names: their names in the bundle, parallel to members}
"""

from bounceproof.bundling import write_bundle
from bounceproof_job import run_job


def main(snakemake):
    names = snakemake.params.settings["names"]
    write_bundle(snakemake.output.bundle, dict(zip(names, snakemake.input.members, strict=True)))


if __name__ == "__main__":
    run_job(main, snakemake)
