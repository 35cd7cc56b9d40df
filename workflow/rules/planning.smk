"""On request, before the tape rolls: input matching, and the recorder measured by its calibration."""


rule match_input:
    output:
        page=result("planning/matching.html"),
        plan=result("planning/matching.json"),
    log:
        result("logs/match_input.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=300,
    params:
        settings=lambda _: {
            "name": SESSION["name"],
            "matching": SESSION["matching"],
            "send_db": SESSION["transfer"]["send_db"],
            **{key: SESSION["medium"][key] for key in ("automatic_level", "hiss_below_full_db")},
            **BAND,
        },
        code=lambda _: code_version("match_input.py"),
    message:
        "Matching the recorder's input to the interface"
    script:
        "../scripts/match_input.py"


rule matching:
    input:
        rules.match_input.output,


rule make_calibration:
    output:
        transfer=result("transfers/calibration.wav"),
        facts=result("transfers/calibration.json"),
    log:
        result("logs/make_calibration.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1000,
    params:
        settings=lambda _: {"sample_rate_hz": SESSION["sample_rate_hz"], "number": free_number(), **BAND},
        code=lambda _: code_version("make_calibration.py"),
    message:
        "Making the calibration transfer"
    script:
        "../scripts/make_calibration.py"


rule simulate_calibration:
    input:
        transfer=result("transfers/calibration.wav"),
    output:
        capture=result("simulated/calibration.wav"),
        truth=result("simulated/calibration.truth.json"),
    log:
        result("logs/simulate_calibration.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings=lambda _: {"recorder": SESSION["recorder"], "seed": SESSION["seed"]},
        code=lambda _: code_version("simulate_calibration.py"),
    message:
        "Simulating the recorder for the calibration"
    script:
        "../scripts/simulate_calibration.py"


rule measure_recorder:
    input:
        capture=calibration_capture,
        facts=result("transfers/calibration.json"),
    output:
        values=result("recorder.json"),
        page=result("planning/recorder.html"),
        figures=[result(f"planning/recorder.{kind}") for kind in ("png", "svg")],
    log:
        result("logs/measure_recorder.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2500,
    params:
        settings=lambda _: {
            "name": SESSION["name"],
            "medium": SESSION["medium"],
            "figures": SESSION["figures"],
            "simulated": not SESSION["calibrations"],
            "speed_search_percent": SESSION["alignment"]["speed_search_percent"],
        },
        content=lambda _: calibration_id(),
        code=lambda _: code_version("measure_recorder.py"),
    message:
        "Measuring the recorder"
    script:
        "../scripts/measure_recorder.py"


rule propose_levels:
    input:
        stems=[result(f"stems/{track}.wav") for track in TRACKS],
        recorder=recorder_values,
    output:
        page=result("planning/send-levels.html"),
        table=result("planning/send-levels.tsv"),
    log:
        result("logs/propose_levels.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings=lambda _: {
            "name": SESSION["name"],
            "medium": SESSION["medium"],
            "tracks": track_list("role", "send_db"),
            "thresholds": SESSION["thresholds"],
            **{key: SESSION["transfer"][key] for key in ("send_db", "distortion_percent")},
        },
        code=lambda _: code_version("propose_levels.py"),
    message:
        "Proposing send levels"
    script:
        "../scripts/propose_levels.py"


rule levels:
    input:
        rules.propose_levels.output,


rule calibration:
    input:
        result("transfers/calibration.wav"),


rule recorder:
    input:
        rules.measure_recorder.output,
