"""Figures and the report."""


rule draw_figures:
    input:
        unpack(lambda _: drawn_from(of_mixes=False)),
    output:
        **described_figures(of_mixes=False),
    log:
        result("logs/draw_figures.log"),
    priority: 1
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: drawing_settings(),
        code=code_version("draw_figures.py"),
    message:
        "Drawing the figures"
    script:
        "../scripts/draw_figures.py"


# The longest of the last jobs.
use rule draw_figures as draw_mixes with:
    input:
        unpack(lambda _: drawn_from()),
    output:
        **described_figures(of_mixes=True),
    log:
        result("logs/draw_mixes.log"),
    message:
        "Drawing the figures of the mixes"


rule print_figures:
    input:
        unpack(lambda _: drawn_from()),
    output:
        **figure_files("svg", "pdf", folder="figures/print"),
    log:
        result("logs/print_figures.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: drawing_settings(),
        code=code_version("print_figures.py"),
    message:
        "Drawing the figures for print"
    script:
        "../scripts/print_figures.py"


rule write_report:
    input:
        mp3s=[f"{RESULTS}/excerpts/{track}.mp3" for track in TRACKS],
        abouts=[f"{RESULTS}/excerpts/{track}.json" for track in TRACKS],
        alignments=lambda _: of_all_takes("alignment.json"),
        conditions=lambda _: of_all_takes("condition.json"),
        bands=lambda _: of_all_takes("bands.tsv"),
        chosen=lambda _: of_chosen("chosen.json"),
        time_maps=lambda _: of_chosen("time-map.tsv"),
        averaged_alignments=lambda _: averaged_files("alignment.json"),
        averaged_conditions=lambda _: averaged_files("condition.json"),
        averaged_bands=lambda _: averaged_files("bands.tsv"),
        pair_summaries=[f"{RESULTS}/pairs/{pair}.json" for pair in PAIRS],
        pair_tables=[f"{RESULTS}/pairs/{pair}.tsv" for pair in PAIRS],
        stack=result("noise/stack.json"),
        stack_table=result("noise/stack.tsv"),
        reference=result("mix/reference.json"),
        timing_table=result("mix/timing.tsv"),
        captures=captures_table(),
        wire=wire_values(),
        forecast=forecast_values(),
    output:
        page=report(result("report.html"), caption="../report/report.rst", category="Report", labels={"what": "report"}),
        tracks=report(result("tracks.tsv"), caption="../report/tracks.rst", category="Tables", labels={"what": "tracks"}),
        pairs=report(result("pairs.tsv"), caption="../report/pairs.rst", category="Tables", labels={"what": "pairs"}),
        evening=result("evening.tsv"),
    log:
        result("logs/write_report.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1000,
    params:
        settings=lambda _: {
            "session": without_paths(),
            "takes": all_takes(),
            "facts": evening_facts(),
            "clicks": clicks_by_track(),
        },
        code=code_version("write_report.py"),
    message:
        "Writing the report"
    script:
        "../scripts/write_report.py"
