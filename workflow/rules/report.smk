"""Figures and the report."""

EXCERPTS = {
    kind: [f"{RESULTS}/excerpts/{track}.{ending}" for track in TRACKS]
    for kind, ending in {"wavs": "wav", "mp3s": "mp3", "abouts": "json"}.items()
}


rule draw_figures:
    input:
        unpack(lambda _: drawn_from()),
    output:
        **described_figures(),
    log:
        result("logs/draw_figures.log"),
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


rule cut_excerpts:
    input:
        stems=[f"{RESULTS}/stems/{track}.wav" for track in TRACKS],
        aligned=lambda _: of_chosen("aligned.wav"),
        clicks=lambda _: of_chosen("aligned-clicks.wav"),
        alignments=lambda _: of_chosen("alignment.json"),
        bands=lambda _: of_chosen("bands.tsv"),
        # Nothing of it is read: cut before the mix they would keep that waiting, cut beside the figures they cost no time.
        mixed=ancient(result("mix/reference.json")),
    output:
        **EXCERPTS,
    log:
        result("logs/cut_excerpts.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: {
            "tracks": [{**row, "restore": ready_settings(row["track"])["restore"]} for row in track_rows()],
            "boost_limit_db": SESSION["mix"]["boost_limit_db"],
            "lost_db": SESSION["thresholds"]["signal_over_hiss_marginal_db"],
        },
        code=code_version("cut_excerpts.py"),
    message:
        "Cutting the listening excerpts"
    script:
        "../scripts/cut_excerpts.py"


rule write_report:
    input:
        **{key: EXCERPTS[key] for key in ("mp3s", "abouts")},
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
