"""Measure the interface alone: the calibration played through a wire from output to input.

input:  capture, facts (transfers/calibration.json)
output: values (wire.json: as recorder.json, with `findings`, what a wire should not do)
params: settings = {medium}
"""

from bounceproof.audio import read_capture
from bounceproof.files import read_json, write_json
from bounceproof.planning.measured_recorder import measure_recorder
from bounceproof.verdicts import wire_findings
from bounceproof_job import run_job

# Two clocks are some 0.01 % apart: no need to look further.
SEARCH_PERCENT = 1.0


def main(snakemake):
    medium = {**snakemake.params.settings["medium"], "tape_speed_cm_s": None}
    capture, facts = read_capture(snakemake.input.capture), read_json(snakemake.input.facts)
    values = measure_recorder(capture, facts, medium=medium, speed_search_percent=SEARCH_PERCENT)
    findings = wire_findings(values, (medium["band_low_hz"], medium["band_high_hz"]))
    for sentence in findings or ["A wire as it should be: no wow, flat, no overload."]:
        print(sentence)
    write_json(snakemake.output.values, {**values, "findings": findings})


if __name__ == "__main__":
    run_job(main, snakemake)
