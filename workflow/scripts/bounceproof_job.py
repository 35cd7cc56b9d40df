"""Runs a rule's main: what it prints goes to the rule's log; a problem the user can mend is one sentence, not a traceback.

Imported first by a job that has threads of its own, before what loads linear algebra.
"""

import contextlib
import gc
import importlib.util
import os
import sys
from importlib.machinery import PathFinder
from pathlib import Path

# Snakemake gives linear algebra as many threads as a rule has; more than one change the last bits of a sum.
os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1"))

_SHA256_DIGITS = 64
# Of the libraries' parts, what no job uses and numpy, when it is gone through name by name, loads nevertheless.
_PUT_OFF = frozenset({"numpy.f2py"})
# New objects until garbage is looked for. Ours is let go by itself; while libraries load, the search is a tenth of the time.
_UNTIL_COLLECTED = 100_000


class _PuttingOff:
    """Finds what is put off: loaded when something of it is asked for."""

    @staticmethod
    def find_spec(name, path=None, target=None):
        found = PathFinder.find_spec(name, path, target) if name in _PUT_OFF else None
        if found is not None:
            found.loader = importlib.util.LazyLoader(found.loader)
        return found


if hasattr(sys.modules["__main__"], "snakemake"):
    sys.meta_path.insert(0, _PuttingOff)
    gc.set_threshold(_UNTIL_COLLECTED)


def run_job(main, snakemake):
    """Call main(snakemake) with its output in the rule's log. A sentence for the user ends the job with exit code 1."""
    from bounceproof import at_once
    from bounceproof.problems import AudioProblem

    at_once.use(getattr(snakemake, "threads", 1))
    log, sentence = Path(str(snakemake.log[0])), None
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with log.open("w", encoding="utf-8") as out, contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            try:
                main(snakemake)
            except (AudioProblem, OSError) as problem:
                sentence = _sentence(problem)
                print(sentence, file=out)
    except OSError as problem:
        # On a full disk there is no room for the log either.
        sentence = sentence or _sentence(problem)
    if sentence:
        print(sentence, file=sys.stderr)
        raise SystemExit(1)


def check_unchanged(path, planned):
    """Raise AudioProblem where the content of a file that a job has read is not the one that its run was planned with.

    planned: its SHA-256, or a word for what the workflow makes itself, which nobody changes. A file saved anew in mid-run would
    otherwise be taken for the one before, as soon as that is put back.
    """
    from bounceproof.files import file_sha256
    from bounceproof.problems import AudioProblem

    if len(planned) == _SHA256_DIGITS and file_sha256(path) != planned:
        raise AudioProblem(f"{path}: it changed while it was read; run again.")


def _sentence(problem):
    if isinstance(problem, OSError) and problem.strerror:
        where = f"{problem.filename}: " if problem.filename else ""
        todo = "free some space and run again" if problem.errno == 28 else "mend it and run again"
        return f"{where}{problem.strerror}; {todo}."
    return str(problem)
