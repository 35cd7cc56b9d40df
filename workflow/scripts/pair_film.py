"""Film two tracks of a pair drifting apart under two clicks and pulled together by following, with their sum to be heard.

input:  pair (pairs/PAIR.json); first_aligned, second_aligned, first_clicks, second_clicks (chosen/TRACK/aligned.wav,
        aligned-clicks.wav), first_alignment, second_alignment
output: film (film/PAIR.mp4), or film (.gif), frames (folder), sound (.wav) where there is no encoder
params: settings = {figures, pair, song_s, mix_db: [first, second]}
"""

import numpy as np
from bounceproof.audio import read_audio
from bounceproof.figures import pairfilm
from bounceproof.figures.style import Look
from bounceproof.files import read_json
from bounceproof.filming import FRAMES_PER_S, write_film
from bounceproof.quantities import amplitude_from_db
from bounceproof_job import run_job

PEAK_DBFS = -6.0


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    pair = read_json(files.pair)
    if pair["state"] != "measured":
        raise OSError(f"{settings['pair']}: this pair was not measured ({pair['reason']}); name another with --config pair=NAME.")
    span_s = pairfilm.passage(pair["through_time"], settings["song_s"])
    ways = [(files.first_clicks, files.second_clicks), (files.first_aligned, files.second_aligned)]
    levels_db = [
        read_json(path)["level_db"] + mix_db
        for path, mix_db in zip((files.first_alignment, files.second_alignment), settings["mix_db"], strict=True)
    ]
    sums, rate_hz = zip(*(summed(way, levels_db, span_s) for way in ways), strict=True)
    pictures = pairfilm.frames(Look(settings["figures"]), pair, span_s, frames_per_s=FRAMES_PER_S)
    write_film(dict(snakemake.output.items()), pictures, both_heard(sums, rate_hz[0]), rate_hz[0])


def summed(paths, levels_db, span_s):
    """(sum of two returns over the passage at the mix's levels, rate in Hz)."""
    total, rate_hz = 0.0, 0
    for path, level_db in zip(paths, levels_db, strict=True):
        samples, rate_hz, _ = read_audio(path)
        first, last = (round(second * rate_hz) for second in span_s)
        total = total + amplitude_from_db(level_db) * samples[first:last, 0]
    return total, rate_hz


def both_heard(sums, rate_hz):
    """One after another with a pause, faded at the ends, at one gain; (frames, 2)."""
    peak = max(float(np.abs(one).max()) for one in sums)
    fade = np.minimum(1.0, np.arange(len(sums[0])) / (0.02 * rate_hz))
    pause = np.zeros(round(pairfilm.PAUSE_S * rate_hz))
    whole = np.concatenate([part for one in sums for part in (one * fade * fade[::-1], pause)])
    return np.column_stack([whole, whole]) * (amplitude_from_db(PEAK_DBFS) / peak if peak > 0 else 1.0)


if __name__ == "__main__":
    run_job(main, snakemake)
