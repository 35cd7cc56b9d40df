"""Whose results a folder holds: a marker file names the session, so that two sessions never mix their results.

Conventions: the marker holds the session's folder relative to the results' (so that a copied project keeps working and two
copies hold the same bytes), with slashes.
"""

import os
from pathlib import Path

from bounceproof.files import read_json, write_json
from bounceproof.session.mistakes import shown

MARKER = ".session"


def session_identity(folder, results_dir):
    """What the marker says of a session: {"folder": its folder relative to the results'}."""
    real, results = os.path.realpath(folder), os.path.realpath(results_dir)
    try:
        return {"folder": Path(os.path.relpath(real, results)).as_posix()}
    except ValueError:
        # Another drive: no way from one to the other.
        return {"folder": Path(real).as_posix()}


def results_problem(folder, results_dir):
    """What keeps a session from using a results folder, as a phrase; None if nothing does."""
    try:
        return _results_problem(folder, results_dir)
    except OSError as problem:
        return f"it cannot be used ({problem.strerror}); name another folder"
    except ValueError:
        return "no folder can have this name; name another"


def _results_problem(folder, results_dir):
    folder, results = Path(os.path.realpath(folder)), Path(os.path.realpath(results_dir))
    for kept in (folder / "stems", folder / "returns"):
        if results == kept or kept in results.parents:
            return f"results cannot lie in {kept.name}/ of the session; choose another folder"
    if results == folder or results in folder.parents:
        return "the session itself lies in it; choose another folder"
    if results.exists() and not results.is_dir():
        return "it is a file; a folder is expected"
    owner = _owner(results)
    if owner is None and _holds_anything(results):
        return "it holds other files; name a new folder, or an empty one"
    if owner is None or owner == session_identity(folder, results)["folder"]:
        return None
    other = os.path.normpath(results / owner) if owner else "another session"
    return (
        f"it holds the results of the session {shown(other, 1000)}; give this session another `name` or `results_dir` "
        f"(or, if it is the same session, moved: delete the file {MARKER} in {results_dir})"
    )


def _holds_anything(results):
    return results.is_dir() and any(not path.name.startswith(".") for path in results.iterdir())


def _owner(results):
    marker = results / MARKER
    if not marker.is_file():
        return None
    try:
        return str(read_json(marker).get("folder", ""))
    except (OSError, ValueError, AttributeError):
        return ""


def claim_results(session):
    """Mark a session's results folder as its own (made if needed; unchanged where the mark stands). Raises SessionMistakes."""
    from bounceproof.session.mistakes import SessionMistakes

    problem = results_problem(session["folder"], session["results_dir"])
    if problem:
        raise SessionMistakes([f"results folder {session['results_dir']}: {problem}"])
    marker = Path(session["results_dir"]) / MARKER
    if not marker.is_file():
        write_json(marker, session_identity(session["folder"], session["results_dir"]))
