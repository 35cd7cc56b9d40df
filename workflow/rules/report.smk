"""Figures, the report and the record."""

FIGURES = {"timing": "timing", "survived": "survived", "stack": "stack", "pair_sums": "pair-sums"}


rule draw_figures:
    input:
        alignments=lambda _: of_chosen("alignment.json"),
        time_maps=lambda _: of_chosen("time-map.tsv"),
        bands=lambda _: of_chosen("bands.tsv"),
        stack=result("noise/stack.json"),
        stack_table=result("noise/stack.tsv"),
        pair_summaries=[f"{RESULTS}/pairs/{pair}.json" for pair in PAIRS],
        pair_tables=[f"{RESULTS}/pairs/{pair}.tsv" for pair in PAIRS],
    output:
        **{key: [f"{RESULTS}/figures/{name}.{kind}" for kind in ("png", "svg")] for key, name in FIGURES.items()},
    log:
        result("logs/draw_figures.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: {
            "figures": SESSION["figures"],
            "click_stem_s": click_stem_s(),
            "tracks": track_rows("send_speed"),
            **BAND,
        },
        code=code_version("draw_figures.py"),
    message:
        "Drawing the figures"
    script:
        "../scripts/draw_figures.py"


rule write_report:
    input:
        **{key if key != "stack" else "stack_figure": f"{RESULTS}/figures/{name}.png" for key, name in FIGURES.items()},
        alignments=lambda _: of_all_takes("alignment.json"),
        conditions=lambda _: of_all_takes("condition.json"),
        bands=lambda _: of_all_takes("bands.tsv"),
        chosen=lambda _: of_chosen("chosen.json"),
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
    output:
        page=result("report.html"),
        tracks=result("tracks.tsv"),
        pairs=result("pairs.tsv"),
        evening=result("evening.tsv"),
    log:
        result("logs/write_report.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1000,
    params:
        settings=lambda _: {"session": without_paths(), "takes": all_takes(), "facts": evening_facts()},
        code=code_version("write_report.py"),
    message:
        "Writing the report"
    script:
        "../scripts/write_report.py"


rule write_record:
    input:
        files=lambda _: [ancient(path) for path in everything_read()],
        chosen=lambda _: of_chosen("chosen.json"),
    output:
        record=result("record.json"),
    log:
        result("logs/write_record.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings=lambda _: {"session": SESSION, "project_dir": str(PROJECT)},
        content=lambda _: [content_of(path) for path in everything_read() if Path(path).is_file()],
        code=code_version("write_record.py"),
    message:
        "Writing the record"
    script:
        "../scripts/write_record.py"
