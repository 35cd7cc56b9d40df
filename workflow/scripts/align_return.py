"""Lay a return on its stem's time base.

input:  capture (the recorded file), stem (stems/TRACK.wav), transfer (transfers/TRACK.wav), facts (transfers/TRACK.json), partner
        ([stem, transfer, facts] of the other leg that the same file holds, or nothing),
        others (stems/*.wav of the other tracks; opened only where the music is not this track's)
output: alignment (alignment.json), time_map (time-map.tsv), aligned (aligned.wav), clicks (aligned-clicks.wav)
params: settings = {track, take, simulated, capture_channel, partner ({track, capture_channel} | None), band_low_hz,
band_high_hz, names: {number: track}, alignment: {method, …}}
"""

from functools import partial
from pathlib import Path

import numpy as np
from bounceproof.aligning.channels import channel_samples, choose_channel
from bounceproof.aligning.kept import Kept
from bounceproof.aligning.lay import heard, lay_kept, unreadable
from bounceproof.aligning.together import shared_map
from bounceproof.audio import AudioProblem, look_at, read_audio, read_mono, write_float_wav
from bounceproof.files import file_sha256, read_json, write_json
from bounceproof.reading import read_through
from bounceproof.timemap import write_time_map
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    paths = snakemake.input
    laid, rate_hz = lay(paths, paths.stem, paths.transfer, paths.facts, settings["capture_channel"], settings)
    if settings["partner"]:
        laid = with_partner(laid, paths, settings)
    write_float_wav(snakemake.output.aligned, laid.aligned, rate_hz)
    write_time_map(snakemake.output.time_map, laid.time_map)
    heading = {
        "track": settings["track"],
        "take": settings["take"],
        "simulated": settings["simulated"],
        "capture_sha256": file_sha256(snakemake.input.capture),
    }
    write_json(snakemake.output.alignment, {**heading, **laid.alignment})
    # An hour of song is 0.7 GB: one of the two is held at a time.
    laid = laid._replace(aligned=None)
    write_float_wav(snakemake.output.clicks, laid.aligned_clicks(), rate_hz)


def with_partner(laid, paths, settings):
    """The Laid return read through the map that both channels of its pass share, and what they have in common told."""
    partner = settings["partner"]
    other, rate_hz = lay(paths, *paths.partner, partner["capture_channel"], settings)
    alignments = [one.alignment for one in (laid, other)]
    if any(one["state"] != "aligned" or one["offset_sigma_us"] is None for one in alignments):
        return laid
    shared = shared_map(laid.time_map, other.time_map, offsets_us=[one["offset_sigma_us"] for one in alignments])
    if shared is None:
        return laid
    capture_rate_hz = laid.alignment["capture"]["rate_hz"]
    samples = one_channel(paths.capture, laid.alignment["capture"]["channel"])
    count = len(laid.aligned)
    aligned = read_through(samples, capture_rate_hz, shared.time_map, start_s=0.0, count=count, rate_hz=rate_hz)
    aligned *= np.float32(laid.alignment["polarity"])
    aligned *= heard(shared.time_map, count, rate_hz)
    together = {
        "with": partner["track"],
        "skew_us": shared.skew_us,
        "skew_sigma_us": shared.skew_sigma_us,
        "sigma_gain": shared.gain,
    }
    return laid._replace(aligned=aligned, time_map=shared.time_map, alignment={**laid.alignment, "together": together})


def lay(paths, stem_path, transfer_path, facts_path, capture_channel, settings):
    """(the Laid return, the stem's rate); a capture that cannot be read is rejected like any other."""
    facts, count = read_json(facts_path), look_at(stem_path).frames
    stem, sent = (Kept(partial(read_mono, path)) for path in (stem_path, transfer_path))
    try:
        capture = read_audio(paths.capture)
    except AudioProblem as problem:
        return unreadable(str(problem), count, settings["alignment"]["method"]), facts["sample_rate_hz"]
    chosen = choose_channel(capture.samples, capture.rate_hz, wanted=capture_channel)
    remarks, capture_facts = [*chosen.remarks, *capture.notes], chosen.facts
    channel = Kept(partial(one_channel, paths.capture, chosen.number), chosen.samples)
    # Nobody but `channel` is to hold the samples, so that they can be let go.
    del capture, chosen
    laid = lay_kept(
        channel,
        capture_facts,
        stem,
        sent,
        facts,
        count=count,
        settings=settings["alignment"],
        band_hz=(settings["band_low_hz"], settings["band_high_hz"]),
        names={int(number): track for number, track in settings["names"].items()},
        others=stems_of(paths.others),
        remarks=remarks,
    )
    return laid, facts["sample_rate_hz"]


def one_channel(path, number):
    return channel_samples(read_audio(path).samples, number)[0]


def stems_of(paths):
    """(track, samples) of each stem, read one by one as they are asked for."""
    for path in paths:
        yield Path(path).stem, read_mono(path)


if __name__ == "__main__":
    run_job(main, snakemake)
