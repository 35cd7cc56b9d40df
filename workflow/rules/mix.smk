"""Mix-ready files and the rough mixes that are compared."""


rule ready_track:
    input:
        unpack(ready_files),
    output:
        ready=result("mix/{track}.wav"),
        about=result("mix/{track}.ready.json"),
    log:
        result("logs/ready_track/{track}.log"),
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
        ),
        code=code_version("ready_track.py"),
    message:
        "Making the mix-ready file of {wildcards.track}"
    script:
        "../scripts/ready_track.py"


rule build_mix:
    input:
        stems=[f"{RESULTS}/stems/{track}.wav" for track in TRACKS],
        ready=[f"{RESULTS}/mix/{track}.wav" for track in TRACKS],
        alignments=lambda _: of_chosen("alignment.json"),
        clicks=lambda _: of_chosen("aligned-clicks.wav"),
        stack=result("noise/stack.json"),
    output:
        returned=result("mix/returned.wav"),
        returned_clicks=result("mix/returned-clicks.wav"),
        source=result("mix/source.wav"),
        narrow_band=result("mix/narrow-band.wav"),
        reference=result("mix/reference.json"),
    log:
        result("logs/build_mix.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=3000,
    params:
        settings=lambda _: {
            "sample_rate_hz": SESSION["sample_rate_hz"],
            "song_samples": SESSION["song_samples"],
            "tracks": track_rows("mix_db", "pan"),
            **BAND,
        },
        code=code_version("build_mix.py"),
    message:
        "Building the rough mixes"
    script:
        "../scripts/build_mix.py"
