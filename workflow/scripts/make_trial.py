"""Make a track's trial: 25 s that say how hot to send its stem.

input:  stem (stems/TRACK.wav)
output: transfer (transfers/trials/TRACK.wav, 24 bit), facts (transfers/trials/TRACK.json), trial (planning/trials/TRACK.wav: the
        25 s themselves)
params: settings = {track, number, band_low_hz, band_high_hz, lead_in_s, gap_s, tail_s, click_below_peak_db}
"""

from bounceproof.audio import AudioProblem, look_at, read_mono, write_float_wav, write_pcm24_wav
from bounceproof.files import write_json
from bounceproof.planning.trials import make_trial
from bounceproof.quantities import peak_dbfs
from bounceproof.transfers import make_transfer
from bounceproof_job import run_job


def main(snakemake):
    settings, path = snakemake.params.settings, snakemake.input.stem
    rate_hz, band_hz = look_at(path).rate_hz, (settings["band_low_hz"], settings["band_high_hz"])
    made = make_trial(read_mono(path), rate_hz, band_hz)
    if made is None:
        raise AudioProblem(f"{settings['track']}: its stem is silent or shorter than 5 s, too little for a trial; send it whole.")
    samples, passages = made
    transfer = make_transfer(
        samples, rate_hz, number=settings["number"], band_hz=band_hz, settings=settings, send_db=peak_dbfs(samples)
    )
    write_float_wav(snakemake.output.trial, samples, rate_hz)
    write_pcm24_wav(snakemake.output.transfer, transfer.samples, rate_hz)
    write_json(snakemake.output.facts, {"track": settings["track"], **transfer.facts, "passages": passages})


if __name__ == "__main__":
    run_job(main, snakemake)
