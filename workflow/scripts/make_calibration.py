"""Make the calibration transfer: what is played to the recorder to measure it.

output: transfer (transfers/calibration.wav, 24 bit), facts (transfers/calibration.json)
params: settings = {sample_rate_hz, band_low_hz, band_high_hz, number}
"""

from bounceproof.audio import write_pcm24_wav
from bounceproof.files import write_json
from bounceproof.planning.calibration import make_calibration
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    band_hz = (settings["band_low_hz"], settings["band_high_hz"])
    transfer = make_calibration(settings["sample_rate_hz"], band_hz=band_hz, number=settings["number"])
    write_pcm24_wav(snakemake.output.transfer, transfer.samples, settings["sample_rate_hz"])
    write_json(snakemake.output.facts, transfer.facts)


if __name__ == "__main__":
    run_job(main, snakemake)
