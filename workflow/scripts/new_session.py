"""Write a session from a folder of stems, and say what was written and guessed.

params: settings = {stems: folder of stems, session: folder to write, mix: rough mix or None}
"""

import sys
from pathlib import Path

import bounceproof
from bounceproof.files import write_text
from bounceproof.new_session import read_roles, write_new_session
from bounceproof.session import SessionMistakes

PROJECT = Path(bounceproof.__file__).resolve().parents[3]


def main(snakemake):
    settings = snakemake.params.settings
    missing = [f"new_session: no {key} given; add --config {key}=PATH" for key in ("stems", "session") if not settings.get(key)]
    try:
        if missing:
            raise SessionMistakes(missing)
        roles = read_roles(PROJECT / "config" / "roles.yaml")
        lines = write_new_session(settings["stems"], settings["session"], roles=roles, mix_path=settings.get("mix"))
    except SessionMistakes as mistakes:
        log(snakemake, mistakes.lines)
        sys.exit("\n".join(mistakes.lines))
    log(snakemake, lines)
    print(*lines, sep="\n", flush=True)


def log(snakemake, lines):
    for path in snakemake.log:
        write_text(path, "\n".join(lines) + "\n")


if __name__ == "__main__":
    main(snakemake)
