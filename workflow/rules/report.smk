"""Figures, the report and the record."""

from bounceproof.figures import FIGURES


def figure_files(*kinds, folder="figures"):
    """{name of a figure: its files of these kinds}."""
    return {name: [f"{RESULTS}/{folder}/{file}.{kind}" for kind in kinds] for name, file in FIGURES.items()}


def drawn_from():
    """The finished tables that the figures are drawn from."""
    return {
        **{key: of_chosen(name) for key, name in DRAWN_OF_TAKES.items()},
        "stack": result("noise/stack.json"),
        "stack_table": result("noise/stack.tsv"),
        "reference": result("mix/reference.json"),
        "pair_summaries": [f"{RESULTS}/pairs/{pair}.json" for pair in PAIRS],
        "pair_tables": [f"{RESULTS}/pairs/{pair}.tsv" for pair in PAIRS],
    }


DRAWN_OF_TAKES = {
    "alignments": "alignment.json",
    "conditions": "condition.json",
    "bands": "bands.tsv",
    "time_maps": "time-map.tsv",
}


def drawing_settings():
    return {
        "figures": SESSION["figures"],
        "name": SESSION["name"],
        "song_s": SONG_S,
        "thresholds": SESSION["thresholds"],
        "tracks": [{**row, "click_stem_s": click_stem_s(TRACKS[row["track"]]["send_speed"])} for row in track_rows()],
        **BAND,
    }


EXCERPTS = {
    kind: [f"{RESULTS}/excerpts/{track}.{ending}" for track in TRACKS]
    for kind, ending in {"wavs": "wav", "mp3s": "mp3", "abouts": "json"}.items()
}


rule draw_figures:
    input:
        unpack(lambda _: drawn_from()),
    output:
        **figure_files("png", "svg"),
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
