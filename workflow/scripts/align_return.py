"""Lay a return on its stem's time base; one leg of two captured together takes over the motion that both channels share.

input:  capture (the recorded file), stem (stems/TRACK.wav), transfer (transfers/TRACK.wav), facts (transfers/TRACK.json),
        others (stems/*.wav of the other tracks; opened only where the music is not this track's); alone ([alignment, time_map,
        aligned, clicks] of this leg laid by itself) and partner ([alignment, time_map] of the other): nothing where the capture
        is a file of its own, and while a leg is laid by itself
output: alignment (alignment.json), time_map (time-map.tsv), aligned (aligned.wav), clicks (aligned-clicks.wav)
params: content (the capture's SHA-256, or "simulated"), settings = {track, take, simulated, capture_channel,
        partner (track | None), band_low_hz, band_high_hz, names: {number: track}, alignment: {method, …}}
"""

import shutil
from functools import partial
from pathlib import Path

import bounceproof_job
from bounceproof import at_once
from bounceproof.aligning.channels import channel_samples, choose_channel
from bounceproof.aligning.kept import Kept
from bounceproof.aligning.together import shared_map
from bounceproof.audio import AudioProblem, look_at, read_capture, read_mono, write_float_wav
from bounceproof.files import file_sha256, read_json, write_atomically, write_json
from bounceproof.sliced import HELD_SAMPLES
from bounceproof.timemap import read_time_map, write_time_map


def main(snakemake):
    if snakemake.params.settings["partner"]:
        share(snakemake.input, snakemake.output, snakemake.params.settings)
    else:
        lay_alone(snakemake)
    bounceproof_job.check_unchanged(snakemake.input.capture, snakemake.params.content)


def lay_alone(snakemake):
    settings = snakemake.params.settings
    laid, rate_hz = lay(snakemake.input, settings)
    # An hour of song is 0.7 GB: one of the two is held at a time.
    aligned = [laid.aligned]
    laid = laid._replace(aligned=None)
    _, capture_sha256, *_ = at_once.together(
        lambda: write_float_wav(snakemake.output.aligned, aligned.pop(), rate_hz),
        lambda: file_sha256(snakemake.input.capture),
        lambda: write_time_map(snakemake.output.time_map, laid.time_map),
        lambda: write_float_wav(snakemake.output.clicks, laid.aligned_clicks(), rate_hz),
    )
    heading = {
        "track": settings["track"],
        "take": settings["take"],
        "simulated": settings["simulated"],
        "capture_sha256": capture_sha256,
    }
    write_json(snakemake.output.alignment, {**heading, **laid.alignment})


def share(paths, output, settings):
    """The leg read anew through the map that both channels of its pass share, and what they have in common told; as it was laid
    by itself where there is no such map.
    """
    alone = dict(zip(("alignment", "time_map", "aligned", "clicks"), paths.alone, strict=True))
    alignment, shared = read_json(alone["alignment"]), shared_by(paths.alone, paths.partner)
    copied = ["clicks"] if shared else list(alone)
    for name in copied:
        with write_atomically(getattr(output, name)) as temporary:
            shutil.copyfile(alone[name], temporary)
    if shared is None:
        return
    capture, stem = alignment["capture"], look_at(alone["aligned"])
    samples = one_channel(paths.capture, capture["channel"])
    read_laid = laying().read_laid
    aligned = read_laid(samples, capture["rate_hz"], shared.time_map, alignment["polarity"], stem.frames, stem.rate_hz)
    write_float_wav(output.aligned, aligned, stem.rate_hz)
    write_time_map(output.time_map, shared.time_map)
    together = {
        "with": settings["partner"],
        "skew_us": shared.skew_us,
        "skew_sigma_us": shared.skew_sigma_us,
        "sigma_gain": shared.gain,
    }
    write_json(output.alignment, {**alignment, "together": together})


def shared_by(own, other):
    """The Shared map of two legs, by their files (alignment.json and time-map.tsv first); None where either was not followed."""
    alignments = [read_json(paths[0]) for paths in (own, other)]
    if any(one["state"] != "aligned" or one["offset_sigma_us"] is None for one in alignments):
        return None
    maps = [read_time_map(paths[1]) for paths in (own, other)]
    # Maps err in the capture's time, alignments in the song's.
    offsets_us = [one["offset_sigma_us"] / each.mean_speed_ratio for one, each in zip(alignments, maps, strict=True)]
    return shared_map(*maps, offsets_us=offsets_us)


def lay(paths, settings):
    """(the Laid return, the stem's rate); a capture that cannot be read is rejected like any other."""
    facts, count = read_json(paths.facts), look_at(paths.stem).frames
    stem, sent = (Kept(partial(read_mono, path)) for path in (paths.stem, paths.transfer))
    read = partial(read_channel, paths.capture, settings["capture_channel"])
    try:
        (channel, capture_facts, remarks), _ = at_once.together(read, laying)
    except AudioProblem as problem:
        return laying().unreadable(str(problem), count, settings["alignment"]["method"]), facts["sample_rate_hz"]
    laid = laying().lay_kept(
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


def laying():
    """The module that lays a return, loaded where it is asked for: that takes longer than to read a capture, and goes beside."""
    from bounceproof.aligning import lay

    return lay


def read_channel(path, wanted):
    """(the capture's channel to use, Kept; its facts; remarks). Raises AudioProblem where it cannot be read."""
    capture = read_capture(path)
    chosen = choose_channel(capture.samples, capture.rate_hz, wanted=wanted)
    # Nobody else holds the samples, so that they can be let go.
    channel = Kept(partial(one_channel, path, chosen.number), chosen.samples, held_samples=HELD_SAMPLES)
    return channel, chosen.facts, [*chosen.remarks, *capture.notes]


def one_channel(path, number):
    return channel_samples(read_capture(path).samples, number, in_place=True)[0]


def stems_of(paths):
    """(track, samples) of each stem, read one by one as they are asked for."""
    for path in paths:
        yield Path(path).stem, read_mono(path)


if __name__ == "__main__":
    bounceproof_job.run_job(main, snakemake)
