"""Mix-ready files and the rough mixes that are compared."""


rule ready_track:
    input:
        unpack(ready_files),
    output:
        ready=RESULTS + "/mix/{track}.wav",
        about=RESULTS + "/mix/{track}.ready.json",
    params:
        settings=lambda wildcards: settings_of(
            wildcards.track,
            take=wanted_take(wildcards.track),
            sample_rate_hz=SESSION["sample_rate_hz"],
            song_samples=SESSION["song_samples"],
        ),
        code=code_version("ready_track.py"),
    log:
        RESULTS + "/logs/ready_track/{track}.log",
    resources:
        mem_mb=1500,
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
        stack=RESULTS + "/noise/stack.json",
    output:
        returned=RESULTS + "/mix/returned.wav",
        returned_clicks=RESULTS + "/mix/returned-clicks.wav",
        source=RESULTS + "/mix/source.wav",
        narrow_band=RESULTS + "/mix/narrow-band.wav",
        reference=RESULTS + "/mix/reference.json",
    params:
        settings=lambda _: {
            "sample_rate_hz": SESSION["sample_rate_hz"],
            "song_samples": SESSION["song_samples"],
            "tracks": track_rows("mix_db", "pan"),
            **BAND,
        },
        code=code_version("build_mix.py"),
    log:
        RESULTS + "/logs/build_mix.log",
    resources:
        mem_mb=3000,
    message:
        "Building the rough mixes"
    script:
        "../scripts/build_mix.py"
