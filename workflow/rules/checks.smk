"""What the chosen takes are like together: pairs and the stack of hiss."""


rule check_pair:
    input:
        unpack(pair_files),
    output:
        summary=result("pairs/{pair}.json"),
        bands=result("pairs/{pair}.tsv"),
    log:
        result("logs/check_pair/{pair}.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2500,
    params:
        settings=lambda wildcards: pair_settings(wildcards.pair),
        code=code_version("check_pair.py"),
    message:
        "Checking the pair {wildcards.pair}"
    script:
        "../scripts/check_pair.py"


rule stack_noise:
    input:
        alignments=lambda _: of_chosen("alignment.json"),
        conditions=lambda _: of_chosen("condition.json"),
        bands=lambda _: of_chosen("bands.tsv"),
        ready=lambda _: [f"{RESULTS}/mix/{track}.ready.json" for track in there() if alters_hiss(track)],
    output:
        summary=result("noise/stack.json"),
        table=result("noise/stack.tsv"),
    log:
        result("logs/stack_noise.log"),
    priority: 1
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings=lambda _: {"song_s": SONG_S, "tracks": track_rows("mix_db", "pan"), **BAND},
        code=code_version("stack_noise.py"),
    message:
        "Stacking the hiss of all tracks"
    script:
        "../scripts/stack_noise.py"
