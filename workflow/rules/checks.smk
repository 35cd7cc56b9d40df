"""What the chosen takes are like together: pairs and the stack of hiss."""


rule check_pair:
    input:
        unpack(pair_files),
    output:
        summary=RESULTS + "/pairs/{pair}.json",
        bands=RESULTS + "/pairs/{pair}.tsv",
    params:
        settings=lambda wildcards: pair_settings(wildcards.pair),
        code=code_version("check_pair.py"),
    log:
        RESULTS + "/logs/check_pair/{pair}.log",
    resources:
        mem_mb=2500,
    message:
        "Checking the pair {wildcards.pair}"
    script:
        "../scripts/check_pair.py"


rule stack_noise:
    input:
        alignments=lambda _: of_chosen("alignment.json"),
        conditions=lambda _: of_chosen("condition.json"),
        bands=lambda _: of_chosen("bands.tsv"),
    output:
        summary=RESULTS + "/noise/stack.json",
        table=RESULTS + "/noise/stack.tsv",
    params:
        settings=lambda _: {"song_s": SONG_S, "tracks": track_rows("mix_db", "pan"), **BAND},
        code=code_version("stack_noise.py"),
    log:
        RESULTS + "/logs/stack_noise.log",
    resources:
        mem_mb=500,
    message:
        "Stacking the hiss of all tracks"
    script:
        "../scripts/stack_noise.py"
