"""A session's mistakes, gathered and told all at once, one line each.

Conventions: a line names the file (relative to the session's folder), then row, column or line, the value found,
what is expected and what to do. Rows count as a spreadsheet shows them: the header is row 1.
"""

import difflib

_LONGEST_VALUE, _MOST_KNOWN = 60, 40


class SessionMistakes(Exception):
    """A session that cannot be run; `lines` holds one sentence for each mistake."""

    def __init__(self, lines):
        super().__init__("\n".join(lines))
        self.lines = list(lines)


class Mistakes:
    """Collects mistakes and notes while a session is read."""

    def __init__(self):
        self.lines = []
        self.notes = []

    def add(self, where, text):
        """Add one mistake: `where` as `place` makes it, `text` says what is wrong, expected and to be done."""
        line = _sayable(f"{where}: {text}")
        if line not in self.lines:
            self.lines.append(line)

    def note(self, track, text):
        """Add something worth saying that stops nothing, about one track or (None) the session."""
        self.notes.append({"track": track, "text": _sayable(text)})

    def raise_if_any(self):
        if self.lines:
            raise SessionMistakes(self.lines)


def _sayable(text):
    """Text that any file and terminal takes: names of files may hold bytes that are no text, and line ends."""
    whole = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else f"<{ord(c):02X}>" for c in whole)


def place(file, *, line=None, row=None, column=None):
    """Where a mistake is, in words."""
    parts = [str(file)]
    parts += [f"line {line}"] if line is not None else []
    parts += [f"row {row}"] if row is not None else []
    parts += [f"column {_short(column)}"] if column is not None else []
    return ", ".join(parts)


def _short(text, longest=_LONGEST_VALUE):
    return text if len(text) <= longest else text[: longest - 1] + "…"


def shown(value, longest=_LONGEST_VALUE):
    """A value as it is quoted in a mistake: on one line, not too long, nothing invisible in it."""
    text = value if isinstance(value, str) else repr(value)
    text = _short(_sayable(text), longest)
    return f"'{text}'"


def nearest(word, known):
    """The known word that is most like `word`, or None where none is near."""
    by_folded = {str(k).casefold(): k for k in known}
    hits = difflib.get_close_matches(str(word).casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[hits[0]] if hits else None


def did_you_mean(word, known):
    """A hint with the nearest known word, else the list of all."""
    known = list(known)
    near = nearest(word, known)
    if near is not None:
        return f"did you mean {near}?"
    more = f" and {len(known) - _MOST_KNOWN} more" if len(known) > _MOST_KNOWN else ""
    return f"known: {', '.join(map(str, known[:_MOST_KNOWN]))}{more}" if known else "none is known here"
