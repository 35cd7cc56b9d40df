"""Mix-ready files and the rough mixes that are compared."""


rule ready_track:
    input:
        unpack(ready_files),
        stem=result("stems/{track}.wav"),
        stem_about=result("stems/{track}.json"),
    output:
        ready=result("mix/{track}.wav"),
        about=result("mix/{track}.ready.json"),
        # What the report plays is cut here: its own job would be most of its cost, and one for all tracks would do them all again.
        wav=result("excerpts/{track}.wav"),
        mp3=result("excerpts/{track}.mp3"),
        parts=result("excerpts/{track}.json"),
    log:
        result("logs/ready_track/{track}.log"),
    priority: 1
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            take=wanted_take(wildcards.track),
            sample_rate_hz=SESSION["sample_rate_hz"],
            song_samples=SESSION["song_samples"],
            session=SESSION["name"],
            **ready_settings(wildcards.track),
        ),
        code=code_version("ready_track.py"),
    message:
        "Making the mix-ready file of {wildcards.track}"
    script:
        "../scripts/ready_track.py"


rule hiss_file:
    input:
        chosen=chosen_file("chosen.json"),
        alignments=lambda wildcards: of_takes(wildcards, "alignment.json"),
        captures=lambda wildcards: [capture_of_take(wildcards.track, take) for take in takes_of(wildcards.track)],
    output:
        hiss=result("mix/{track}.hiss.wav"),
    log:
        result("logs/hiss_file/{track}.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            takes=takes_of(wildcards.track),
            session=SESSION["name"],
            sample_rate_hz=SESSION["sample_rate_hz"],
            **{key: SESSION["transfer"][key] for key in ("gap_s", "tail_s")},
        ),
        content=lambda wildcards: [take_content(wildcards.track, take) for take in takes_of(wildcards.track)],
        code=code_version("hiss_file.py"),
    message:
        "Writing the hiss of {wildcards.track} alone"
    script:
        "../scripts/hiss_file.py"


rule hiss_files:
    input:
        lambda _: [f"{RESULTS}/mix/{track}.hiss.wav" for track in there()],
    message:
        "A file of hiss alone for every track"


rule blind_files:
    input:
        mixes=[f"{RESULTS}/mix/{name}.wav" for name in ("returned", "narrow-band", "source")],
        reference=result("mix/reference.json"),
    output:
        files=[f"{RESULTS}/listening/{name}.wav" for name in ("one", "two", "three")],
        key=result("listening/key.tsv"),
    log:
        result("logs/blind_files.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings={"names": ["returned", "narrow-band", "source"], "seed": SESSION["seed"], "session": SESSION["name"]},
        code=code_version("blind_files.py"),
    message:
        "Writing three mixes under shuffled names"
    script:
        "../scripts/blind_files.py"


rule hiss_demonstration:
    input:
        hiss=lambda _: [f"{RESULTS}/mix/{track}.hiss.wav" for track in there()],
        conditions=lambda _: of_chosen("condition.json"),
    output:
        sound=result("listening/hiss.wav"),
        about=result("listening/hiss.tsv"),
    log:
        result("logs/hiss_demonstration.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: {
            "session": SESSION["name"],
            "sample_rate_hz": SESSION["sample_rate_hz"],
            "song_s": SONG_S,
            "tracks": [row for row in track_rows("mix_db", "pan") if row["take"]],
        },
        code=code_version("hiss_demonstration.py"),
    message:
        "Making the stacked hiss audible"
    script:
        "../scripts/hiss_demonstration.py"


rule build_mix:
    input:
        stems=[f"{RESULTS}/stems/{track}.wav" for track in TRACKS],
        stem_abouts=[f"{RESULTS}/stems/{track}.json" for track in TRACKS],
        ready=[f"{RESULTS}/mix/{track}.wav" for track in TRACKS],
        alignments=lambda _: of_chosen("alignment.json"),
        clicks=lambda _: of_chosen("aligned-clicks.wav"),
    output:
        **mixes(),
        stereo=[f"{RESULTS}/mix/{parent}.wav" for parent in STEREO],
    log:
        result("logs/build_mix.log"),
    priority: 1
    conda:
        "../../envs/environment.yaml"
    # The figures are drawn at the same time.
    threads: lambda _: max(1, all_cores() - 1)
    resources:
        mem_mb=3000,
    params:
        settings=lambda _: {
            "sample_rate_hz": SESSION["sample_rate_hz"],
            "song_samples": SESSION["song_samples"],
            "session": SESSION["name"],
            "seed": SESSION["seed"],
            "reference_hiss_below_full_db": reference_hiss_below_full_db(),
            "tracks": track_rows("mix_db", "pan"),
            "stereo": [{"track": parent, **legs} for parent, legs in STEREO.items()],
            **BAND,
        },
        code=code_version("build_mix.py"),
    message:
        "Building the rough mixes"
    script:
        "../scripts/build_mix.py"


rule measure_mixes:
    input:
        **mixes(),
        stem_abouts=[f"{RESULTS}/stems/{track}.json" for track in TRACKS],
        alignments=lambda _: of_chosen("alignment.json"),
        time_maps=lambda _: of_chosen("time-map.tsv"),
        conditions=lambda _: of_chosen("condition.json"),
        stack=result("noise/stack.json"),
    output:
        reference=result("mix/reference.json"),
        timing=result("mix/timing.tsv"),
    log:
        result("logs/measure_mixes.log"),
    priority: 1
    conda:
        "../../envs/environment.yaml"
    threads: all_cores
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: {
            "sample_rate_hz": SESSION["sample_rate_hz"],
            "song_s": SONG_S,
            "reference_hiss_below_full_db": reference_hiss_below_full_db(),
            "thresholds": SESSION["thresholds"],
            "tracks": [
                {**row, "click_stem_s": click_stem_s(TRACKS[row["track"]]["send_speed"])} for row in track_rows("mix_db")
            ],
            **BAND,
        },
        code=code_version("measure_mixes.py"),
    message:
        "Measuring the rough mixes"
    script:
        "../scripts/measure_mixes.py"
