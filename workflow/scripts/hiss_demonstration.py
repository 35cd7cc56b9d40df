"""Make audible how hiss adds up: of 1, 2, 4, ... all tracks at true relative level, and of all with muting.

input:  hiss (mix/TRACK.hiss.wav), conditions (condition.json): lists, one entry for each of params.settings["tracks"]
output: sound (listening/hiss.wav, stereo), about (listening/hiss.tsv: what is heard when)
params: settings = {session, sample_rate_hz, song_s, tracks: [{track, take, mix_db, pan}]}
"""

from bounceproof import hiss_demonstration
from bounceproof.audio import read_mono
from bounceproof.broadcast import Description, write_described_wav
from bounceproof.files import read_json, write_table
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    layers = [
        hiss_demonstration.Layer(
            one["track"], read_mono(hiss), one["mix_db"], one["pan"], read_json(condition).get("playing_s") or []
        )
        for one, hiss, condition in zip(settings["tracks"], files.hiss, files.conditions, strict=True)
    ]
    rate_hz = settings["sample_rate_hz"]
    samples, rows = hiss_demonstration.demonstration(layers, rate_hz, song_s=settings["song_s"])
    text = "hiss of 1, 2, 4 ... all tracks at the mix's gains, then of all with muting; loud at full volume"
    write_described_wav(snakemake.output.sound, samples, rate_hz, Description(text, settings["session"], 0, (text,)))
    write_table(snakemake.output.about, rows, hiss_demonstration.COLUMNS)


if __name__ == "__main__":
    run_job(main, snakemake)
