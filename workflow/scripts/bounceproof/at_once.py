"""Independent pieces of work, several at a time where a job may use several cores.

Conventions: the pieces' results come in the order of the pieces, so that what is made of them is the same bytes however many
threads there are. Threads are worth it for what lets go of the interpreter's lock: transforms, compiled loops, sums of long
arrays; processes for the rest.
"""

import concurrent.futures
import contextlib
import multiprocessing
import sys

_threads = 1
_helpers = None
# How long a thread that holds the interpreter's lock may keep another one waiting, which often needs it for a moment only.
_WAIT_S = 2e-4


def use(threads):
    """From now on, so many pieces at a time."""
    global _threads
    _let_go()
    _threads = max(1, int(threads))
    if _threads > 1:
        sys.setswitchinterval(_WAIT_S)


def each(work, pieces):
    """[work(piece) for piece in pieces]."""
    pieces = list(pieces)
    if _threads == 1 or len(pieces) < 2:
        return [work(piece) for piece in pieces]
    found, left = [None] * len(pieces), iter(range(len(pieces)))

    def take_turns():
        try:
            for k in left:
                found[k] = work(pieces[k])
        finally:
            # After a problem nothing more is begun.
            for _ in left:
                pass

    asked = [take_turns]
    helping = [_pool().submit(lambda: asked[0]()) for _ in range(min(_threads, len(pieces)) - 1)]
    try:
        take_turns()
    finally:
        # Who has not begun by now is busy with something else, maybe with what this is a piece of, and is not waited for.
        concurrent.futures.wait([one for one in helping if not one.cancel()])
        # What was cancelled stays in their queue until they are free, and must not keep the pieces so long.
        asked.clear()
    for one in helping:
        if not one.cancelled():
            one.result()
    return found


def _pool():
    """The threads that help the one that asks: kept, since there are a thousand small pieces a job."""
    global _helpers
    if _helpers is None:
        _helpers = concurrent.futures.ThreadPoolExecutor(_threads - 1)
    return _helpers


def _let_go():
    global _helpers
    if _helpers is not None:
        _helpers.shutdown()
    _helpers = None


def together(*pieces):
    """[piece() for piece in pieces]: different pieces of work side by side."""
    return each(lambda piece: piece(), pieces)


def apart(work, pieces):
    """[work(piece) for piece in pieces], results that can be pickled; in copies of this process where it may use several cores
    and the system makes such copies quickly and safely. Raises what any of them raises; ChildProcessError where one was ended
    from outside.
    """
    pieces = list(pieces)
    copies = max(1, min(_threads, len(pieces))) if sys.platform == "linux" else 1
    # A copy has no threads but the one that made it.
    _let_go()
    others = [_Copy(work, pieces[k::copies]) for k in range(1, copies)]
    try:
        found = [[work(piece) for piece in pieces[::copies]]]
    finally:
        told = [one.told() for one in others]
    for problem, results in told:
        if problem:
            raise problem
        found.append(results)
    return [found[k % copies][k // copies] for k in range(len(pieces))]


class _Copy:
    """A copy of this process that works on some pieces."""

    def __init__(self, work, pieces):
        context = multiprocessing.get_context("fork")
        self._told, tells = context.Pipe(duplex=False)
        self._process = context.Process(target=_work_on, args=(work, pieces, self._told, tells))
        self._process.start()
        tells.close()

    def told(self):
        """(what it raised, None where all went well; its results), once it has ended."""
        told = ChildProcessError("a process at work on this was ended from outside; run again."), []
        with contextlib.suppress(EOFError):
            told = self._told.recv()
        self._process.join()
        return told


def _work_on(work, pieces, told, tells):
    # Only who asked holds the end that is read: once that process was ended, what is told has nowhere to go, and does not wait.
    told.close()
    use(1)
    try:
        found = None, [work(piece) for piece in pieces]
    except Exception as problem:
        found = problem, []
    with contextlib.suppress(BrokenPipeError):
        tells.send(found)
