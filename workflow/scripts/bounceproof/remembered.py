"""What was told of a file once, as long as the system says that nobody has touched the file since."""

import contextlib
import os
import time
from pathlib import Path

from bounceproof.files import read_json, write_json

# The coarsest clock of a file system ticks every 2 s: what changed less than this before it was read may change again unseen.
_SETTLED_S = 5.0
_MOST_KEPT = 2000


class Remembered:
    """hash_of(path), kept in the file `notes` from call to call: a file is read again unless its device, number, length and both
    times of its last change are what they were.

    Its inode's time (ctime) nobody can set: a file with its old date put on it, or put back in its place, is read again too.
    """

    def __init__(self, hash_of, notes, settled_s=_SETTLED_S):
        self._hash_of, self._notes, self._settled_s, self._new = hash_of, Path(notes), settled_s, {}
        self._kept = {}
        with contextlib.suppress(OSError, ValueError):
            kept = read_json(self._notes)
            self._kept = kept if isinstance(kept, dict) else {}

    def __call__(self, path):
        name, state = os.path.abspath(path), _state(path)
        known = self._kept.get(name)
        if isinstance(known, list) and known[:-1] == state:
            return known[-1]
        read_s = time.time()
        content = self._hash_of(path)
        # Where the last change has another meaning than its inode's (Windows), nothing is sure enough.
        if os.name == "posix" and _state(path) == state and read_s - max(state[-2:]) / 1e9 > self._settled_s:
            self._new[name] = [*state, content]
        return content

    def keep(self):
        """Keep what was read anew, if that can be written."""
        if self._new:
            kept = {**self._kept, **self._new}
            with contextlib.suppress(OSError):
                write_json(self._notes, dict(list(kept.items())[-_MOST_KEPT:]))


def _state(path):
    """What the system says of a file: device, number, length, times of the last change of its content and of its inode (ns)."""
    told = os.stat(path)
    return [told.st_dev, told.st_ino, told.st_size, told.st_mtime_ns, told.st_ctime_ns]
