"""Make a track's mix-ready file: its aligned return at the stem's level, or silence that says why.

input:  aligned (aligned.wav) and alignment (alignment.json); both left out for a track without a take
output: ready (mix/TRACK.wav), about (mix/TRACK.ready.json)
params: settings = {track, take|None, sample_rate_hz, song_samples}
"""

from bounceproof import mix
from bounceproof.audio import read_mono, write_float_wav
from bounceproof.files import read_json, write_json
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    alignment = read_json(snakemake.input.alignment) if settings["take"] else None
    reason = mix.why_silent(alignment)
    rate_hz, frames = settings["sample_rate_hz"], settings["song_samples"]
    if reason is None:
        aligned = read_mono(snakemake.input.aligned)
        samples = mix.ready(aligned, rate_hz, level_db=alignment["level_db"], frames=frames)
    else:
        samples = mix.silence(frames)
    write_float_wav(snakemake.output.ready, samples, rate_hz)
    about = {
        "track": settings["track"],
        "take": settings["take"],
        "silent": reason is not None,
        "reason": reason,
        "simulated": bool(alignment and alignment.get("simulated")),
        "level_db": alignment["level_db"] if reason is None else None,
        "fade_in_s": mix.FADE_IN_S,
        "fade_out_s": mix.FADE_OUT_S,
    }
    write_json(snakemake.output.about, about)


if __name__ == "__main__":
    run_job(main, snakemake)
