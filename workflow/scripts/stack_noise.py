"""Stack the hiss of all tracks at the mix's gains.

input:  alignments, conditions, bands: lists, one entry for each track of params.settings["tracks"] that has a take, in that order
        ready: list of mix/TRACK.ready.json of those whose mix-ready files are equalised or have a level ride taken back
output: summary (noise/stack.json), table (noise/stack.tsv)
params: settings = {song_s, band_low_hz, band_high_hz, tracks: [{track, take|None, mix_db, pan}]}
"""

from bounceproof import stack
from bounceproof.files import read_json, read_table, write_json, write_table
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    there = [track for track in settings["tracks"] if track["take"]]
    files = {
        track["track"]: (read_json(alignment), read_json(condition), read_table(bands))
        for track, alignment, condition, bands in zip(
            there, snakemake.input.alignments, snakemake.input.conditions, snakemake.input.bands, strict=True
        )
    }
    changed = {one["track"]: one for one in map(read_json, snakemake.input.ready)}
    band_hz = settings["band_low_hz"], settings["band_high_hz"]
    layers, left_out = [], []
    for track in settings["tracks"]:
        found = files.get(track["track"], (None, None, []))
        layer, reason = stack.layer(track, *found, ready=changed.get(track["track"]), band_hz=band_hz)
        if layer is None:
            left_out.append({"track": track["track"], "take": track["take"], "reason": reason})
        else:
            layers.append(layer)
    heading = {"band_hz": list(band_hz), "left_out": left_out}
    write_table(snakemake.output.table, stack.rows(layers, song_s=settings["song_s"]), stack.columns(layers))
    write_json(snakemake.output.summary, {**heading, **stack.stacked(layers, song_s=settings["song_s"])})


if __name__ == "__main__":
    run_job(main, snakemake)
