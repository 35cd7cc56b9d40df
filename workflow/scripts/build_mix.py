"""Build the four rough mixes over the same tracks, and compare them.

A track without a usable return is left out of all four, and named in reference.json.
input:  stems, stem_abouts (stems/TRACK.wav, .json), ready (mix/TRACK.wav): lists, one entry for each track of
        params.settings["tracks"]; alignments, clicks (aligned-clicks.wav), time_maps, conditions: lists, one entry for each of
        those tracks that has a take, in that order; stack (noise/stack.json)
output: returned, returned_clicks, source, narrow_band (mix/*.wav), reference (mix/reference.json), stereo (list of mix/TRACK.wav:
        the two legs of each stereo track in one file), timing (mix/timing.tsv: every two tracks)
params: settings = {session, seed, sample_rate_hz, song_samples, band_low_hz, band_high_hz, reference_hiss_below_full_db (None:
        the reference does not hiss), thresholds, tracks: [{track, take|None, mix_db, pan, click_stem_s: [start, end]}], stereo:
        [{track, left, right}]}, code: what the code of this job amounts to

The mixes of the stems are kept for the next run, see `bounceproof.keeping`.
"""

from pathlib import Path

import bounceproof_job
import numpy as np
from bounceproof import at_once, between_tracks, mix, reference, verdicts
from bounceproof.audio import AudioBlocks, read_mono, write_float_pieces, write_through
from bounceproof.broadcast import Description, time_reference, write_described_wav
from bounceproof.files import read_json, write_json, write_table
from bounceproof.keeping import Shelf
from bounceproof.quantities import SINE_CREST_DB, peak_dbfs, power_db, power_from_db
from bounceproof.record import package_versions
from bounceproof.timemap import KNOT_S, read_time_map

OF_STEMS = ("source", "narrow-band")


def main(snakemake):
    settings = snakemake.params.settings
    used, left_out = chosen_tracks(snakemake.input, settings["tracks"])
    rate_hz, frames = settings["sample_rate_hz"], settings["song_samples"]
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    hiss_dbfs, hiss = reference_hiss(used, settings, band_hz)
    # Another take changes neither mix of the stems, as long as the same tracks are used.
    shelf = Shelf(Path(snakemake.output.source).with_name(".kept"), made_of(used, snakemake.params))
    of_stems = [snakemake.output.source, snakemake.output.narrow_band]
    known = {name: reference.recalled(values) for name, values in (shelf.taken(of_stems) or {}).items()}
    # Each mix is written, and each measured, by itself, so that as many can be in the making as there are threads.
    mixes = write_mixes(snakemake.output, used, hiss, frames, rate_hz, band_hz, stems_too=not known)
    measured = reference.measured(mixes, rate_hz, known)
    if not known:
        shelf.keep(of_stems, {name: measured[name] for name in OF_STEMS})
    stack = read_json(snakemake.input.stack)
    stack_dbfs = (stack.get("total") or {}).get("flat_dbfs")
    comparison = reference.compare(measured, rate_hz, band_hz, hiss_dbfs=stack_dbfs, reference_hiss_dbfs=hiss_dbfs)
    paths = dict(zip((one["track"] for one in settings["tracks"]), snakemake.input.ready, strict=True))
    for one, path in zip(settings["stereo"], snakemake.output.stereo, strict=True):
        write_both_legs(path, one, paths, settings)
    table = between_tracks.rows([course_of(one, frames / rate_hz) for one in used])
    write_table(snakemake.output.timing, table, between_tracks.COLUMNS)
    heading = {
        "simulated": any(one["alignment"].get("simulated") for one in used),
        "tracks": [one["track"] for one in used],
        "left_out": left_out,
        "pan_law": "sine and cosine: left cos, right sin of (pan + 1) 45 degrees",
    }
    found = {**heading, "timing": between_tracks.summed_up(table), **comparison}
    thresholds = settings["thresholds"]
    respects = [one._asdict() for one in verdicts.reference_respects(found, thresholds=thresholds)] if used else []
    answer = verdicts.reference_answer(found, stack, thresholds=thresholds)
    write_json(snakemake.output.reference, {"answer": answer, "respects": respects, **found})


