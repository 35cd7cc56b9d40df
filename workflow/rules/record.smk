"""The record, what is held against it, and bundles for publication."""


rule write_record:
    input:
        unpack(lambda _: recorded()),
    output:
        record=report(result("record.json"), caption="../report/record.rst", category="Record", labels={"what": "record"}),
        method=report(result("method.txt"), caption="../report/method.rst", category="Record", labels={"what": "method"}),
    log:
        result("logs/write_record.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings=lambda _: {"session": SESSION, "project_dir": str(PROJECT)},
        content=lambda _: read_contents(),
        made_by=lambda _: made_by(),
        code=code_version("write_record.py"),
    message:
        "Writing the record"
    script:
        "../scripts/write_record.py"


rule verify:
    input:
        unpack(lambda _: recorded()),
    log:
        result("logs/verify.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings=lambda _: {
            "session": SESSION,
            "project_dir": str(PROJECT),
            "recorded": from_caller(config.get("record"), PROJECT) or result("record.json"),
            "said": VERIFIED,
        },
        made_by=lambda _: made_by(),
        code=lambda _: code_version("verify.py"),
    message:
        "Holding the present files against the record"
    script:
        "../scripts/verify.py"


rule compare:
    input:
        ours=result("record.json"),
        theirs=lambda _: ancient(from_caller(config.get("other"), PROJECT) or "other=RECORD.json"),
    output:
        page=result("comparison.html"),
        table=result("comparison.tsv"),
    log:
        result("logs/compare.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=500,
    params:
        settings={"name": SESSION["name"]},
        content=lambda _: content_of(from_caller(config.get("other"), PROJECT)),
        code=lambda _: code_version("compare.py"),
    message:
        "Setting two records side by side"
    script:
        "../scripts/compare.py"


rule bundle:
    input:
        members=lambda _: list(published().values()),
    output:
        bundle=result("bundle.zip"),
    log:
        result("logs/bundle.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=300,
    params:
        settings=lambda _: {"names": list(published())},
        code=lambda _: code_version("bundle.py"),
    message:
        "Zipping the results"
    script:
        "../scripts/bundle.py"


rule bundle_full:
    input:
        members=lambda _: list(published().values()),
        transfers=[result(f"transfers/{track}.wav") for track in TRACKS],
        files=lambda _: [ancient(path) for path in everything_read()],
    output:
        bundle=result("bundle-full.zip"),
    log:
        result("logs/bundle_full.log"),
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings=lambda _: {"names": list(published()), "session": SESSION, "track_columns": track_columns()},
        content=lambda _: read_contents(),
        code=lambda _: code_version("bundle_full.py"),
    message:
        "Zipping the results and all they rest on"
    script:
        "../scripts/bundle_full.py"
