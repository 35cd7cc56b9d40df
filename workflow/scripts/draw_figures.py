"""Draw the figures for video and print from finished tables.

input:  alignments, time_maps, bands: lists, one entry for each track of params.settings["tracks"] that has a take, in that order;
        stack (noise/stack.json), stack_table (noise/stack.tsv); pair_summaries, pair_tables: lists (pairs/*.json, *.tsv), may be
        empty
output: timing, survived, stack, pair_sums: each a list of paths, figures/NAME.png and .svg
params: settings = {figures: {width_px, height_px, dark}, band_low_hz, band_high_hz, click_stem_s: [start, end] (the clicks'
        instants in the stem's time: click sample less stem_start_sample, over the rate), tracks: [{track, take|None,
        send_speed}]}
"""

from bounceproof.figures import pairsum, stacking, survived, timing
from bounceproof.figures.style import Look, number, save
from bounceproof.files import read_json, read_table
from bounceproof.timemap import read_time_map
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    look = Look(settings.get("figures"))
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    there = [track for track in settings["tracks"] if track["take"]]
    alignments = {track["track"]: read_json(path) for track, path in zip(there, files.alignments, strict=True)}
    maps = {track["track"]: path for track, path in zip(there, files.time_maps, strict=True)}
    bands = {track["track"]: read_table(path) for track, path in zip(there, files.bands, strict=True)}
    save(timing.draw(look, list(timings(there, alignments, maps, settings["click_stem_s"]))), snakemake.output.timing)
    save(
        survived.draw(look, [survival(track, alignments, bands) for track in settings["tracks"]], band_hz),
        snakemake.output.survived,
    )
    save(
        stacking.draw(look, [stack_row(row) for row in read_table(files.stack_table)], read_json(files.stack)),
        snakemake.output.stack,
    )
    read = [(read_json(one), read_table(table)) for one, table in zip(files.pair_summaries, files.pair_tables, strict=True)]
    pairs = [pair(summary, rows) for summary, rows in read if summary["declared"] or summary["shared_bands"]]
    save(pairsum.draw(look, pairs), snakemake.output.pair_sums)


def timings(tracks, alignments, maps, click_stem_s):
    for track in tracks:
        alignment = alignments[track["track"]]
        time_map = read_time_map(maps[track["track"]]) if alignment["state"] == "aligned" else None
        if time_map is None:
            continue
        clicks_s = click_stem_s
        if track.get("send_speed", 1) != 1:
            # The gaps are not sent faster: a click before the stem lies where it lay, one after it moves with the stem's end.
            stem_s = time_map.stem_s[-1]
            clicks_s = [click_stem_s[0] * track["send_speed"], stem_s + (click_stem_s[1] - stem_s) * track["send_speed"]]
        back_s = alignment.get("start_click_return_s"), alignment.get("end_click_return_s")
        stem_s, error_ms, sigma_ms = timing.clicks_line_error_ms(time_map, clicks_s, back_s)
        yield {
            "track": track["track"],
            "simulated": bool(alignment.get("simulated")),
            "method": alignment.get("method"),
            "stem_s": stem_s,
            "error_ms": error_ms,
            "sigma_ms": sigma_ms,
            "clicks_only_rms_us": alignment.get("clicks_only_rms_us"),
            "residual_rms_us": alignment.get("residual_rms_us"),
        }


def survival(track, alignments, bands):
    alignment = alignments.get(track["track"])
    note = "waiting for its return" if alignment is None else None
    if alignment is not None and alignment["state"] != "aligned":
        note = "rejected"
    rows = {float(row["nominal_hz"]): number(row["signal_over_hiss_db"]) for row in bands.get(track["track"], [])}
    return {
        "track": track["track"],
        "simulated": bool(alignment and alignment.get("simulated")),
        "note": note,
        "over_hiss_db": rows,
    }


def stack_row(row):
    numbers = {key: number(row[key]) for key in ("flat_dbfs", "running_flat_dbfs", "ten_lg_n_dbfs")}
    return {"track": row["track"], "simulated": row["simulated"] == "yes", **numbers}


def pair(summary, rows):
    note = None if summary["state"] == "measured" else summary["reason"]
    if summary["kind"] == "doubled" and note is None:
        note = "two performances:\nonly timing counts"
    elif note is None and not summary["shared_bands"]:
        note = "the stems share nothing\nthat stands over the hiss"
    bands = [
        {"nominal_hz": number(row["nominal_hz"]), "aligned_db": loss(row, "aligned"), "clicks_db": loss(row, "clicks")}
        for row in rows
    ]
    same = summary["methods"] == ["clicks", "clicks"]
    return {"pair": summary["pair"], "simulated": summary["simulated"], "note": note, "same": same, "bands": bands}


def loss(row, way):
    return -number(row[f"loss_{way}_db"]) if row["shared"] == "yes" else float("nan")


if __name__ == "__main__":
    run_job(main, snakemake)
