"""Independent pieces of work, several at a time where a job may use several cores.

Conventions: the pieces' results come in the order of the pieces, so that what is made of them is the same bytes however many
threads there are. Worth it for what lets go of the interpreter's lock: transforms, compiled loops, sums of long arrays.
"""

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
