"""A session to begin with."""


rule new_session:
    params:
        settings=new_session_settings(),
        code=code_version("new_session.py"),
    log:
        "results/.new-session.log",
    resources:
        mem_mb=2000,
    message:
        "Writing a session from a folder of stems"
    script:
        "../scripts/new_session.py"
