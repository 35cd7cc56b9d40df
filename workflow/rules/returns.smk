"""Captures to aligned, measured returns, and one chosen take a track."""


rule simulate_return:
    input:
        transfer=result("transfers/{track}.wav"),
        meta=result("transfers/{track}.json"),
        measured=measured_recorder,
    output:
        capture=result("simulated/{track}.wav"),
        truth=result("simulated/{track}.truth.json"),
        map=result("simulated/{track}.truth.tsv"),
    log:
        result("logs/simulate_return/{track}.log"),
    priority: 3
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track, "send_speed", recorder=SESSION["recorder"], medium=SESSION["medium"], seed=SESSION["seed"]
        ),
        code=code_version("simulate_return.py"),
    message:
        "Simulating the recorder for {wildcards.track}"
    script:
        "../scripts/simulate_return.py"


checkpoint sort_captures:
    input:
        captures=captures_to_sort,
        facts=[f"{RESULTS}/transfers/{track}.json" for track in TRACKS],
        calibration=calibration_facts(),
    output:
        table=result("captures/cuts.tsv"),
    log:
        result("logs/sort_captures.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings={
            "speed_search_percent": SESSION["alignment"]["speed_search_percent"],
            "taken": taken_names(),
            "legs": {track: leg_beside(track) for track in TRACKS if leg_beside(track)},
        },
        content=[content_of(path) for path in SESSION["captures"]],
        code=code_version("sort_captures.py"),
    message:
        "Sorting the captures in returns/unsorted"
    script:
        "../scripts/sort_captures.py"


rule align_return:
    input:
        unpack(legs_alone),
        capture=capture_to_align("alignment.json"),
        stem=result("stems/{track}.wav"),
        transfer=result("transfers/{track}.wav"),
        facts=result("transfers/{track}.json"),
        # Another track's stem or its date is no reason to align this one again.
        others=lambda wildcards: [ancient(f"{RESULTS}/stems/{track}.wav") for track in other_tracks(wildcards)],
    output:
        alignment=take_file("alignment.json"),
        time_map=take_file("time-map.tsv"),
        aligned=take_file("aligned.wav"),
        clicks=take_file("aligned-clicks.wav"),
    log:
        result("logs/align_return/{track}/{take}.log"),
    priority: 2
    conda:
        "../../envs/environment.yaml"
    threads: cores_if_alone
    resources:
        mem_mb=2500,
    params:
        settings=lambda wildcards: align_settings(wildcards, partner_of(wildcards.track, wildcards.take)),
        content=take_id,
        code=code_version("align_return.py"),
    message:
        "Aligning {wildcards.track}, {wildcards.take}"
    script:
        "../scripts/align_return.py"


# Each leg of a pass captured in two channels is laid by itself once; rule align_return then shares their motion.
use rule align_return as align_leg with:
    input:
        capture=capture_to_align("alone/alignment.json"),
        stem=result("stems/{track}.wav"),
        transfer=result("transfers/{track}.wav"),
        facts=result("transfers/{track}.json"),
        others=lambda wildcards: [ancient(f"{RESULTS}/stems/{track}.wav") for track in other_tracks(wildcards)],
    output:
        alignment=take_file("alone/alignment.json"),
        time_map=take_file("alone/time-map.tsv"),
        aligned=take_file("alone/aligned.wav"),
        clicks=take_file("alone/aligned-clicks.wav"),
    log:
        result("logs/align_leg/{track}/{take}.log"),
    params:
        settings=lambda wildcards: align_settings(wildcards, None),
        content=take_id,
        code=code_version("align_return.py"),
    message:
        "Aligning {wildcards.track}, {wildcards.take}, by itself"


rule measure_return:
    input:
        aligned=take_file("aligned.wav"),
        alignment=take_file("alignment.json"),
        stem=result("stems/{track}.wav"),
        capture=capture_of,
        # Another track's stem or its date is no reason to measure this one again.
        sketches=lambda wildcards: [ancient(f"{RESULTS}/stems/{track}.sketch.npy") for track in searched_for(wildcards)],
        others=lambda wildcards: [ancient(f"{RESULTS}/stems/{track}.wav") for track in searched_for(wildcards)],
    output:
        condition=take_file("condition.json"),
        bands=take_file("bands.tsv"),
    log:
        result("logs/measure_return/{track}/{take}.log"),
    conda:
        "../../envs/environment.yaml"
    threads: cores_if_alone
    resources:
        mem_mb=2500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            take=wildcards.take,
            role_bands=role_bands(wildcards.track),
            others=searched_for(wildcards),
            search=not is_simulated(wildcards),
            clipped_run_samples=SESSION["thresholds"].get("clipped_run_samples", 3),
            **{key: SESSION["transfer"][key] for key in ("gap_s", "tail_s")},
            **BAND,
        ),
        content=take_id,
        code=code_version("measure_return.py"),
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
        stem=lambda wildcards: f"{RESULTS}/stems/{wildcards.track}.wav" if averages(wildcards.track) else [],
    output:
        alignment=chosen_file("alignment.json"),
        time_map=chosen_file("time-map.tsv"),
        aligned=chosen_file("aligned.wav"),
        clicks=chosen_file("aligned-clicks.wav"),
        condition=chosen_file("condition.json"),
        bands=chosen_file("bands.tsv"),
        about=chosen_file("chosen.json"),
    log:
        result("logs/choose_take/{track}.log"),
    priority: 1
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=lambda wildcards: 3000 if averages(wildcards.track) else 200,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track, want=TRACKS[wildcards.track]["take"], takes=takes_of(wildcards.track), **BAND
        ),
        code=code_version("choose_take.py"),
    message:
        "Choosing the take of {wildcards.track}"
    script:
        "../scripts/choose_take.py"
