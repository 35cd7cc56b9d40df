"""Build the four rough mixes over the same tracks, and compare them.

A track without a usable return is left out of all four, and named in reference.json.
input:  stems, ready (mix/TRACK.wav): lists, one entry for each track of params.settings["tracks"]; alignments, clicks
        (aligned-clicks.wav): lists, one entry for each of those tracks that has a take, in that order; stack (noise/stack.json)
output: returned, returned_clicks, source, narrow_band (mix/*.wav), reference (mix/reference.json), stereo (list of mix/TRACK.wav:
        the two legs of each stereo track in one file)
params: settings = {session, sample_rate_hz, song_samples, band_low_hz, band_high_hz, tracks: [{track, take|None, mix_db, pan}],
        stereo: [{track, left, right}]}
"""

import numpy as np
from bounceproof import mix, reference
from bounceproof.audio import read_mono, write_float_wav
from bounceproof.broadcast import Description, time_reference, write_described_wav
from bounceproof.files import read_json, write_json
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    used, left_out = chosen_tracks(snakemake.input, settings["tracks"])
    rate_hz, frames = settings["sample_rate_hz"], settings["song_samples"]
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    mixes = {
        "returned": summed(used, frames, lambda one: read_mono(one["ready"])),
        "returned-clicks": summed(used, frames, lambda one: by_clicks(one, rate_hz, frames)),
        "source": summed(used, frames, lambda one: read_mono(one["stem"])),
    }
    mixes["narrow-band"] = mix.narrow_band(mixes["source"], rate_hz, band_hz)
    for name, samples in mixes.items():
        write_float_wav(getattr(snakemake.output, name.replace("-", "_")), samples, rate_hz)
    paths = dict(zip((one["track"] for one in settings["tracks"]), snakemake.input.ready, strict=True))
    for one, path in zip(settings["stereo"], snakemake.output.stereo, strict=True):
        write_both_legs(path, one, paths, settings)
    comparison = reference.compare(mixes, rate_hz, band_hz, stack=read_json(snakemake.input.stack))
    heading = {
        "answer": reference.answer(comparison, len(used), left_out),
        "simulated": any(one["alignment"].get("simulated") for one in used),
        "tracks": [one["track"] for one in used],
        "left_out": left_out,
        "pan_law": "sine and cosine: left cos, right sin of (pan + 1) 45 degrees",
    }
    write_json(snakemake.output.reference, {**heading, **comparison})


def write_both_legs(path, stereo, paths, settings):
    legs = [paths[stereo[side]] for side in ("left", "right")]
    text = f"left: {stereo['left']}, right: {stereo['right']}, as in their own files"
    description = Description(f"{stereo['track']}: {text}", settings["session"], time_reference(legs[0]), (text,))
    samples = np.stack([read_mono(leg) for leg in legs], axis=1)
    write_described_wav(path, samples, settings["sample_rate_hz"], description)


def chosen_tracks(paths, tracks):
    """(tracks with a usable return, with their files; tracks left out, with the reason)."""
    takes = iter(zip(paths.alignments, paths.clicks, strict=True))
    used, left_out = [], []
    for track, stem, ready in zip(tracks, paths.stems, paths.ready, strict=True):
        alignment_path, clicks = next(takes) if track["take"] else (None, None)
        alignment = read_json(alignment_path) if alignment_path else None
        reason = mix.why_silent(alignment)
        if reason is None:
            used.append({**track, "stem": stem, "ready": ready, "clicks": clicks, "alignment": alignment})
        else:
            left_out.append({"track": track["track"], "reason": reason})
    return used, left_out


def summed(tracks, frames, samples_of):
    bus = mix.Bus(frames)
    for one in tracks:
        bus.add(samples_of(one), mix_db=one["mix_db"], pan=one["pan"])
    return bus.samples


def by_clicks(one, rate_hz, frames):
    return mix.ready(read_mono(one["clicks"]), rate_hz, level_db=one["alignment"]["level_db"], frames=frames)


if __name__ == "__main__":
    run_job(main, snakemake)
