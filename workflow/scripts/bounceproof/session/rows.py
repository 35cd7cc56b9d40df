"""Rows of a table's text made into typed records, as its schema says.

Conventions: the schema describes one row; an empty cell takes the default; words are known ignoring case.
"""

from pathlib import Path
from typing import NamedTuple

from bounceproof.session.mistakes import place, shown
from bounceproof.session.settings import departures, expected, with_defaults
from bounceproof.session.tabular import number_from, read_rows


class Record(NamedTuple):
    """One row: its number as a spreadsheet shows it, its values by column, the columns that were filled in.

    origin: the stem's file where the row stands for one, without any table; else empty.
    """

    number: int
    values: dict
    given: frozenset
    origin: str = ""


def read_records(folder, file, schema, mistakes):
    """The records of table `file` in `folder`, a list of Record; None where there is no such table."""
    path = Path(folder) / file
    if not path.exists():
        return None
    columns = schema["properties"]
    return [_record(row, file, schema, mistakes) for row in read_rows(path, file, columns, mistakes)]


def _record(row, file, schema, mistakes):
    typed = {}
    for column, cell in row.cells.items():
        inner = schema["properties"].get(column)
        if inner is None:
            continue
        value = _typed(cell, inner)
        wrong = departures(value, inner)
        if wrong:
            mistakes.add(
                place(file, row=row.number, column=column), f"{shown(cell)}; {expected(inner)} is expected{_unit(cell, inner)}"
            )
        else:
            typed[column] = value
    for column in schema.get("required", []):
        if column not in row.cells:
            mistakes.add(place(file, row=row.number, column=column), "the cell is empty; a name is expected")
    return Record(row.number, with_defaults(typed, schema), frozenset(typed))


def _typed(cell, schema):
    if schema["type"] in ("number", "integer"):
        number = number_from(cell)
        return cell if number is None else number
    known = {word.casefold(): word for word in schema.get("enum", [])}
    return known.get(cell.casefold(), cell)


def _unit(cell, schema):
    """A hint where a number is followed by something, its unit most likely."""
    first = cell.split()[0] if cell.split() else ""
    is_number = schema["type"] in ("number", "integer") and first != cell and number_from(first) is not None
    return f"; write {first} alone" if is_number else ""
