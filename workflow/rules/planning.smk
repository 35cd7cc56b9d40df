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
            "simulated": newest_calibration() is None,
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


rule propose_speeds:
    input:
        stems=[result(f"stems/{track}.wav") for track in TRACKS],
        recorder=recorder_values,
        bands=lambda wildcards: [] if recorder_values(wildcards) else of_chosen("bands.tsv"),
    output:
        table=result("planning/send-speeds.tsv"),
    log:
        result("logs/propose_speeds.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: {
            "tracks": list(TRACKS),
            "returned": [] if recorder_values(wildcards) else there(),
        },
        code=lambda _: code_version("propose_speeds.py"),
    message:
        "Advising which stems to send faster"
    script:
        "../scripts/propose_speeds.py"


rule speeds:
    input:
        rules.propose_speeds.output,
    message:
        "Advice on sending low instruments faster"


rule levels:
    input:
        rules.propose_levels.output,


rule make_trial:
    input:
        stem=result("stems/{track}.wav"),
    output:
        transfer=result("transfers/trials/{track}.wav"),
        facts=result("transfers/trials/{track}.json"),
        trial=result("planning/trials/{track}.wav"),
    log:
        result("logs/make_trial/{track}.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            "number",
            **BAND,
            **{key: SESSION["transfer"][key] for key in ("lead_in_s", "gap_s", "tail_s", "click_below_peak_db")},
        ),
        code=lambda _: code_version("make_trial.py"),
    message:
        "Making the trial of {wildcards.track}"
    script:
        "../scripts/make_trial.py"


rule measure_trial:
    input:
        capture=lambda wildcards: ancient(SESSION["trials"][wildcards.track]),
        trial=result("planning/trials/{track}.wav"),
        transfer=result("transfers/trials/{track}.wav"),
        facts=result("transfers/trials/{track}.json"),
    output:
        values=result("planning/trials/{track}.json"),
    log:
        result("logs/measure_trial/{track}.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            alignment=SESSION["alignment"],
            **BAND,
            **{key: SESSION["transfer"][key] for key in ("gap_s", "tail_s", "distortion_percent")},
        ),
        content=lambda wildcards: content_of(SESSION["trials"][wildcards.track]),
        code=lambda _: code_version("measure_trial.py"),
    message:
        "Measuring the trial of {wildcards.track}"
    script:
        "../scripts/measure_trial.py"


rule report_trials:
    input:
        values=[result(f"planning/trials/{track}.json") for track in SESSION["trials"]],
    output:
        page=result("planning/trials.html"),
        table=result("planning/trials.tsv"),
    log:
        result("logs/report_trials.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=300,
    params:
        settings=lambda _: {
            "name": SESSION["name"],
            "tracks": track_list("send_db"),
            "distortion_percent": SESSION["transfer"]["distortion_percent"],
            "thresholds": SESSION["thresholds"],
        },
        code=lambda _: code_version("report_trials.py"),
    message:
        "Reporting the trials"
    script:
        "../scripts/report_trials.py"


rule trials:
    input:
        [result(f"transfers/trials/{track}.wav") for track in TRACKS],


rule trial_levels:
    input:
        rules.report_trials.output,


rule make_forecast:
    input:
        transfers=[result(f"transfers/{track}.wav") for track in TRACKS],
        facts=[result(f"transfers/{track}.json") for track in TRACKS],
        recorder=recorder_values,
    output:
        values=result("planning/forecast.json"),
    log:
        result("logs/make_forecast.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2500,
    params:
        settings=lambda _: {
            "medium": SESSION["medium"],
            "seed": SESSION["seed"],
            "send_db": SESSION["transfer"]["send_db"],
            "tracks": [{**row, "role_bands": role_bands(row["track"])} for row in track_list("mix_db")],
        },
        code=lambda _: code_version("make_forecast.py"),
    message:
        "Forecasting the session"
    script:
        "../scripts/make_forecast.py"


rule report_forecast:
    input:
        values=rules.make_forecast.output.values,
        came=forecast_came,
    output:
        page=result("planning/forecast.html"),
        table=result("planning/forecast.tsv"),
    log:
        result("logs/report_forecast.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=300,
    params:
        settings=lambda _: {
            "name": SESSION["name"],
            "medium": SESSION["medium"]["label"],
            "thresholds": SESSION["thresholds"],
        },
        code=lambda _: code_version("report_forecast.py"),
    message:
        "Setting the forecast beside what came"
    script:
        "../scripts/report_forecast.py"


rule forecast:
    input:
        rules.report_forecast.output,


rule measure_wire:
    input:
        capture=wire_capture,
        facts=result("transfers/calibration.json"),
    output:
        values=result("wire.json"),
    log:
        result("logs/measure_wire.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2500,
    params:
        settings=lambda _: {"medium": SESSION["medium"]},
        content=lambda _: [content_of(path) for path in SESSION["wires"][-1:]],
        code=lambda _: code_version("measure_wire.py"),
    message:
        "Measuring the wire"
    script:
        "../scripts/measure_wire.py"


rule wire:
    input:
        rules.measure_wire.output,


rule calibration:
    input:
        result("transfers/calibration.wav"),


rule recorder:
    input:
        rules.measure_recorder.output,
