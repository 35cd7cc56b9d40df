"""Files written whole or not at all, and the same bytes each time.

Conventions: text is UTF-8 with LF; JSON holds finite numbers only (what is not finite becomes null);
tables are tab-separated, an empty cell is "nothing".
"""

import csv
import hashlib
import json
import math
import os
import tempfile
import threading
from contextlib import contextmanager
from pathlib import Path

_UNFINISHED = ".writing-"
_ASKED = threading.Lock()


@contextmanager
def write_atomically(path):
    """Yield a temporary Path beside `path`; it takes `path`'s place only when the block ends well. An OSError names `path`."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=_UNFINISHED, suffix=path.suffix)
    os.close(handle)
    # mkstemp makes a private file; a result is as readable as any other new file.
    os.chmod(name, 0o666 & ~_umask())
    try:
        yield Path(name)
        os.replace(name, path)
    except OSError as problem:
        # One that has no number is a sentence of our own.
        if problem.errno and problem.filename in (None, name):
            problem.filename = str(path)
        raise
    finally:
        Path(name).unlink(missing_ok=True)


def remove_unfinished(folder):
    """Remove what writers that were killed have left below a folder."""
    for path in Path(folder).rglob(f"{_UNFINISHED}*"):
        path.unlink(missing_ok=True)


def _umask():
    # It can be told only by setting it, for all threads at once.
    with _ASKED:
        mask = os.umask(0)
        os.umask(mask)
    return mask


def write_text(path, text):
    """Write text as UTF-8 with LF, atomically."""
    with write_atomically(path) as temporary:
        temporary.write_bytes(text.encode("utf-8"))


def write_json(path, value):
    """Write plain values (dict, list, numbers, text, numpy scalars and arrays); what is not finite becomes null."""
    text = json.dumps(finite(value), ensure_ascii=False, indent=1, allow_nan=False)
    write_text(path, text + "\n")


def finite(value):
    """The same value in plain Python, numpy unwrapped, numbers that are not finite replaced by None."""
    if isinstance(value, dict):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    if hasattr(value, "tolist"):
        return finite(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return os.fspath(value) if isinstance(value, os.PathLike) else value


def read_json(path):
    """The value of a JSON file."""
    return json.loads(Path(path).read_text(encoding="utf-8"))


def write_table(path, rows, columns):
    """Write rows (dicts) as a TSV with a header; None and what is not finite become empty cells."""
    with write_atomically(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, delimiter="\t", lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_cell(row.get(column)) for column in columns])


def _cell(value):
    value = finite(value)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value).replace("\r", " ").replace("\n", " ")


def read_table(path):
    """The rows of a TSV written by `write_table`, each a dict of text."""
    with Path(path).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines, delimiter="\t"))


def is_text(path):
    """Whether a path can stand in tables and pages: names of files may hold bytes that are no UTF-8."""
    return not any("\ud800" <= character <= "\udfff" for character in str(path))


def number_in(cell):
    """The number in a cell of a table as read, None where it is empty."""
    return None if cell in (None, "") else float(cell)


def file_sha256(path):
    """The SHA-256 of a file's content, in hexadecimal."""
    with Path(path).open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()
