"""Whether the present files still give the recorded results, and what differs; it is said in the terminal and in a file.

input:  as of write_record, brought up to date before
output: none: it is asked anew each time; written is params.settings["said"]
params: as of write_record; settings also: recorded (path of the record.json to hold them against), said (path of the text file)
"""

from bounceproof.comparing import compare, lines
from bounceproof.files import finite, write_text
from bounceproof.record import present, read_record
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    recorded = read_record(settings["recorded"])
    rows = compare(recorded, finite(present(snakemake.input, settings, snakemake.params.made_by)))
    write_text(settings["said"], "\n".join(lines(rows)) + "\n")


if __name__ == "__main__":
    run_job(main, snakemake)
