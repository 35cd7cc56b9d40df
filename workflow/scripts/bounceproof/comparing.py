"""Two records held against each other: what was read, settings, code, versions, and what came out.

Conventions: a row a difference or a number; `word` is `same`, `within its uncertainty` (a difference of at most two standard
deviations of both together), `differs`, or `only in` one of them. Numbers count as the same from six digits on: another
processor may round the last ones otherwise.
"""

import math

COLUMNS = ("part", "of", "what", "first", "second", "difference", "sigma", "word")
SAME, WITHIN, DIFFERS = "same", "within its uncertainty", "differs"
_SIX_DIGITS = 1e-6
_PARTS = (
    ("read", "files_sha256"),
    ("take", "chosen_takes"),
    ("code", "code"),
    ("version", "versions"),
    ("setting", "session"),
    ("file", "results_sha256"),
)
# What one of two machines' settings may well have otherwise without a result being another.
_PLACES = ("stem", "path", "captures", "calibrations", "wires", "trials", "notes")


def compare(first, second):
    """Rows (dicts of COLUMNS) of two values of record.json: everything that is not the same, and all numbers."""
    rows = []
    for part, key in _PARTS:
        rows += _texts(part, _flat(first.get(key) or {}), _flat(second.get(key) or {}))
    return [*rows, *_numbers(first.get("numbers") or {}, second.get("numbers") or {})]


def _flat(values, name=""):
    found = {}
    items = values.items() if isinstance(values, dict) else enumerate(values)
    for key, value in items:
        inner = f"{name}.{key}" if name else str(key)
        if key in _PLACES:
            continue
        if isinstance(value, (dict, list)) and value:
            found |= _flat(value, inner)
        else:
            found[inner] = value
    return found


def _texts(part, first, second):
    for what in dict.fromkeys((*first, *second)):
        one, two = first.get(what), second.get(what)
        if what in first and what in second and one == two:
            continue
        word = DIFFERS if what in first and what in second else "only in the first" if what in first else "only in the second"
        yield {"part": part, "of": "", "what": what, "first": one, "second": two, "word": word}


def _numbers(first, second):
    for part in dict.fromkeys((*first, *second)):
        ones, twos = first.get(part) or {}, second.get(part) or {}
        for of in dict.fromkeys((*ones, *twos)):
            one, two = ones.get(of) or {}, twos.get(of) or {}
            for what in dict.fromkeys((*one, *two)):
                yield {"part": part, "of": of, "what": what, **_number(one.get(what), two.get(what))}


def _number(one, two):
    if not isinstance(one, dict) and not isinstance(two, dict):
        return {"first": one, "second": two, "word": SAME if one == two else DIFFERS}
    ours, theirs = (number or {"value": None, "sigma": None} for number in (one, two))
    a, b = ours["value"], theirs["value"]
    row = {"first": a, "second": b}
    if a is None or b is None:
        return {**row, "word": SAME if a == b else "only in the second" if a is None else "only in the first"}
    sigma = math.hypot(ours["sigma"] or 0.0, theirs["sigma"] or 0.0) or None
    row |= {"difference": b - a, "sigma": sigma}
    if abs(b - a) <= _SIX_DIGITS * max(abs(a), abs(b)):
        return {**row, "word": SAME}
    return {**row, "word": WITHIN if sigma and abs(b - a) <= 2 * sigma else DIFFERS}


def counts(rows):
    """{part: {word: how many rows}} in the order of the rows."""
    found = {}
    for row in rows:
        words = found.setdefault(row["part"], {})
        words[row["word"]] = words.get(row["word"], 0) + 1
    return found


NUMBERS = ("tracks", "pairs", "hiss of the stack", "mixes")
_WHY = {"read": "files that were read", "take": "takes", "code": "code", "version": "versions", "setting": "settings"}


def verdict(rows):
    """(whether the second still gives the first's results, sentences on it, most telling first).

    Files made may differ in bytes while all numbers are the same: then the results hold, and it is said.
    """
    files = [row for row in rows if row["part"] == "file"]
    numbers = [row for row in rows if row["part"] in NUMBERS]
    moved = [row for row in numbers if row["word"] != SAME]
    causes = [f"{words}: {_listed(rows, part)}" for part, words in _WHY.items() if any(row["part"] == part for row in rows)]
    if not files and not moved:
        said = "The present files still give the recorded results, byte for byte."
    elif not moved:
        said = f"The present files still give the recorded numbers, all {len(numbers)}; {len(files)} files differ in their bytes."
    elif all(row["word"] == WITHIN for row in moved):
        said = f"{len(moved)} of {len(numbers)} numbers moved, all within their uncertainty; {len(files)} files differ."
    else:
        apart = [row for row in moved if row["word"] != WITHIN]
        said = f"The present files do not give the recorded results: {len(apart)} of {len(numbers)} numbers differ."
    return not moved, [said, *(f"Different {cause}" for cause in causes)]


def _listed(rows, part, most=6):
    names = [row["what"] for row in rows if row["part"] == part]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def number_line(row):
    """A number that moved, as a line: where, what, from, to."""
    if row.get("difference") is None:
        return f"{row['of']}: {row['what']} was {row['first']}, is {row['second']}"
    beside = f", sigma {row['sigma']:.3g}" if row.get("sigma") else ""
    moved = f"{row['of']}: {row['what']} was {row['first']:.7g}, is {row['second']:.7g}"
    return f"{moved} ({row['difference']:+.3g}{beside}; {row['word']})"


def lines(rows, *, most=60):
    """What `verify` says, as lines: the verdict, its causes, then every number and file that moved."""
    _, said = verdict(rows)
    moved = [number_line(row) for row in rows if row["part"] in NUMBERS and row["word"] != SAME]
    both = moved + [_file_line(row) for row in rows if row["part"] == "file"]
    return [*said, *both[:most], *([f"and {len(both) - most} more"] if len(both) > most else [])]


def _file_line(row):
    return f"{row['what']}: {'other bytes' if row['word'] == DIFFERS else row['word']}"
