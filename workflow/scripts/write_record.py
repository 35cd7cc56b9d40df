"""Write the record of the run (hashes of everything read and made, settings, code, versions, numbers; the same on any machine)
and a paragraph of method with its numbers.

input:  files: list of everything read (stems, captures, session files, configuration); chosen: list of chosen/TRACK/chosen.json;
        made: list of results to be hashed; alignments, conditions: lists parallel to chosen; pair_summaries: list of
        pairs/*.json; stack (noise/stack.json), reference (mix/reference.json)
output: record (record.json), method (method.txt)
params: settings = {session: the session record; project_dir}, made_by: {rule: what its code amounts to}, content: list of SHA-256
        parallel to files: what the run was planned with, and each job has read
"""

from pathlib import Path

from bounceproof.files import file_sha256, read_json, write_json, write_text
from bounceproof.method import paragraph
from bounceproof.record import present
from bounceproof.remembered import Remembered
from bounceproof_job import run_job


def main(snakemake):
    params = snakemake.params
    # Of what nobody has touched since the last record the hash is known.
    remembered = Remembered(file_sha256, Path(snakemake.output.record).parent / "logs" / "recorded.json")
    hashes = {"files_sha256": params.content, "hash_of": remembered}
    write_json(snakemake.output.record, present(snakemake.input, params.settings, params.made_by, **hashes))
    remembered.keep()
    write_text(snakemake.output.method, paragraph(read_json(snakemake.output.record)))


if __name__ == "__main__":
    run_job(main, snakemake)
