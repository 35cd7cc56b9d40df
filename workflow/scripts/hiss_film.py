"""Film how hiss adds up, with its sound.

input:  sound (listening/hiss.wav), about (listening/hiss.tsv)
output: film (film/hiss.mp4), or film (.gif), frames (folder), sound (.wav) where there is no encoder
params: settings = {figures, tracks: [{track, take}] in the order in which they join, simulated: [how many, of how many]}
"""

from bounceproof.audio import read_audio
from bounceproof.figures import hissfilm
from bounceproof.figures.style import Look
from bounceproof.files import number_in, read_table
from bounceproof.filming import FRAMES_PER_S, write_film
from bounceproof_job import run_job

_NUMBERS = ("from_s", "to_s", "tracks", "level_dbfs")


def main(snakemake):
    settings = snakemake.params.settings
    sound = read_audio(snakemake.input.sound)
    rows = read_table(snakemake.input.about)
    steps = [{**{key: number_in(row[key]) for key in _NUMBERS}, "muted": row["muted"] == "yes"} for row in rows]
    names = [one["track"] for one in settings["tracks"]][: int(max(step["tracks"] for step in steps))]
    pictures = hissfilm.frames(
        Look(settings["figures"]), names, steps, simulated=settings["simulated"], frames_per_s=FRAMES_PER_S
    )
    write_film(dict(snakemake.output.items()), pictures, sound.samples, sound.rate_hz)


if __name__ == "__main__":
    run_job(main, snakemake)
