"""Loops compiled to machine code: once, then kept on disk."""

import numba
from numba.core.caching import FunctionCache
from numba.core.runtime import rtsys

# Several numbers that lie side by side are worked on together, without a loop around them: `follow.abreast` is written for it.
numba.config.SLP_VECTORIZE = 1


def compiled(**options):
    """The decorator of a loop to be compiled by numba, which lets go of the interpreter's lock. options: numba's."""

    def of(function):
        dispatcher = numba.njit(nogil=True, **options)(function)
        # Instead of numba's own cache=True, which would look for a place on disk as well.
        dispatcher._cache = _Kept(function)
        return dispatcher

    return of


class _Kept(FunctionCache):
    """Machine code on disk. What is there is loaded without all that numba knows of Python's and numpy's functions, which only a
    compilation needs and loads then itself: a fifth of a second a job.
    """

    def load_overload(self, sig, target_context):
        rtsys.initialize(target_context)
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)
