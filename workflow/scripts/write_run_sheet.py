"""Write the run sheet from the transfers' own facts.

input:  transfers: list of transfers/TRACK.json, audio: list of transfers/TRACK.wav, both parallel to params.settings["tracks"]
output: page (run-sheet.html), table (run-sheet.tsv)
params: settings = {name, medium_label, tape_speed_cm_s|None, side_minutes, leader_s, fastest_percent, pairs: [{first, second}],
        tracks: [{track, number, group, note}]}
"""

from pathlib import Path

from bounceproof import runsheet
from bounceproof.audio import look_at, read_audio
from bounceproof.files import read_json, write_table, write_text
from bounceproof.planning.sides import related, usable_s
from bounceproof.quantities import peak_dbfs
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    files = zip(settings["tracks"], snakemake.input.transfers, snakemake.input.audio, strict=True)
    transfers = [transfer(track, read_json(about), audio) for track, about, audio in files]
    has_tape = settings.get("tape_speed_cm_s") is not None
    sheet = runsheet.rows(
        transfers,
        side_minutes=settings["side_minutes"],
        leader_s=settings["leader_s"],
        has_tape=has_tape,
        side_s=usable_s(settings["side_minutes"], settings["fastest_percent"]),
        together=related(settings["tracks"], settings["pairs"]),
    )
    write_table(snakemake.output.table, sheet, runsheet.COLUMNS)
    page = runsheet.page(
        settings["name"],
        sheet,
        medium=settings["medium_label"],
        side_minutes=settings["side_minutes"],
        leader_s=settings["leader_s"],
        has_tape=has_tape,
    )
    write_text(snakemake.output.page, page)


def transfer(track, about, audio):
    """One transfer's facts; its peak from its JSON if it stands there, else from the file."""
    facts = look_at(audio)
    peak = about.get("peak_dbfs")
    return {
        "number": track["number"],
        "track": track["track"],
        "file": Path(audio).name,
        "sample_rate_hz": about["sample_rate_hz"],
        "samples": facts.frames,
        "gain_db": about["gain_db"],
        "peak_dbfs": peak_dbfs(read_audio(audio).samples) if peak is None else peak,
        "send_speed": about["send_speed"],
        "note": track["note"],
    }


if __name__ == "__main__":
    run_job(main, snakemake)
