"""Make a track's mix-ready file: its aligned return at the stem's level, or silence that says why; and cut its listening excerpt:
the stem's loudest seconds, then the return through two clicks, followed, and restored.

input:  stem (stems/TRACK.wav), stem_about (stems/TRACK.json); aligned (aligned.wav), clicks (aligned-clicks.wav), alignment
        (alignment.json) and bands (bands.tsv), left out for a track without a take; condition (condition.json; only to mute,
        restore or undo level riding)
output: ready (mix/TRACK.wav, with its description), about (mix/TRACK.ready.json); wav, mp3, parts (excerpts/TRACK.wav for a film
        or a post, .mp3 for the page, .json: from_s, gain_db, parts)
params: settings = {track, take|None, session, sample_rate_hz, song_samples, mute, restore ("minimum" | "linear" | None; the
        excerpt is always restored, then linear), boost_limit_db, lost_db, undo_riding (bool), riding_limit_db, band_high_hz}
"""

from bounceproof import excerpts, mix
from bounceproof.audio import AudioBlocks, read_mono, write_pcm24_wav
from bounceproof.broadcast import Description, write_described_wav
from bounceproof.condition.level import analysis_bands
from bounceproof.files import read_json, read_table, write_atomically, write_json
from bounceproof.quantities import amplitude_from_db
from bounceproof.restoring import LINEAR, equaliser
from bounceproof_job import run_job


def main(snakemake):
    settings, paths = snakemake.params.settings, snakemake.input
    alignment = read_json(paths.alignment) if settings["take"] else None
    write_ready(snakemake.output, paths, alignment, settings)
    write_excerpt(snakemake.output, paths, alignment, settings)


def write_ready(output, paths, alignment, settings):
    reason = mix.why_silent(alignment)
    rate_hz, frames = settings["sample_rate_hz"], settings["song_samples"]
    curve, undone, samples = None, None, mix.silence(frames)
    if reason is None:
        # Held as a whole only where something has to be done to it.
        samples = AudioBlocks(paths.aligned).channel(1)
        if settings["undo_riding"] or settings["restore"] or settings["mute"]:
            samples = samples[:]
        if settings["undo_riding"]:
            samples, undone = levelled(samples, paths, settings)
        if settings["restore"]:
            samples, curve = restored(samples, paths, alignment, settings)
        if settings["mute"]:
            samples = mix.muted(samples, rate_hz, read_json(paths.condition)["playing_s"] or [])
        samples = mix.Ready(samples, rate_hz, level_db=alignment["level_db"], frames=frames)
    start = read_json(paths.stem_about)["time_reference_sample"]
    about = {
        "track": settings["track"],
        "take": alignment["take"] if alignment else None,
        "silent": reason is not None,
        "reason": reason,
        "simulated": bool(alignment and alignment.get("simulated")),
        "level_db": alignment["level_db"] if reason is None else None,
        "fade_in_s": mix.FADE_IN_S,
        "fade_out_s": mix.FADE_OUT_S,
        "muted": reason is None and settings["mute"],
        "restored": settings["restore"] if reason is None else None,
        "boost_limit_db": settings["boost_limit_db"] if curve else None,
        "equaliser": curve,
        "level_riding_undone": undone,
        "time_reference_sample": start,
    }
    lines = mix.what_was_done(about, alignment)
    description = Description(f"{settings['track']}: {'; '.join(lines)}", settings["session"], start, lines)
    write_described_wav(output.ready, samples, rate_hz, description)
    write_json(output.about, {**about, "description": description.text})


def levelled(aligned, paths, settings):
    """(the return with its level control's ride taken back, what was done); unchanged and None where no control was found."""
    import numpy as np
    from bounceproof.condition.ride import undoing_gain
    from bounceproof.quantities import amplitude_db

    condition = read_json(paths.condition)
    ride = condition["level_ride"]
    if not ride or not ride["found"]:
        return aligned, None
    limits = {"high_hz": settings["band_high_hz"], "limit_db": settings["riding_limit_db"]}
    gain = undoing_gain(read_mono(paths.stem)[: len(aligned)], settings["sample_rate_hz"], ride, **limits)
    gain = np.pad(gain, (0, len(aligned) - len(gain)), mode="edge")
    most, least = float(amplitude_db(gain.max())), float(amplitude_db(gain.min()))
    undone = {"limit_db": settings["riding_limit_db"], "most_db": most, "least_db": least}
    return aligned * gain, undone | noise_gains(gain, settings["sample_rate_hz"], condition["playing_s"] or [])


def noise_gains(gain, rate_hz, playing_s):
    """{noise_playing_db, noise_resting_db}: by how much a gain (per sample) lifts steady noise while the stem plays and while it
    rests; None where it never does.
    """
    import numpy as np
    from bounceproof.quantities import power_db

    plays = np.zeros(len(gain), dtype=bool)
    for start_s, end_s in playing_s:
        plays[int(start_s * rate_hz) : int(end_s * rate_hz)] = True
    both = {"noise_playing_db": gain[plays], "noise_resting_db": gain[~plays]}
    return {name: float(power_db(np.mean(part**2))) if len(part) else None for name, part in both.items()}


def restored(aligned, paths, alignment, settings):
    """(the return equalised towards its stem, rows of the curve)."""
    laid = aligned * amplitude_from_db(alignment["level_db"])
    found = towards(read_mono(paths.stem), laid, paths, settings, settings["restore"])
    return found.applied(aligned), found.rows


def towards(stem, laid, paths, settings, phase):
    """The Equaliser of a return at its stem's level."""
    rate_hz = settings["sample_rate_hz"]
    over_db = {float(row["nominal_hz"]): float(row["signal_over_hiss_db"] or "nan") for row in read_table(paths.bands)}
    limits = {"limit_db": settings["boost_limit_db"], "lost_db": settings["lost_db"]}
    return equaliser(stem, laid, rate_hz, analysis_bands(rate_hz), over_db, phase=phase, **limits)


def write_excerpt(output, paths, alignment, settings):
    """The excerpt of the return as it came, whatever is done to the mix-ready file; of the stem alone where there is none, or
    none that has a level.
    """
    rate_hz, take = settings["sample_rate_hz"], None
    if mix.why_silent(alignment) is None:

        def equalised(stem, laid):
            found = towards(stem, laid, paths, settings, settings["restore"] or LINEAR)
            # Some seconds take less time in double precision than the library for single takes to load.
            return found.applied(laid, float)

        sounds = (AudioBlocks(path).channel(1) for path in (paths.aligned, paths.clicks))
        gain, followed = amplitude_from_db(alignment["level_db"]), alignment["method"] == "follow"
        take = excerpts.Take(*sounds, gain, followed, equalised)
    excerpt = excerpts.cut(AudioBlocks(paths.stem).channel(1), rate_hz, take)
    write_pcm24_wav(output.wav, excerpt.samples, rate_hz)
    with write_atomically(output.mp3) as temporary:
        temporary.write_bytes(excerpts.compressed(excerpt.samples, rate_hz))
    about = {"track": settings["track"], "from_s": excerpt.from_s, "gain_db": excerpt.gain_db, "parts": excerpt.parts}
    write_json(output.parts, about)


if __name__ == "__main__":
    run_job(main, snakemake)
