"""A session to begin with."""


rule new_session:
    log:
        "results/.new-session.log",
    conda:
        "../../envs/environment.yaml"
    resources:
        mem_mb=2000,
    params:
        settings=new_session_settings(),
        code=code_version("new_session.py"),
    message:
        "Writing a session from a folder of stems"
    script:
        "../scripts/new_session.py"
