"""Stems to transfers, and the run sheet to play them by."""


rule synthesise_stems:
    output:
        stems=[f"{RESULTS}/song/{name}.wav" for name in demo_stem_names()],
    params:
        settings={"seed": SESSION["seed"], "names": demo_stem_names()},
        code=code_version("synthesise_stems.py"),
    log:
        RESULTS + "/logs/synthesise_stems.log",
    resources:
        mem_mb=1500,
    message:
        "Synthesising the demo's stems"
    script:
        "../scripts/synthesise_stems.py"


rule prepare_stem:
    input:
        stem=stem_source,
    output:
        stem=RESULTS + "/stems/{track}.wav",
        about=RESULTS + "/stems/{track}.json",
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track, "channel", sample_rate_hz=SESSION["sample_rate_hz"], song_samples=SESSION["song_samples"]
        ),
        content=stem_id,
        code=code_version("prepare_stem.py"),
    log:
        RESULTS + "/logs/prepare_stem/{track}.log",
    resources:
        mem_mb=1500,
    message:
        "Preparing the stem of {wildcards.track}"
    script:
        "../scripts/prepare_stem.py"


rule make_transfer:
    input:
        stem=RESULTS + "/stems/{track}.wav",
        about=RESULTS + "/stems/{track}.json",
    output:
        transfer=RESULTS + "/transfers/{track}.wav",
        facts=RESULTS + "/transfers/{track}.json",
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
    log:
        RESULTS + "/logs/make_transfer/{track}.log",
    resources:
        mem_mb=1500,
    message:
        "Making the transfer of {wildcards.track}"
    script:
        "../scripts/make_transfer.py"


rule write_run_sheet:
    input:
        transfers=[f"{RESULTS}/transfers/{track}.json" for track in TRACKS],
        audio=[f"{RESULTS}/transfers/{track}.wav" for track in TRACKS],
    output:
        page=RESULTS + "/transfers/run-sheet.html",
        table=RESULTS + "/transfers/run-sheet.tsv",
    params:
        settings={
            "name": SESSION["name"],
            "medium_label": SESSION["medium"]["label"],
            "tape_speed_cm_s": SESSION["medium"]["tape_speed_cm_s"],
            "side_minutes": SESSION["transfer"]["side_minutes"],
            "leader_s": SESSION["transfer"]["leader_s"],
            "tracks": track_list("number"),
        },
        code=code_version("write_run_sheet.py"),
    log:
        RESULTS + "/logs/write_run_sheet.log",
    resources:
        mem_mb=1000,
    message:
        "Writing the run sheet"
    script:
        "../scripts/write_run_sheet.py"


rule transfers:
    input:
        [f"{RESULTS}/transfers/{track}.wav" for track in TRACKS],
        RESULTS + "/transfers/run-sheet.html",
