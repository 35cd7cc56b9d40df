"""Tables as spreadsheets and editors write them, read as rows of text.

Conventions: a cell is text without surrounding blanks; `001`, `NA` and `null` stay what they are; rows count as a
spreadsheet shows them (header = 1, blank rows count). Read are UTF-8 with or without byte-order mark, UTF-16 with one, else
Windows-1252 (said in a note); separated by tabs, semicolons or commas; lines ended by LF, CR LF or CR.
"""

import codecs
import csv
import io
import re
from typing import NamedTuple

from bounceproof.session.mistakes import did_you_mean, place, shown

_SEPARATORS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)


class NotText(Exception):
    """Bytes that are no text; its text says what they look like, as a phrase."""


class Row(NamedTuple):
    """One row of a table: its number as a spreadsheet shows it, and its cells, text by column (empty cells left out)."""

    number: int
    cells: dict


def decoded(content):
    """Bytes of a text file as (text, note or None). Raises NotText."""
    for mark, encoding in _MARKS:
        if content.startswith(mark):
            return _as(content[len(mark) :], encoding), None
    if b"\0" in content or content.startswith(b"PK\x03\x04"):
        raise NotText("it is no text file; in a spreadsheet, save as text with tabs, semicolons or commas")
    try:
        return content.decode("utf-8"), None
    except UnicodeDecodeError:
        return _as(content, "cp1252"), "not in UTF-8, read as Windows-1252; if accents look wrong, save it as UTF-8"


def _as(content, encoding):
    try:
        return content.decode(encoding)
    except UnicodeDecodeError as problem:
        raise NotText(f"its characters cannot be read as {encoding} (byte {problem.start}); save it as UTF-8") from None


def read_rows(path, file, columns, mistakes):
    """The rows of a table, as a list of Row; mistakes and notes go to `mistakes`.

    `file` is the table's name in messages, `columns` the known columns. Columns are known ignoring case; an unknown or a
    repeated column, a row with more cells than the header, and text that cannot be read are mistakes.
    """
    try:
        text, note = decoded(path.read_bytes())
    except OSError as problem:
        mistakes.add(place(file), f"it cannot be read ({problem.strerror}); check its permissions")
        return []
    except NotText as problem:
        mistakes.add(place(file), str(problem))
        return []
    if note:
        mistakes.note(None, f"{file}: {note}")
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    records = _records(lines, _separator(lines, columns), file, mistakes)
    header = next(((n, cells) for n, cells in records if any(cells)), None)
    if header is None:
        return []
    names = _header(header, file, columns, mistakes)
    separator = _SEPARATORS[_separator(lines, columns)]
    return [_row(n, cells, names, file, separator, mistakes) for n, cells in records if n > header[0] and any(cells)]


def _separator(lines, columns):
    """The separator that finds the most known columns in the first line that holds anything."""
    first = next((line for line in lines.split("\n") if line.strip(' \t;,"')), "")

    def known(separator):
        return sum(_column(cell.strip('"')) in columns for cell in first.split(separator))

    return max(_SEPARATORS, key=lambda separator: (known(separator), first.count(separator)))


def _records(lines, separator, file, mistakes):
    reader = csv.reader(io.StringIO(lines, newline="\n"), delimiter=separator, strict=True)
    records = []
    try:
        for cells in reader:
            records.append((len(records) + 1, [cell.strip() for cell in cells]))
    except csv.Error as problem:
        text = (
            "a cell opens with a quotation mark that is not closed properly"
            if "field larger" not in str(problem)
            else str(problem)
        )
        mistakes.add(place(file, row=len(records) + 1), f"{text}; close it, or take it out")
    return records


def _column(cell):
    return re.sub(r"[\s_]+", "_", cell.strip().casefold())


def _header(header, file, columns, mistakes):
    number, cells = header
    names = [_column(cell) for cell in cells]
    for name, cell in zip(names, cells, strict=True):
        if name and name not in columns:
            mistakes.add(place(file, row=number, column=cell), f"unknown column {shown(cell)}; {did_you_mean(name, columns)}")
        elif name and names.count(name) > 1:
            mistakes.add(place(file, row=number, column=cell), f"column {shown(cell)} stands there twice; keep one")
    return names


def _row(number, cells, names, file, separator, mistakes):
    extra = [cell for cell in cells[len(names) :] if cell]
    if extra:
        hint = "; a decimal comma needs quotation marks there" if separator == "commas" else ""
        mistakes.add(
            place(file, row=number),
            f"{len(cells)} cells under {len(names)} columns, the last {shown(extra[-1])}; "
            f"one cell a column, separated by {separator}, is expected{hint}",
        )
    for name, cell in zip(names, cells, strict=False):
        if cell and not name:
            mistakes.add(place(file, row=number), f"{shown(cell)} stands under no column; name the column, or empty the cell")
    return Row(number, {name: cell for name, cell in zip(names, cells, strict=False) if cell and name})


def number_from(cell):
    """The number in a cell, with decimal point or comma and any kind of minus; None where it holds none."""
    plain = cell.replace("\u2212", "-").replace("\u2013", "-").replace("\u00a0", "")
    if not _NUMBER.fullmatch(plain):
        return None
    value = float(plain.replace(",", "."))
    return int(value) if value.is_integer() and abs(value) < 1e15 else value
