"""Build the four rough mixes over the same tracks.

A track without a usable return is left out of all four.
input:  stems, stem_abouts (stems/TRACK.wav, .json), ready (mix/TRACK.wav): lists, one entry for each track of
        params.settings["tracks"]; alignments, clicks (aligned-clicks.wav): lists, one entry for each of those tracks that has a
        take, in that order
output: returned, returned_clicks, source, narrow_band (mix/*.wav), stereo (list of mix/TRACK.wav: the two legs of each stereo
        track in one file)
params: settings = {session, seed, sample_rate_hz, song_samples, band_low_hz, band_high_hz, reference_hiss_below_full_db (None:
        the reference does not hiss), tracks: [{track, take|None, mix_db, pan}], stereo: [{track, left, right}]}, code: what the
        code of this job amounts to

The mixes of the stems are kept for the next run, see `bounceproof.keeping`.
"""

from pathlib import Path

import bounceproof_job
import numpy as np
from bounceproof import at_once, mix
from bounceproof.audio import AudioBlocks, read_mono, write_float_pieces, write_through
from bounceproof.broadcast import Description, time_reference, write_described_wav
from bounceproof.files import read_json
from bounceproof.keeping import Shelf
from bounceproof.record import package_versions


def main(snakemake):
    settings, files, made = snakemake.params.settings, snakemake.input, snakemake.output
    of_all = {"stem": files.stems, "about": files.stem_abouts, "ready": files.ready}
    used, _ = mix.usable(settings["tracks"], of_all, {"alignment": files.alignments, "clicks": files.clicks})
    frames, rate_hz = settings["song_samples"], settings["sample_rate_hz"]

    def written(path, samples_of):
        write_float_pieces(path, mix.summed(parts(used, samples_of), frames), frames, 2, rate_hz)

    # Each mix is written by itself, so that as many can be in the making as there are threads; the longest first.
    works = [
        lambda: written(made.returned_clicks, lambda one: by_clicks(one, rate_hz, frames)),
        lambda: written(made.returned, lambda one: AudioBlocks(one["ready"]).channel(1)),
    ]
    # Another take changes neither mix of the stems, as long as the same tracks are used.
    of_stems = [made.source, made.narrow_band]
    shelf = Shelf(Path(made.source).with_name(".kept"), made_of(used, snakemake.params))
    if shelf.taken(of_stems) is None:
        at_once.together(lambda: write_mixes_of_stems(*of_stems, used, settings), *works)
        shelf.keep(of_stems, {})
    else:
        at_once.together(*works)
    paths = dict(zip((one["track"] for one in settings["tracks"]), files.ready, strict=True))
    for one, path in zip(settings["stereo"], made.stereo, strict=True):
        write_both_legs(path, one, paths, settings)


def made_of(used, params):
    """All that the two mixes of the stems depend on: see `keeping`."""
    keys = ("sample_rate_hz", "song_samples", "band_low_hz", "band_high_hz", "seed", "reference_hiss_below_full_db")
    return {
        "tracks": [[read_json(one["about"])["samples_sha256"], one["mix_db"], one["pan"]] for one in used],
        "settings": {key: params.settings[key] for key in keys},
        "code": params.code,
        "versions": package_versions(),
    }


def write_mixes_of_stems(source, narrow_band, used, settings):
    frames, rate_hz = settings["song_samples"], settings["sample_rate_hz"]
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    summed = mix.summed(parts(used, lambda one: AudioBlocks(one["stem"]).channel(1)), frames)
    through = write_through(source, summed, frames, 2, rate_hz)
    narrow = mix.narrow_band_pieces(mix.with_hiss(through, hiss_parts(used, settings, band_hz)), rate_hz, band_hz)
    write_float_pieces(narrow_band, narrow, frames, 2, rate_hz)


def hiss_parts(used, settings, band_hz):
    """`parts` of the hiss that the medium usually lays under these stems; [] where none is wanted."""
    below_db = settings["reference_hiss_below_full_db"]
    if below_db is None:
        return []

    def hiss(number, one):
        level_dbfs = mix.typical_hiss_dbfs(read_json(one["about"])["peak_dbfs"], below_db)
        return mix.TypicalHiss(settings["sample_rate_hz"], band_hz, level_dbfs=level_dbfs, seed=[settings["seed"], number])

    return [(hiss(number, one), one["mix_db"], one["pan"]) for number, one in enumerate(used)]


def parts(tracks, samples_of):
    """What `mix.summed` sums."""
    return [(samples_of(one), one["mix_db"], one["pan"]) for one in tracks]


def by_clicks(one, rate_hz, frames):
    aligned = AudioBlocks(one["clicks"]).channel(1)
    return mix.Ready(aligned, rate_hz, level_db=one["alignment"]["level_db"], frames=frames)


def write_both_legs(path, stereo, paths, settings):
    legs = [paths[stereo[side]] for side in ("left", "right")]
    text = f"left: {stereo['left']}, right: {stereo['right']}, as in their own files"
    description = Description(f"{stereo['track']}: {text}", settings["session"], time_reference(legs[0]), (text,))
    samples = np.stack([read_mono(leg) for leg in legs], axis=1)
    write_described_wav(path, samples, settings["sample_rate_hz"], description)


if __name__ == "__main__":
    bounceproof_job.run_job(main, snakemake)