def made_of(used, params):
    """All that the two mixes of the stems, and what is measured of them, depend on: see `keeping`."""
    keys = ("sample_rate_hz", "song_samples", "band_low_hz", "band_high_hz", "seed", "reference_hiss_below_full_db")
    return {
        "tracks": [[read_json(one["stem_about"])["samples_sha256"], one["mix_db"], one["pan"]] for one in used],
        "settings": {key: params.settings[key] for key in keys},
        "code": params.code,
        "versions": package_versions(),
    }


def write_mixes(paths, used, hiss, frames, rate_hz, band_hz, *, stems_too):
    """{name: AudioBlocks} of the four mixes, written; those of the stems are there already unless stems_too."""

    def from_stems():
        summed = write_through(paths.source, mix.summed(parts(used, stem_of), frames), frames, 2, rate_hz)
        narrow = mix.narrow_band_pieces(mix.with_hiss(summed, hiss), rate_hz, band_hz)
        write_float_pieces(paths.narrow_band, narrow, frames, 2, rate_hz)

    def from_returns(path, samples_of):
        write_float_pieces(path, mix.summed(parts(used, samples_of), frames), frames, 2, rate_hz)

    makers = [
        lambda: from_returns(paths.returned_clicks, lambda one: by_clicks(one, rate_hz, frames)),
        lambda: from_returns(paths.returned, lambda one: AudioBlocks(one["ready"]).channel(1)),
    ]
    # The longest first.
    at_once.together(*([from_stems, *makers] if stems_too else makers))
    return {name: AudioBlocks(getattr(paths, name.replace("-", "_"))) for name in reference.MIXES}


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


def write_both_legs(path, stereo, paths, settings):
    legs = [paths[stereo[side]] for side in ("left", "right")]
    text = f"left: {stereo['left']}, right: {stereo['right']}, as in their own files"
    description = Description(f"{stereo['track']}: {text}", settings["session"], time_reference(legs[0]), (text,))
    samples = np.stack([read_mono(leg) for leg in legs], axis=1)
    write_described_wav(path, samples, settings["sample_rate_hz"], description)


def chosen_tracks(paths, tracks):
    """(tracks with a usable return, with their files; tracks left out, with the reason)."""
    takes = iter(zip(paths.alignments, paths.clicks, paths.time_maps, paths.conditions, strict=True))
    used, left_out = [], []
    for track, stem, about, ready in zip(tracks, paths.stems, paths.stem_abouts, paths.ready, strict=True):
        alignment_path, *files = next(takes) if track["take"] else [None]
        alignment = read_json(alignment_path) if alignment_path else None
        reason = mix.why_silent(alignment)
        if reason is None:
            own = dict(zip(("clicks", "time_map", "condition"), files, strict=True))
            used.append({**track, **own, "stem": stem, "stem_about": about, "ready": ready, "alignment": alignment})
        else:
            left_out.append({"track": track["track"], "reason": reason})
    return used, left_out


def parts(tracks, samples_of):
    """What `mix.summed` sums."""
    return [(samples_of(one), one["mix_db"], one["pan"]) for one in tracks]


def stem_of(one):
    return AudioBlocks(one["stem"]).channel(1)


def reference_hiss(tracks, settings, band_hz):
    """(level in dBFS, `parts`) of the hiss that the medium usually lays under these stems; (None, []) where none is wanted."""
    below_db, rate_hz = settings["reference_hiss_below_full_db"], settings["sample_rate_hz"]
    if below_db is None:
        return None, []
    hiss, power = [], 0.0
    for number, one in enumerate(tracks):
        # A sine that fills the tape peaks where the stem does.
        level_dbfs = peak_dbfs(stem_of(one)) - SINE_CREST_DB - below_db
        seed = [settings["seed"], number]
        hiss.append((mix.TypicalHiss(rate_hz, band_hz, level_dbfs=level_dbfs, seed=seed), one["mix_db"], one["pan"]))
        power += power_from_db(level_dbfs + one["mix_db"])
    return float(power_db(power)) if power > 0 else None, hiss


def by_clicks(one, rate_hz, frames):
    aligned = AudioBlocks(one["clicks"]).channel(1)
    return mix.Ready(aligned, rate_hz, level_db=one["alignment"]["level_db"], frames=frames)


if __name__ == "__main__":
    bounceproof_job.run_job(main, snakemake)
