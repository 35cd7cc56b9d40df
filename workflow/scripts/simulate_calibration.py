"""Send the calibration transfer through the simulated recorder, where no real one has been captured.

input:  transfer (transfers/calibration.wav)
output: capture (simulated/calibration.wav), truth (JSON: settings, levels, events)
params: settings = {recorder: {preset, settings}, seed}
"""

import numpy as np
from bounceproof.audio import read_audio, write_pcm24_wav
from bounceproof.files import write_json
from bounceproof.recorder import simulate
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    transfer = read_audio(snakemake.input.transfer, dtype="float64")
    done = simulate(transfer.samples[:, 0], transfer.rate_hz, settings["recorder"], seed=settings["seed"])
    # A 24-bit file cannot hold more than full scale, whatever the converter is set to.
    write_pcm24_wav(snakemake.output.capture, np.clip(done.capture, -1.0, 1.0), done.rate_hz)
    write_json(snakemake.output.truth, done.truth.record())


if __name__ == "__main__":
    run_job(main, snakemake)
