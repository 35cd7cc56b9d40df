"""Write the record of the run: hashes of everything read, settings, chain, versions, seeds; the same on any machine.

input:  files: list of everything read (stems, captures, session files, configuration)
output: record (record.json)
params: settings = {session: the session record; project_dir}
"""

from bounceproof.files import read_json, write_json
from bounceproof.record import Places, record
from bounceproof_job import run_job


def chosen_takes(session, paths):
    """{track: the take that goes on, or None while it waits} from the choices made."""
    chosen = {about["track"]: about["take"] for about in map(read_json, paths)}
    return {track["track"]: chosen.get(track["track"]) for track in session["tracks"]}


def main(snakemake):
    settings = snakemake.params.settings
    session = settings["session"]
    places = Places({"session": session["folder"], "results": session["results_dir"], "project": settings["project_dir"]})
    write_json(
        snakemake.output.record,
        record(session, snakemake.input.files, chosen=chosen_takes(session, snakemake.input.chosen), places=places),
    )


if __name__ == "__main__":
    run_job(main, snakemake)
