"""Cut each track's listening excerpt: its stem's loudest seconds, through two clicks, followed, and restored.

input:  stems: one for each of params.settings["tracks"]; aligned, clicks, alignments, bands: one for each of those that have a
        take; mixed: not read, see the rule
output: wavs, mp3s, abouts: lists parallel to the tracks (excerpts/TRACK.wav for a film or a post, .mp3 for the page, .json:
        from_s, gain_db, parts)
params: settings = {tracks: [{track, take|None, restore ("minimum" | "linear" | None: linear)}], boost_limit_db, lost_db}
"""

from bounceproof import excerpts
from bounceproof.audio import AudioBlocks, write_pcm24_wav
from bounceproof.condition.level import analysis_bands
from bounceproof.files import read_json, read_table, write_atomically, write_json
from bounceproof.mix import why_silent
from bounceproof.quantities import amplitude_from_db
from bounceproof.restoring import LINEAR, equaliser
from bounceproof_job import run_job

# The equaliser learns from this much to either side of what is heard: enough for its bands, and far less work than a whole song.
_AROUND_S = 4.0


def main(snakemake):
    settings, files, output = snakemake.params.settings, snakemake.input, snakemake.output
    taken = zip(files.aligned, files.clicks, files.alignments, files.bands, strict=True)
    written = zip(output.wavs, output.mp3s, output.abouts, strict=True)
    for track, stem, targets in zip(settings["tracks"], files.stems, written, strict=True):
        rate_hz, excerpt = cut(track, settings, stem, next(taken) if track["take"] else None)
        wav, mp3, about = targets
        write_pcm24_wav(wav, excerpt.samples, rate_hz)
        with write_atomically(mp3) as temporary:
            temporary.write_bytes(excerpts.compressed(excerpt.samples, rate_hz))
        write_json(about, {"track": track["track"], "from_s": excerpt.from_s, "gain_db": excerpt.gain_db, "parts": excerpt.parts})


def cut(track, settings, stem_path, take):
    """(rate in Hz, the track's Excerpt); where there is no take, or none that has a level, the stem alone is heard.

    take: paths of the return through its map, through two clicks, of alignment.json and bands.tsv; None while the track waits.
    """
    blocks = AudioBlocks(stem_path)
    stem, rate_hz = blocks.channel(1), blocks.facts.rate_hz
    from_s = excerpts.loudest_from_s(stem, rate_hz)
    first = round(from_s * rate_hz)
    last = min(len(stem), first + round(excerpts.PART_S * rate_hz))
    parts = {"Stem": stem[first:last]}
    alignment = read_json(take[2]) if take else None
    if why_silent(alignment) is None:
        aligned, clicks, _, bands = take
        gain = amplitude_from_db(alignment["level_db"])
        around = max(0, first - round(_AROUND_S * rate_hz)), min(len(stem), last + round(_AROUND_S * rate_hz))
        heard = slice(first - around[0], last - around[0])
        laid = AudioBlocks(aligned).frames(*around)[:, 0] * gain
        parts["Two clicks"] = AudioBlocks(clicks).frames(first, last)[:, 0] * gain
        if alignment["method"] == "follow":
            parts["Followed"] = laid[heard]
        parts["Restored"] = restored(stem[slice(*around)], laid, rate_hz, bands, track["restore"], settings)[heard]
    return rate_hz, excerpts.together(parts, rate_hz, from_s)


def restored(stem, laid, rate_hz, bands_path, phase, settings):
    """The return at its stem's level, equalised towards it."""
    over_db = {float(row["nominal_hz"]): float(row["signal_over_hiss_db"] or "nan") for row in read_table(bands_path)}
    limits = {"limit_db": settings["boost_limit_db"], "lost_db": settings["lost_db"]}
    found = equaliser(stem, laid, rate_hz, analysis_bands(rate_hz), over_db, phase=phase or LINEAR, **limits)
    return found.applied(laid)


if __name__ == "__main__":
    run_job(main, snakemake)
