"""Write a track's hiss alone, as its mix-ready file holds it.

input:  chosen (chosen/TRACK/chosen.json), alignments, captures: lists, one entry for each take
output: hiss (mix/TRACK.hiss.wav)
params: settings = {track, takes: [name], session, sample_rate_hz, gap_s, tail_s}
"""

import numpy as np
from bounceproof.aligning.channels import choose_channel
from bounceproof.audio import read_capture
from bounceproof.broadcast import Description, write_described_wav
from bounceproof.files import read_json
from bounceproof.hiss_file import hiss_alone
from bounceproof.quantities import amplitude_from_db
from bounceproof.takes import usable
from bounceproof_job import run_job


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    about = read_json(files.chosen)
    shares = {about["take"]: 1.0}
    if about["average"]:
        shares = {one["take"]: one["share_percent"] / 100.0 for one in about["average"]["takes"]}
    takes = dict(zip(settings["takes"], zip(files.alignments, files.captures, strict=True), strict=True))
    pieces = [share * hiss_of(*takes[take], settings) for take, share in shares.items()]
    count = min(map(len, pieces))
    hiss = np.sum([piece[:count] for piece in pieces], axis=0)
    rate_hz = settings["sample_rate_hz"]
    text = f"hiss alone, {len(hiss) / rate_hz:.1f} s, at the level it has in the mix-ready file"
    description = Description(f"{settings['track']}: {text}", settings["session"], 0, (text,))
    write_described_wav(snakemake.output.hiss, hiss, rate_hz, description)


def hiss_of(alignment_path, capture_path, settings):
    """A take's hiss at the stem's level; nothing of a take that has no level."""
    alignment = read_json(alignment_path)
    if not usable(alignment):
        return np.zeros(0)
    capture = read_capture(capture_path)
    channel = choose_channel(capture.samples, capture.rate_hz, wanted=alignment["capture"]["channel"])
    hiss = hiss_alone(channel.samples, capture.rate_hz, alignment, settings, rate_hz=settings["sample_rate_hz"])
    return hiss * amplitude_from_db(alignment["level_db"])


if __name__ == "__main__":
    run_job(main, snakemake)
