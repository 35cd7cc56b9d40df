"""Write the returned mix, the narrow-band reference and the source mix at one loudness under shuffled names.

input:  mixes (list of mix/NAME.wav in the order of params.settings["names"]), reference (mix/reference.json)
output: files (list of listening/*.wav), key (listening/key.tsv: which is which)
params: settings = {names: [str], seed, session}
"""

from pathlib import Path

import numpy as np
from bounceproof.audio import read_audio
from bounceproof.broadcast import Description, write_described_wav
from bounceproof.files import read_json, write_table
from bounceproof.quantities import amplitude_from_db
from bounceproof_job import run_job


def main(snakemake):
    settings, targets = snakemake.params.settings, snakemake.output.files
    mixes = read_json(snakemake.input.reference)["mixes"]
    order = np.random.default_rng(settings["seed"]).permutation(len(targets))
    rows = []
    for target, place in zip(targets, order, strict=True):
        name, path = settings["names"][place], snakemake.input.mixes[place]
        audio = read_audio(path)
        gain_db = mixes[name]["match_db"] or 0.0
        # Nothing in the file tells which it is.
        plain = Description("one of three mixes at one loudness", settings["session"], 0, ())
        write_described_wav(target, audio.samples * amplitude_from_db(gain_db), audio.rate_hz, plain)
        rows.append({"file": Path(target).name, "mix": name, "gain_db": gain_db})
    write_table(snakemake.output.key, rows, ("file", "mix", "gain_db"))


if __name__ == "__main__":
    run_job(main, snakemake)
