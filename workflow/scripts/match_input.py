"""Work out the pad between interface and recorder, and the way back.

output: page (planning/matching.html), plan (planning/matching.json); beside them a drawing (pad-KIND-SERIES.svg) a pad
params: settings = {name, matching, send_db, band_low_hz, band_high_hz, automatic_level, hiss_below_full_db}
"""

from pathlib import Path

from bounceproof.files import write_json, write_text
from bounceproof.planning.matching import plan_matching
from bounceproof.report.matching_page import drawings, matching_page
from bounceproof_job import run_job


def main(snakemake):
    settings = snakemake.params.settings
    plan = plan_matching(
        settings["matching"],
        send_db=settings["send_db"],
        band_hz=(settings["band_low_hz"], settings["band_high_hz"]),
        automatic_level=settings["automatic_level"],
        hiss_below_full_db=settings["hiss_below_full_db"],
    )
    write_json(snakemake.output.plan, plan)
    write_text(snakemake.output.page, matching_page(settings["name"], plan))
    for name, drawing in drawings(plan).items():
        write_text(Path(snakemake.output.page).parent / f"pad-{name}.svg", drawing)


if __name__ == "__main__":
    run_job(main, snakemake)
