"""Make one long transfer a side, so that a whole side is recorded in one go.

input:  sheet (transfers/run-sheet.tsv), audio: list of transfers/TRACK.wav
output: table (transfers/sides/sides.tsv: side, tape_side, file, track, from_s); the files lie beside it (side-1A.wav, 24 bit)
params: settings = {leader_s}
"""

from pathlib import Path

import numpy as np
from bounceproof.audio import AudioBlocks, write_pcm24_pieces
from bounceproof.files import read_table, write_table
from bounceproof_job import run_job

COLUMNS = ("side", "tape_side", "file", "track", "from_s")
_BLOCK = 1 << 20


def main(snakemake):
    files = {Path(path).name: path for path in snakemake.input.audio}
    folder, sides = Path(snakemake.output.table).parent, {}
    for row in read_table(snakemake.input.sheet):
        sides.setdefault(row["tape_side"], []).append(row)
    rows = []
    for name, members in sides.items():
        blocks = [AudioBlocks(files[row["file"]]) for row in members]
        rate_hz = blocks[0].facts.rate_hz
        leader = round(snakemake.params.settings["leader_s"] * rate_hz)
        frames = leader + sum(one.facts.frames for one in blocks)
        write_pcm24_pieces(folder / f"side-{name}.wav", pieces(leader, blocks), frames, rate_hz)
        for row in members:
            place = {"side": row["side"], "tape_side": name, "file": f"side-{name}.wav"}
            rows.append({**place, "track": row["track"], "from_s": float(row["starts_at_s"])})
    write_table(snakemake.output.table, rows, COLUMNS)


def pieces(leader, blocks):
    """A side's samples, piece by piece: the leader's silence, then each transfer."""
    yield np.zeros(leader)
    for one in blocks:
        for first in range(0, one.facts.frames, _BLOCK):
            yield one.frames(first, first + _BLOCK)[:, 0]


if __name__ == "__main__":
    run_job(main, snakemake)
