"""Moving figures, on request: hiss adding up, a pair drifting apart and pulled together."""


rule hiss_film:
    input:
        sound=result("listening/hiss.wav"),
        about=result("listening/hiss.tsv"),
    output:
        **film_files("hiss"),
    log:
        result("logs/hiss_film.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=1500,
    params:
        settings=lambda _: {
            "figures": SESSION["figures"],
            "tracks": [row for row in track_rows() if row["take"]],
            "simulated": simulated_tracks(),
        },
        code=lambda _: code_version("hiss_film.py"),
    message:
        "Filming how hiss adds up"
    script:
        "../scripts/hiss_film.py"


rule pair_film:
    input:
        unpack(filmed_pair_files),
    output:
        **film_files("pair-{pair}"),
    log:
        result("logs/pair_film/{pair}.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings=lambda wildcards: {
            "figures": SESSION["figures"],
            "pair": wildcards.pair,
            "song_s": SONG_S,
            "mix_db": [TRACKS[PAIRS[wildcards.pair][place]]["mix_db"] for place in ("first", "second")],
        },
        code=lambda _: code_version("pair_film.py"),
    message:
        "Filming the pair {wildcards.pair}"
    script:
        "../scripts/pair_film.py"


rule films:
    input:
        rules.hiss_film.output,
        lambda _: [path for pair in filmed_pairs() for path in film_files(f"pair-{pair}").values()],
    message:
        "Moving figures"
