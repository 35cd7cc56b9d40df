"""Send a transfer through the simulated recorder and write down what really happened.

input:  transfer (transfers/TRACK.wav), meta (transfers/TRACK.json); measured: [recorder.json] of a real recorder, or nothing
output: capture (24-bit WAV), truth (JSON: settings, levels, events), map (TSV, the true time map)
params: settings = {recorder: {preset, settings}, medium, seed, track}
"""

import zlib

import numpy as np
from bounceproof.audio import read_audio, write_pcm24_wav
from bounceproof.files import read_json, write_json
from bounceproof.recorder import resolve, simulate
from bounceproof.timemap import write_time_map
from bounceproof_job import run_job


def track_seed(seed, track):
    """A seed of its own for each track: the machine never wanders twice alike."""
    return zlib.crc32(f"{seed} {track}".encode())


def as_measured(values, medium, rate_hz):
    """The simulated recorder's settings of a real one's calibration; its hiss was measured within the medium's band."""
    from bounceproof.planning.forecast import measured_recorder, nominal_hiss

    settings = resolve(measured_recorder(values, medium))
    return nominal_hiss(settings, (medium["band_low_hz"], medium["band_high_hz"]), rate_hz)


def main(snakemake):
    settings = snakemake.params.settings
    transfer, meta = read_audio(snakemake.input.transfer, dtype="float64"), read_json(snakemake.input.meta)
    recorder = settings["recorder"]
    if snakemake.input.measured:
        recorder = as_measured(read_json(snakemake.input.measured[0]), settings["medium"], transfer.rate_hz)
    start_s = meta["stem_start_sample"] / transfer.rate_hz
    sent_s = meta["stem_samples"] / transfer.rate_hz
    done = simulate(
        transfer.samples[:, 0],
        transfer.rate_hz,
        recorder,
        seed=track_seed(settings["seed"], settings["track"]),
        stem_span_s=(start_s, start_s + sent_s),
    )
    # A 24-bit file cannot hold more than full scale, whatever the converter is set to.
    write_pcm24_wav(snakemake.output.capture, np.clip(done.capture, -1.0, 1.0), done.rate_hz)
    write_json(snakemake.output.truth, {"track": settings["track"], **done.truth.record()})
    speed = meta["send_speed"]
    write_time_map(snakemake.output.map, done.truth.time_map(start_s, sent_s * speed, send_speed=speed))


if __name__ == "__main__":
    run_job(main, snakemake)
