"""Which session a call means, and what is said in the terminal before and after it.

Conventions: a mistake of the user's ends the call with one line each and exit code 1.
"""

import os
import sys
from pathlib import Path


def chosen_session(config, project):
    """The session record of `--config session=PATH`, of the folder the call came from, or the demo's."""
    from bounceproof.session import SessionMistakes, claim_results, load_session

    folder = session_folder(config, project)
    try:
        session = load_session(folder, config_dir=project / "config", project_dir=project)
        check_paths(session)
        claim_results(session)
    except SessionMistakes as mistakes:
        sys.exit("\n".join(mistakes.lines))
    except OSError as problem:
        sys.exit(f"{problem.filename or folder}: {problem.strerror or problem}; mend it and start again.")
    for note in session["notes"]:
        print(f"note: {note['text']}", file=sys.stderr)
    return session


def check_new_session(config, project):
    """Where a new session is asked for: end the call at once, a line each, if it cannot be written."""
    from bounceproof.new_session import check_places
    from bounceproof.session import SessionMistakes

    stems, session = (from_caller(config.get(key), project) for key in ("stems", "session"))
    if not stems or not session:
        missing = "stems" if not stems else "session"
        sys.exit(f"new_session: no {missing} given; add --config stems=DIR session=DIR.")
    try:
        check_places(stems, session)
    except SessionMistakes as mistakes:
        sys.exit("\n".join(mistakes.lines))


def check_other_record(config, project):
    """End the call at once if a record that a rule holds something against is not named, or not there."""
    for rule, key, needed in (("compare", "other", True), ("verify", "record", False)):
        path = from_caller(config.get(key), project)
        if rule not in sys.argv or (path is None and not needed):
            continue
        if path is None:
            sys.exit(f"{rule}: no {key} record given; add --config {key}=PATH/TO/record.json.")
        if not Path(path).is_file():
            sys.exit(f"{rule}: {path}: there is no such file; expected is a record.json as a run writes it.")


def check_paths(session):
    """Raise SessionMistakes for paths that Snakemake cannot take: to it a brace is a wildcard's, and it keeps text."""
    from bounceproof.session.mistakes import Mistakes

    mistakes = Mistakes()
    takes = [take["path"] for takes in session["takes"].values() for take in takes]
    beside = [*session["captures"], *session["calibrations"], *session["wires"], *session["trials"].values()]
    files = [*(track["stem"] for track in session["tracks"]), *takes, *beside]
    for paths in ((session["folder"], session["results_dir"]), sorted(files)):
        for path in paths:
            if problem := _path_problem(path):
                mistakes.add(path, f"{problem}; rename it.")
        mistakes.raise_if_any()


def _path_problem(path):
    from bounceproof.files import is_text

    if set("{}") & set(str(path)):
        return "the path holds a curly bracket; expected none, as Snakemake takes it for a pattern"
    if not is_text(path):
        return "the path holds bytes that are no UTF-8 text, which no table can name"
    return None


def session_folder(config, project):
    caller = Path(os.environ.get("BOUNCEPROOF_CALLED_FROM") or Path.cwd())
    if config.get("session") not in (None, "") and not config.get("stems"):
        return Path(from_caller(config["session"], project))
    if (caller / "session.yaml").is_file():
        return caller
    return project / "config" / "demo"


def from_caller(path, project):
    """A path as the caller meant it: from the folder the call came from; None stays None."""
    if path in (None, ""):
        return None
    caller = Path(os.environ.get("BOUNCEPROOF_CALLED_FROM") or project)
    return str((caller / os.path.expanduser(str(path))).absolute())


def relative_to_project(path, project):
    """A path below the project as a relative one, so that results are the same wherever the project lies; any other as it is."""
    path = Path(path)
    return path.relative_to(project).as_posix() if path.is_relative_to(project) else path.as_posix()


def made_of(path, content_in):
    """What a file of results says itself that it was made of; None where it cannot be read any more. content_in: takes it from
    the path.
    """
    try:
        return content_in(path)
    except (ValueError, LookupError, TypeError):
        return None


def display_lines(results, before, finished):
    """One line for each take whose alignment this run made or changed; then where the report is."""
    from bounceproof.files import file_sha256, read_json
    from bounceproof.verdicts import terminal_line

    for path in sorted(Path(results).glob("returns/*/*/alignment.json")):
        condition = path.with_name("condition.json")
        if before.get(path) != file_sha256(path) and condition.is_file():
            yield terminal_line(path.parts[-3], path.parts[-2], read_json(path), read_json(condition))
    report = Path(results) / "report.html"
    if finished and report.is_file() and before.get(report) != file_sha256(report):
        yield f"report: {report}"
    elif not finished:
        yield "Not everything was finished; what went wrong is said above, and in the logs it names."
