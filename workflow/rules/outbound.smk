"""Stems to transfers, and the run sheet to play them by."""


rule synthesise_stem:
    output:
        stem=result("song/{stem}.wav"),
    log:
        result("logs/synthesise_stem/{stem}.log"),
    priority: 5
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: {"seed": SESSION["seed"], "stem": wildcards.stem},
        code=code_version("synthesise_stem.py"),
    message:
        "Synthesising the demo's {wildcards.stem}"
    script:
        "../scripts/synthesise_stem.py"


rule prepare_stem:
    input:
        stem=stem_source,
    output:
        stem=result("stems/{track}.wav"),
        about=result("stems/{track}.json"),
        # Made here although only other tracks' returns are held against it: a job of its own would mostly be its start.
        sketch=result("stems/{track}.sketch.npy"),
    log:
        result("logs/prepare_stem/{track}.log"),
    priority: 4
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track, "channel", sample_rate_hz=SESSION["sample_rate_hz"], song_samples=SESSION["song_samples"]
        ),
        content=stem_id,
        code=code_version("prepare_stem.py"),
    message:
        "Preparing the stem of {wildcards.track}"
    script:
        "../scripts/prepare_stem.py"


rule make_transfer:
    input:
        stem=result("stems/{track}.wav"),
        about=result("stems/{track}.json"),
    output:
        transfer=result("transfers/{track}.wav"),
        facts=result("transfers/{track}.json"),
    log:
        result("logs/make_transfer/{track}.log"),
    priority: 4
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            "number",
            "send_db",
            "send_speed",
            **BAND,
            **{key: SESSION["transfer"][key] for key in ("lead_in_s", "gap_s", "tail_s", "click_below_peak_db")},
        ),
        code=code_version("make_transfer.py"),
    message:
        "Making the transfer of {wildcards.track}"
    script:
        "../scripts/make_transfer.py"


rule write_run_sheet:
    input:
        transfers=[f"{RESULTS}/transfers/{track}.json" for track in TRACKS],
        audio=[f"{RESULTS}/transfers/{track}.wav" for track in TRACKS],
    output:
        page=result("transfers/run-sheet.html"),
        table=result("transfers/run-sheet.tsv"),
    log:
        result("logs/write_run_sheet.log"),
    priority: 4
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1000,
    params:
        settings={
            "name": SESSION["name"],
            "medium_label": SESSION["medium"]["label"],
            "tape_speed_cm_s": SESSION["medium"]["tape_speed_cm_s"],
            "side_minutes": SESSION["transfer"]["side_minutes"],
            "leader_s": SESSION["transfer"]["leader_s"],
            "fastest_percent": running_fast_percent(),
            "pairs": [{key: pair[key] for key in ("first", "second")} for pair in PAIRS.values()],
            "tracks": track_list("number", "group", "note"),
        },
        code=code_version("write_run_sheet.py"),
    message:
        "Writing the run sheet"
    script:
        "../scripts/write_run_sheet.py"


rule make_sides:
    input:
        sheet=result("transfers/run-sheet.tsv"),
        audio=[f"{RESULTS}/transfers/{track}.wav" for track in TRACKS],
    output:
        table=result("transfers/sides/sides.tsv"),
    log:
        result("logs/make_sides.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings=lambda _: {"leader_s": SESSION["transfer"]["leader_s"]},
        code=lambda _: code_version("make_sides.py"),
    message:
        "Making one long transfer a side"
    script:
        "../scripts/make_sides.py"


rule print_run_sheet:
    input:
        sheet=result("transfers/run-sheet.tsv"),
    output:
        paper=result("transfers/run-sheet.pdf"),
    log:
        result("logs/print_run_sheet.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings=lambda _: {
            "name": SESSION["name"],
            "medium_label": SESSION["medium"]["label"],
            "tape_speed_cm_s": SESSION["medium"]["tape_speed_cm_s"],
            "side_minutes": SESSION["transfer"]["side_minutes"],
            "leader_s": SESSION["transfer"]["leader_s"],
        },
        code=lambda _: code_version("print_run_sheet.py"),
    message:
        "Printing the run sheet"
    script:
        "../scripts/print_run_sheet.py"


rule sides:
    input:
        rules.make_sides.output,
        rules.print_run_sheet.output,


rule transfers:
    input:
        [f"{RESULTS}/transfers/{track}.wav" for track in TRACKS],
        result("transfers/run-sheet.html"),
