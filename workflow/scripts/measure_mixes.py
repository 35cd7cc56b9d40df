"""Measure the four rough mixes and compare them; hold every two tracks' timing against each other.

A track without a usable return is named in reference.json.
input:  returned, returned_clicks, source, narrow_band (mix/*.wav); stem_abouts (stems/TRACK.json): a list, one entry for each
        track of params.settings["tracks"]; alignments, time_maps, conditions: lists, one entry for each of those tracks that has
        a take, in that order; stack (noise/stack.json)
output: reference (mix/reference.json), timing (mix/timing.tsv: every two tracks)
params: settings = {sample_rate_hz, song_s, band_low_hz, band_high_hz, reference_hiss_below_full_db (None: the reference does not
        hiss), thresholds, tracks: [{track, take|None, mix_db, click_stem_s: [start, end]}]}, code: what the code of this job
        amounts to

What was measured of the mixes of the stems is kept for the next run, see `bounceproof.keeping`.
"""

from pathlib import Path

import bounceproof_job
from bounceproof import at_once, between_tracks, mix, reference, verdicts
from bounceproof.audio import AudioBlocks
from bounceproof.files import file_sha256, read_json, write_json, write_table
from bounceproof.keeping import Shelf
from bounceproof.quantities import power_db, power_from_db
from bounceproof.record import package_versions
from bounceproof.timemap import KNOT_S, read_time_map

OF_STEMS = ("source", "narrow-band")


def main(snakemake):
    settings, files, thresholds = snakemake.params.settings, snakemake.input, snakemake.params.settings["thresholds"]
    of_takes = {"alignment": files.alignments, "time_map": files.time_maps, "condition": files.conditions}
    used, left_out = mix.usable(settings["tracks"], {"about": files.stem_abouts}, of_takes)
    stack = read_json(files.stack)
    comparison = reference.compare(
        measured(snakemake),
        settings["sample_rate_hz"],
        (settings["band_low_hz"], settings["band_high_hz"]),
        hiss_dbfs=(stack.get("total") or {}).get("flat_dbfs"),
        reference_hiss_dbfs=reference_hiss_dbfs(used, settings["reference_hiss_below_full_db"]),
    )
    table = between_tracks.rows([course_of(one, settings["song_s"]) for one in used])
    write_table(snakemake.output.timing, table, between_tracks.COLUMNS)
    heading = {
        "simulated": any(one["alignment"].get("simulated") for one in used),
        "tracks": [one["track"] for one in used],
        "left_out": left_out,
        "pan_law": "sine and cosine: left cos, right sin of (pan + 1) 45 degrees",
    }
    found = {**heading, "timing": between_tracks.summed_up(table), **comparison}
    respects = [one._asdict() for one in verdicts.reference_respects(found, thresholds=thresholds)] if used else []
    answer = verdicts.reference_answer(found, stack, thresholds=thresholds)
    write_json(snakemake.output.reference, {"answer": answer, "respects": respects, **found})


def measured(snakemake):
    """{name: Measures} of the four mixes; those of the stems as they were, if these are."""
    rate_hz = snakemake.params.settings["sample_rate_hz"]
    paths = {name: getattr(snakemake.input, name.replace("-", "_")) for name in reference.MIXES}
    made_of = {
        "mixes": at_once.each(file_sha256, [paths[name] for name in OF_STEMS]),
        "sample_rate_hz": rate_hz,
        "code": snakemake.params.code,
        "versions": package_versions(),
    }
    shelf = Shelf(Path(snakemake.output.reference).with_name(".kept-measures"), made_of)
    known = {name: reference.recalled(values) for name, values in (shelf.taken([]) or {}).items()}
    found = reference.measured({name: AudioBlocks(path) for name, path in paths.items()}, rate_hz, known)
    if not known:
        shelf.keep([], {name: found[name] for name in OF_STEMS})
    return found


def reference_hiss_dbfs(used, below_full_db):
    """The level of all the hiss laid into the narrow-band reference, None where none is."""
    if below_full_db is None:
        return None
    peaks_dbfs = [read_json(one["about"])["peak_dbfs"] for one in used]
    levels_dbfs = [mix.typical_hiss_dbfs(peak_dbfs, below_full_db) for peak_dbfs in peaks_dbfs]
    power = sum(power_from_db(level_dbfs + one["mix_db"]) for level_dbfs, one in zip(levels_dbfs, used, strict=True))
    return float(power_db(power)) if power > 0 else None


def course_of(one, song_s):
    """Where a track lies through the song, every so often: enough to hold it against the others."""
    alignment, every = one["alignment"], max(1, round(between_tracks.STEP_S / KNOT_S / 4))
    back_s = [alignment.get(f"{end}_click_return_s") for end in ("start", "end")]
    return between_tracks.course(
        one["track"],
        read_time_map(one["time_map"], every=every),
        one["click_stem_s"],
        back_s,
        read_json(one["condition"])["playing_s"] or [],
        song_s,
        by_clicks=alignment.get("method") == "clicks",
    )


if __name__ == "__main__":
    bounceproof_job.run_job(main, snakemake)
