"""A song's results in one ZIP for publication; and with all that was read, so that others can run it again.

Conventions: members have slashes and no dates, sorted by name: the same content gives the same bytes. Audio goes in as FLAC where
that loses nothing (whole numbers of at most 24 bits; proven by reading it back), else as it is.
"""

import csv
import hashlib
import io
import re
import zipfile
from pathlib import Path

import numpy as np

from bounceproof.broadcast import time_reference
from bounceproof.files import file_sha256, write_atomically

_NO_DATE = (1980, 1, 1, 0, 0, 0)
_STORED = (".png", ".flac", ".zip", ".wav", ".pdf")
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24}
_FLAC_OF = {8: "PCM_S8", 16: "PCM_16", 24: "PCM_24"}
AGAIN = """\
A song's session and what came of it.

session/    settings, tables, stems and captures; run it with
            envs/run snakemake --config session=PATH/TO/session
results/    report, tables, figures, transfers, and record.json: hashes, settings, code, versions and numbers of that run
files.tsv   where each audio file comes from, the hash of the original, and what was done to it

Whether a run of your own gives the same:
            envs/run snakemake verify --config session=PATH/TO/session record=PATH/TO/results/record.json
Files that became FLAC have other bytes than the record says, and the same samples.
"""
COLUMNS = ("file", "original", "original_sha256", "form")


def write_bundle(path, members):
    """Write a ZIP. members: {name in it: a file's path, or bytes}. Raises OSError where a file cannot be read."""
    with write_atomically(path) as temporary, zipfile.ZipFile(temporary, "w") as bundle:
        for name in sorted(members):
            about = zipfile.ZipInfo(name, _NO_DATE)
            about.external_attr = 0o644 << 16
            about.compress_type = zipfile.ZIP_STORED if name.lower().endswith(_STORED) else zipfile.ZIP_DEFLATED
            content = members[name]
            with bundle.open(about, "w", force_zip64=True) as out:
                if isinstance(content, bytes):
                    out.write(content)
                    continue
                with Path(content).open("rb") as source:
                    while piece := source.read(1 << 20):
                        out.write(piece)


def pack_audio(source, folder, name):
    """(path to put into the bundle, its name there, what was done) of an audio file that is to be called `name`; a FLAC made for
    it lies in `folder`.
    """
    source, base = Path(source), name.rpartition(".")[0]
    if source.suffix.lower() == ".flac":
        return source, name, "as it was"
    if source.suffix.lower() in (".wav", ".wave", ".rf64") and time_reference(source):
        return source, name, "as it was: it says where the song starts, which FLAC cannot"
    made = Path(folder) / f"{hashlib.sha256(name.encode()).hexdigest()[:32]}.flac"
    if _flac(source, made):
        return made, f"{base}.flac", "FLAC, the same samples"
    return source, name, "as it was: FLAC would lose something"


def _flac(source, made):
    """Whether `made` is now a FLAC that holds exactly the samples of `source`."""
    import soundfile

    from bounceproof.audio import AudioProblem, look_at, read_audio, reason_of_the_system

    try:
        bits, read = _BITS.get(look_at(source).subtype, 24), read_audio(source, dtype="float64")
    except AudioProblem:
        return False
    whole = read.samples * 2.0 ** (bits - 1)
    reach = 2.0 ** (bits - 1)
    if not len(whole) or (whole != np.round(whole)).any() or whole.max() >= reach or whole.min() < -reach:
        return False
    samples = whole.astype(np.int32) << (32 - bits)
    with write_atomically(made) as temporary, reason_of_the_system(temporary):
        soundfile.write(temporary, samples, read.rate_hz, format="FLAC", subtype=_FLAC_OF[bits])
    back, _ = soundfile.read(made, dtype="int32", always_2d=True)
    return bool(np.array_equal(back, samples))


def session_members(session, folder, *, columns):
    """({name in the bundle: path or bytes}, rows of files.tsv) of a session's own folder: settings, tables, stems and captures.

    session: the session record; folder: where FLACs may be made; columns: those that tracks.tsv may have.
    """
    home, members, rows = Path(session["folder"]), {}, []

    def add(source, name):
        packed, named, form = pack_audio(source, folder, f"session/{name}")
        members[named] = packed
        rows.append({"file": named, "original": name, "original_sha256": file_sha256(source), "form": form})
        return named.removeprefix("session/")

    if (home / "session.yaml").is_file():
        members["session/session.yaml"] = _portable(home / "session.yaml")
    for table in ("pairs.tsv", "takes.tsv"):
        if (home / table).is_file():
            members[f"session/{table}"] = home / table
    placed = {}
    if session["stems_from"] != "demo_song":
        for stem in dict.fromkeys(track["stem"] for track in session["tracks"]):
            placed[stem] = add(stem, _inside(home, stem, "stems"))
    if (home / "tracks.tsv").is_file():
        members["session/tracks.tsv"] = _tracks_table(home, placed, columns)
    takes = [take["path"] for takes in session["takes"].values() for take in takes]
    beside = [*session["captures"], *session["calibrations"], *session["wires"], *session["trials"].values()]
    for capture in dict.fromkeys([*takes, *beside]):
        add(capture, _inside(home, capture, "returns"))
    return members, rows


def _inside(home, path, otherwise):
    """A file's path relative to the session's folder, or below `otherwise` where it lies outside."""
    path = Path(path)
    return path.relative_to(home).as_posix() if path.is_relative_to(home) else f"{otherwise}/{path.name}"


def _portable(path):
    """session.yaml without the folder of its results, which is this machine's."""
    text = path.read_bytes()
    return re.sub(rb"(?m)^results_dir\s*:.*\r?\n?", b"", text)


def _tracks_table(home, placed, columns):
    """tracks.tsv with its stems where the bundle has them; as it is where no stem was moved."""
    from bounceproof.session.mistakes import Mistakes
    from bounceproof.session.stems import find_stem
    from bounceproof.session.tabular import read_rows

    path = home / "tracks.tsv"
    if not placed:
        return path
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, delimiter="\t", lineterminator="\n", restval="")
    writer.writeheader()
    for row in read_rows(path, path.name, columns, Mistakes()):
        found, _ = find_stem(home, row.cells.get("stem") or row.cells["track"])
        writer.writerow({**row.cells, "stem": placed[str(found)]})
    return out.getvalue().encode("utf-8")
