"""What files hold, told by their SHA-256: each is read once a call, and the next ones while the workflow is being laid out.

Conventions: a file that cannot be read raises its OSError where it is asked for, however early it was tried.
"""

from concurrent.futures import ThreadPoolExecutor


class Contents:
    """The hashes of files. hash_of: takes a path; series: lists of paths that are asked for one after the other, mostly in this
    order; threads: how many are read at a time (hashing lets go of the interpreter's lock).
    """

    def __init__(self, hash_of, series, threads):
        self._hash_of, self._begun, self._threads = hash_of, {}, threads
        self._series = {path: paths for paths in series for path in paths}
        self._pool = ThreadPoolExecutor(threads)

    def of(self, path):
        """The hash of a file's content."""
        self._begin(path)
        # No more than keep the threads at work: a call that is broken off has to wait for what was begun.
        free = 1 + self._threads - sum(not hashed.done() for hashed in self._begun.values())
        coming = (one for one in self._series.get(path, ()) if one not in self._begun)
        for one in [one for one, _ in zip(coming, range(free), strict=False)]:
            self._begin(one)
        return self._begun[path].result()

    def _begin(self, path):
        if path not in self._begun:
            self._begun[path] = self._pool.submit(self._hash_of, path)
