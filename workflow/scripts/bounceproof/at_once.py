"""Independent pieces of work, several at a time where a job may use several cores.

Conventions: the pieces' results come in the order of the pieces, so that what is made of them is the same bytes however many
threads there are. Threads are worth it for what lets go of the interpreter's lock: transforms, compiled loops, sums of long
arrays; processes for the rest.
"""

import contextlib
import multiprocessing
import sys
from concurrent.futures import ThreadPoolExecutor

_threads = 1


def use(threads):
    """From now on, so many pieces at a time."""
    global _threads
    _threads = max(1, int(threads))


def each(work, pieces):
    """[work(piece) for piece in pieces]."""
    pieces = list(pieces)
    if _threads == 1 or len(pieces) < 2:
        return [work(piece) for piece in pieces]
    with ThreadPoolExecutor(_threads) as pool:
        return list(pool.map(work, pieces))


def together(*pieces):
    """[piece() for piece in pieces]: different pieces of work side by side."""
    return each(lambda piece: piece(), pieces)


def apart(work, pieces):
    """work(piece) for each of the pieces, which leave nothing behind but files: in copies of this process where it may use
    several cores and the system makes such copies quickly and safely. Raises what any of them raises; ChildProcessError where one
    was ended from outside.
    """
    pieces = list(pieces)
    copies = max(1, min(_threads, len(pieces))) if sys.platform == "linux" else 1
    others = [_Copy(work, pieces[k::copies]) for k in range(1, copies)]
    try:
        for piece in pieces[::copies]:
            work(piece)
    finally:
        problems = [one.problem() for one in others]
    for problem in filter(None, problems):
        raise problem


class _Copy:
    """A copy of this process that works on some pieces."""

    def __init__(self, work, pieces):
        context = multiprocessing.get_context("fork")
        self._told, tells = context.Pipe(duplex=False)
        self._process = context.Process(target=_work_on, args=(work, pieces, tells))
        self._process.start()
        tells.close()

    def problem(self):
        """What it raised, once it has ended; None where all went well."""
        told = None
        with contextlib.suppress(EOFError):
            told = self._told.recv()
        self._process.join()
        ended = ChildProcessError("a process at work on this was ended from outside; run again.")
        return told if told or not self._process.exitcode else ended


def _work_on(work, pieces, tells):
    try:
        for piece in pieces:
            work(piece)
    except Exception as problem:
        tells.send(problem)
