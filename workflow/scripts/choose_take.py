"""Choose a track's take: the files of the one that goes on, copied to chosen/TRACK, or the average of all of them.

input:  alignments, time_maps, aligned, clicks, conditions, bands: lists, one entry for each take in natural order; stem
        (stems/TRACK.wav; only where an average is wanted)
output: alignment, time_map, aligned, clicks, condition, bands, about (chosen.json: take, why, average)
params: settings = {track, want ("best" | "latest" | "average" | name), takes: [name], band_low_hz, band_high_hz}
"""

import shutil

from bounceproof.files import read_json, read_table, write_atomically, write_json, write_table
from bounceproof.takes import AVERAGE, choose, usable
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    measured = [(read_json(a), read_json(c)) for a, c in zip(files.alignments, files.conditions, strict=True)]
    place, why = choose(settings["takes"], measured, settings["want"])
    about = {"track": settings["track"], "take": settings["takes"][place], "why": why, "average": None}
    several = [k for k, (alignment, _) in enumerate(measured) if usable(alignment)]
    if settings["want"] == AVERAGE and len(several) > 1:
        several.sort(key=lambda k: k != place)
        about |= averaged(files, snakemake.output, settings, several, measured)
    else:
        copied(files, snakemake.output, place)
        if settings["want"] == AVERAGE:
            about["why"] = f"nothing to average: {why}"
    write_json(snakemake.output.about, about)


def copied(files, output, place):
    for source, target in (
        (files.alignments, output.alignment),
        (files.time_maps, output.time_map),
        (files.aligned, output.aligned),
        (files.clicks, output.clicks),
        (files.conditions, output.condition),
        (files.bands, output.bands),
    ):
        copy(source[place], target)


def copy(source, target):
    with write_atomically(target) as temporary:
        shutil.copyfile(source, temporary)


def averaged(files, output, settings, several, measured):
    """Write the average of the takes at the places `several`, the first of them standing for it; what chosen.json says of it."""
    from bounceproof import averaged_take, averaging
    from bounceproof.audio import look_at, read_mono, write_float_wav
    from bounceproof.condition.level import analysis_bands
    from bounceproof.condition.survival import BAND_COLUMNS
    from bounceproof.quantities import amplitude_from_db
    from bounceproof.timemap import read_time_map, write_time_map

    rate_hz, band_hz = look_at(files.stem).rate_hz, (settings["band_low_hz"], settings["band_high_hz"])
    bands, maps, takes = analysis_bands(rate_hz), [], []
    standing_db = measured[several[0]][0]["level_db"]
    for k in several:
        # Levels as in the take that stands for the average, so that its level_db still holds.
        gain_db = measured[k][0]["level_db"] - standing_db
        maps.append(read_time_map(files.time_maps[k]))
        powers = averaged_take.powers(read_table(files.bands[k]), bands, gain_db)
        samples = read_mono(files.aligned[k]) * amplitude_from_db(gain_db)
        takes.append(averaging.Take(settings["takes"][k], samples, maps[-1].sigma_in_song_us, *powers))
    result = averaging.average(read_mono(files.stem), takes, rate_hz, bands, band_hz)
    alignments, (standing, condition) = [measured[k][0] for k in several], measured[several[0]]
    write_float_wav(output.aligned, result.samples, rate_hz)
    copy(files.clicks[several[0]], output.clicks)
    write_time_map(output.time_map, averaged_take.map_of(result, maps[0]))
    write_json(output.alignment, averaged_take.alignment_of(result, standing, alignments))
    write_json(output.condition, averaged_take.condition_of(result, condition, takes[0].hiss, bands, band_hz))
    rows = averaged_take.rows_of(result, read_table(files.bands[several[0]]), takes[0].hiss, bands)
    write_table(output.bands, rows, BAND_COLUMNS)
    return {"take": AVERAGE, "why": averaging.in_words(result.record), "average": result.record}


if __name__ == "__main__":
    run_job(main, snakemake)
