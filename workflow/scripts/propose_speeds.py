"""Advise for each stem whether to send it faster.

input:  stems: list of stems/TRACK.wav, parallel to params.settings["tracks"]; recorder: [recorder.json], or nothing; bands:
list of
        bands.tsv of the tracks that have a take (only where there is no recorder.json)
output: table (planning/send-speeds.tsv)
params: settings = {tracks: [str], returned: [str] (the tracks that `bands` belong to)}
"""

import numpy as np
from bounceproof import spectra
from bounceproof.audio import look_at, read_mono
from bounceproof.files import read_json, read_table, write_table
from bounceproof.planning import varispeed
from bounceproof.quantities import third_octave_bands
from bounceproof_job import run_job

COLUMNS = ("track", "send_speed", "advice", "lows_gain_2_db", "lows_gain_4_db", "known_from")


def main(snakemake):
    settings, files = snakemake.params.settings, snakemake.input
    bands = third_octave_bands(varispeed.LOWS_HZ[0], min(16000.0, 0.42 * look_at(files.stems[0]).rate_hz))
    machine, source = machine_of(files, settings, bands)
    rows = []
    for track, path in zip(settings["tracks"], files.stems, strict=True):
        stem = read_mono(path)
        power = spectra.band_powers([stem], look_at(path).rate_hz, bands)[:, 0].mean(axis=0)
        row = {"track": track, "known_from": source}
        if machine is None:
            row |= {"send_speed": 1, "advice": "Nothing is known of the machine yet: send the calibration, or any track."}
        else:
            factor, sentence = varispeed.advice(machine, power)
            gains = {one: varispeed.gain(machine, power, one).lows_db for one in varispeed.FACTORS}
            row |= {"send_speed": factor, "advice": sentence, **{f"lows_gain_{one}_db": db for one, db in gains.items()}}
        rows.append(row)
        print(f"{track}: {row['advice']}")
    write_table(snakemake.output.table, rows, COLUMNS)


def machine_of(files, settings, bands):
    if files.recorder:
        return varispeed.from_recorder(read_json(files.recorder[0]), bands), "calibration"
    tables = dict(zip(settings["returned"], map(read_table, files.bands), strict=True))
    tables = {track: rows for track, rows in tables.items() if rows}
    if not tables:
        return None, ""
    machine = varispeed.from_returns(tables, bands)
    return (machine, "returns") if np.isfinite(machine.hiss_db).any() else (None, "")


if __name__ == "__main__":
    run_job(main, snakemake)
