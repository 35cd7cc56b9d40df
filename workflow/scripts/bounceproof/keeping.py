"""Files that a job made, kept for its next run: taken again as long as all that they depend on is the same.

Snakemake removes a job's results before the job starts, also those of its results that would come out the same. A second name for
a file (a hard link) outlives that, and takes no room. Conventions: a key is a plain value that tells all that the files depend
on; facts are a plain value that goes with them, or is all that is kept. Nothing rests on what is kept: where it is gone, changed,
half written, or where there are no links, it is made anew, to the same bytes.
"""

import hashlib
import json
import os
from pathlib import Path

from bounceproof import at_once
from bounceproof.files import file_sha256, read_json, write_json

_NOTE = "kept.json"


class Shelf:
    """A folder in which files are kept under a key."""

    def __init__(self, folder, key):
        self._folder = Path(folder)
        self._key = hashlib.sha256(json.dumps(key, sort_keys=True).encode()).hexdigest()

    def taken(self, paths):
        """The facts that were kept, with the files at `paths` again as they were; None where they have to be made."""
        try:
            note = read_json(self._folder / _NOTE)
            if note["key"] != self._key or at_once.each(file_sha256, map(self._own, paths)) != note["sha256"]:
                return None
            for path in paths:
                _name_too(self._own(path), path)
            return note["facts"]
        except (OSError, ValueError, LookupError, TypeError):
            return None

    def keep(self, paths, facts):
        """Keep the files at `paths` with their facts instead of what was kept before, if the file system can."""
        note = self._folder / _NOTE
        try:
            note.unlink(missing_ok=True)
            for path in paths:
                _name_too(path, self._own(path))
            write_json(note, {"key": self._key, "sha256": at_once.each(file_sha256, paths), "facts": facts})
        except OSError:
            # No links, or no room: then there is nothing to take next time.
            for path in paths:
                self._own(path).unlink(missing_ok=True)

    def _own(self, path):
        return self._folder / Path(path).name


def _name_too(path, name):
    """Give a file a second name, in place of what has it."""
    name = Path(name)
    name.parent.mkdir(parents=True, exist_ok=True)
    fresh = name.with_name(f".writing-{name.name}")
    fresh.unlink(missing_ok=True)
    os.link(path, fresh)
    os.replace(fresh, name)
    # Two names of one file stay both where one is to replace the other.
    fresh.unlink(missing_ok=True)
