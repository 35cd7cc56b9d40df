"""Captures to aligned, measured returns, and one chosen take a track."""


rule simulate_return:
    input:
        transfer=RESULTS + "/transfers/{track}.wav",
        meta=RESULTS + "/transfers/{track}.json",
    output:
        capture=RESULTS + "/simulated/{track}.wav",
        truth=RESULTS + "/simulated/{track}.truth.json",
        map=RESULTS + "/simulated/{track}.truth.tsv",
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track, "send_speed", recorder=SESSION["recorder"], seed=SESSION["seed"]
        ),
        code=code_version("simulate_return.py"),
    log:
        RESULTS + "/logs/simulate_return/{track}.log",
    resources:
        mem_mb=2000,
    message:
        "Simulating the recorder for {wildcards.track}"
    script:
        "../scripts/simulate_return.py"


checkpoint sort_captures:
    input:
        captures=[ancient(path) for path in SESSION["captures"]],
        facts=[f"{RESULTS}/transfers/{track}.json" for track in TRACKS],
    output:
        table=RESULTS + "/captures/cuts.tsv",
    params:
        settings={"speed_search_percent": SESSION["alignment"]["speed_search_percent"], "taken": taken_names()},
        content=[content_of(path) for path in SESSION["captures"]],
        code=code_version("sort_captures.py"),
    log:
        RESULTS + "/logs/sort_captures.log",
    resources:
        mem_mb=2000,
    message:
        "Sorting the captures in returns/unsorted"
    script:
        "../scripts/sort_captures.py"


rule align_return:
    input:
        capture=capture_of,
        stem=RESULTS + "/stems/{track}.wav",
        transfer=RESULTS + "/transfers/{track}.wav",
        facts=RESULTS + "/transfers/{track}.json",
    output:
        alignment=TAKE_FILES + "alignment.json",
        time_map=TAKE_FILES + "time-map.tsv",
        aligned=TAKE_FILES + "aligned.wav",
        clicks=TAKE_FILES + "aligned-clicks.wav",
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            take=wildcards.take,
            simulated=is_simulated(wildcards),
            capture_channel=direct_takes(wildcards.track).get(wildcards.take, {}).get("capture_channel"),
            alignment=SESSION["alignment"],
            names={str(track["number"]): track["track"] for track in SESSION["tracks"]},
            **BAND,
        ),
        content=take_id,
        code=code_version("align_return.py"),
    log:
        RESULTS + "/logs/align_return/{track}/{take}.log",
    resources:
        mem_mb=2500,
    message:
        "Aligning {wildcards.track}, {wildcards.take}"
    script:
        "../scripts/align_return.py"


rule measure_return:
    input:
        aligned=TAKE_FILES + "aligned.wav",
        alignment=TAKE_FILES + "alignment.json",
        stem=RESULTS + "/stems/{track}.wav",
        capture=capture_of,
    output:
        condition=TAKE_FILES + "condition.json",
        bands=TAKE_FILES + "bands.tsv",
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            take=wildcards.take,
            role_bands=role_bands(wildcards.track),
            clipped_run_samples=SESSION["thresholds"].get("clipped_run_samples", 3),
            **{key: SESSION["transfer"][key] for key in ("gap_s", "tail_s")},
            **BAND,
        ),
        content=take_id,
        code=code_version("measure_return.py"),
    log:
        RESULTS + "/logs/measure_return/{track}/{take}.log",
    resources:
        mem_mb=2500,
    message:
        "Measuring {wildcards.track}, {wildcards.take}"
    script:
        "../scripts/measure_return.py"


rule choose_take:
    input:
        alignments=lambda wildcards: of_takes(wildcards, "alignment.json"),
        time_maps=lambda wildcards: of_takes(wildcards, "time-map.tsv"),
        aligned=lambda wildcards: of_takes(wildcards, "aligned.wav"),
        clicks=lambda wildcards: of_takes(wildcards, "aligned-clicks.wav"),
        conditions=lambda wildcards: of_takes(wildcards, "condition.json"),
        bands=lambda wildcards: of_takes(wildcards, "bands.tsv"),
    output:
        alignment=CHOSEN + "alignment.json",
        time_map=CHOSEN + "time-map.tsv",
        aligned=CHOSEN + "aligned.wav",
        clicks=CHOSEN + "aligned-clicks.wav",
        condition=CHOSEN + "condition.json",
        bands=CHOSEN + "bands.tsv",
        about=CHOSEN + "chosen.json",
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track, want=TRACKS[wildcards.track]["take"], takes=takes_of(wildcards.track)
        ),
        code=code_version("choose_take.py"),
    log:
        RESULTS + "/logs/choose_take/{track}.log",
    resources:
        mem_mb=200,
    message:
        "Choosing the take of {wildcards.track}"
    script:
        "../scripts/choose_take.py"
