"""Zip what `bundle` holds and all that was read (settings, tables, stems, captures) and sent, so that others can run it again;
audio as FLAC where that loses nothing.

input:  members: list of files as of bundle; transfers: list of transfers/TRACK.wav; files: everything read
output: bundle (bundle-full.zip)
params: settings = {names: as of bundle, session: the session record, track_columns: the columns that tracks.tsv may have}
"""

import tempfile
from pathlib import Path

from bounceproof.bundling import AGAIN, COLUMNS, pack_audio, session_members, write_bundle
from bounceproof.files import file_sha256, write_table
from bounceproof_job import run_job


def main(snakemake):
    settings, output = snakemake.params.settings, Path(snakemake.output.bundle)
    output.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=output.parent, prefix=".packing-") as folder:
        members, rows = session_members(settings["session"], folder, columns=settings["track_columns"])
        for path in map(Path, snakemake.input.transfers):
            original = f"transfers/{path.name}"
            packed, name, form = pack_audio(path, folder, f"results/{original}")
            members[name] = packed
            rows.append({"file": name, "original": original, "original_sha256": file_sha256(path), "form": form})
        members |= dict(zip((f"results/{name}" for name in settings["names"]), snakemake.input.members, strict=True))
        members["files.tsv"] = Path(folder) / "files.tsv"
        write_table(members["files.tsv"], rows, COLUMNS)
        members["READ-ME.txt"] = AGAIN.encode("utf-8")
        write_bundle(output, members)


if __name__ == "__main__":
    run_job(main, snakemake)
