"""Make a track's transfer: what is played to the recorder.

input:  stem (stems/TRACK.wav), about (stems/TRACK.json)
output: transfer (transfers/TRACK.wav, 24 bit), facts (transfers/TRACK.json)
params: settings = {track, number, band_low_hz, band_high_hz, lead_in_s, gap_s, tail_s, click_below_peak_db, send_db, send_speed}
"""

from bounceproof.audio import AudioBlocks, write_pcm24_wav
from bounceproof.files import read_json, write_json
from bounceproof.sliced import held
from bounceproof.transfers import lay_out
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    stem = AudioBlocks(snakemake.input.stem)
    about = read_json(snakemake.input.about)
    transfer = lay_out(
        held(stem.channel(1)),
        stem.facts.rate_hz,
        number=settings["number"],
        band_hz=(settings["band_low_hz"], settings["band_high_hz"]),
        settings=settings,
        send_db=settings["send_db"],
        send_speed=settings["send_speed"],
    )
    write_pcm24_wav(snakemake.output.transfer, transfer.samples, stem.facts.rate_hz)
    facts = {"track": settings["track"], "stem_sha256": about["source_sha256"], **transfer.facts, "notes": about["notes"]}
    write_json(snakemake.output.facts, facts)


if __name__ == "__main__":
    run_job(main, snakemake)
