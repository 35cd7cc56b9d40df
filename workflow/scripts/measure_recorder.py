"""Measure the recorder from the return of the calibration transfer.

input:  capture, facts (transfers/calibration.json)
output: values (recorder.json), page (planning/recorder.html), figures (planning/recorder.png, .svg)
params: settings = {medium, speed_search_percent, simulated, name, figures}
"""

from pathlib import Path

from bounceproof.audio import AudioProblem, read_capture
from bounceproof.files import read_json, write_json, write_text
from bounceproof.planning.measured_recorder import measure_recorder
from bounceproof_job import run_job


def main(snakemake):
    from bounceproof.figures.recorder import recorder_figure
    from bounceproof.figures.style import Look, paint
    from bounceproof.report.recorder_page import recorder_page

    settings, path = snakemake.params.settings, snakemake.input.capture
    try:
        values = measure_recorder(
            read_capture(path),
            read_json(snakemake.input.facts),
            medium=settings["medium"],
            speed_search_percent=settings["speed_search_percent"],
        )
    except AudioProblem as problem:
        raise AudioProblem(f"{Path(path).parent.name}/{Path(path).name}: {str(problem).removeprefix(f'{path}: ')}.") from None
    values = {"simulated": settings["simulated"], "medium": settings["medium"]["name"], **values}
    write_json(snakemake.output.values, values)
    values = read_json(snakemake.output.values)
    paint(recorder_figure, Look(settings["figures"]), values, snakemake.output.figures)
    write_text(snakemake.output.page, recorder_page(settings["name"], values, settings["medium"], snakemake.output.figures[0]))


if __name__ == "__main__":
    run_job(main, snakemake)
