"""On request, before the tape rolls: input matching."""


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
