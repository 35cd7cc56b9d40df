"""Tables in every dialect a spreadsheet writes, against the same table in plain UTF-8 with tabs."""

import csv
import io
import tempfile
from pathlib import Path

import pytest
from bounceproof.session.mistakes import Mistakes
from bounceproof.session.tabular import number_from, read_rows
from hypothesis import given, settings
from hypothesis import strategies as st

COLUMNS = ("track", "stem", "mix_db", "note")
ROWS = [
    {"track": "Björn, lead", "stem": "Björn.wav", "mix_db": "-3.5", "note": "first; best"},
    {"track": "001", "stem": "NA", "mix_db": "0.25", "note": "null"},
    {"track": "Kick", "mix_db": "2"},
]


def written(rows, *, separator="\t", line_end="\n", encoding="utf-8", mark=b"", comma=False, blank=False, trailing=False):
    """A table's bytes as a program with these habits writes them, by Python's own csv writer."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator=line_end)
    writer.writerow([*COLUMNS, *([""] if trailing else [])])
    for row in rows:
        cells = [row.get(c, "") for c in COLUMNS]
        cells[2] = cells[2].replace(".", ",") if comma else cells[2]
        writer.writerow([*cells, *([""] if trailing else [])])
    return mark + (out.getvalue() + (line_end * 2 if blank else "")).encode(encoding)


def read(content):
    mistakes = Mistakes()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tracks.tsv"
        path.write_bytes(content)
        rows = read_rows(path, "tracks.tsv", COLUMNS, mistakes)
    values = [{c: number_from(v) if c == "mix_db" else v for c, v in row.cells.items()} for row in rows]
    return values, mistakes


PLAIN = [{c: (float(v) if c == "mix_db" else v) for c, v in row.items()} for row in ROWS]


@pytest.mark.parametrize(
    "habits",
    [
        {},
        {"mark": b"\xef\xbb\xbf", "separator": ","},
        {"mark": b"\xef\xbb\xbf", "separator": ";", "comma": True, "line_end": "\r\n"},
        {"separator": ",", "comma": True},
        {"encoding": "utf-16-le", "mark": b"\xff\xfe", "line_end": "\r\n"},
        {"encoding": "utf-16-be", "mark": b"\xfe\xff", "separator": ";"},
        {"line_end": "\r"},
        {"line_end": "\r", "separator": ";", "comma": True, "blank": True},
        {"encoding": "cp1252", "separator": ";"},
        {"blank": True, "trailing": True, "separator": ";"},
        {"blank": True, "trailing": True, "separator": ",", "line_end": "\r\n"},
    ],
    ids=str,
)
def test_every_dialect_gives_the_same_rows(habits):
    values, mistakes = read(written(ROWS, **habits))
    assert values == PLAIN
    assert mistakes.lines == []
    assert bool(mistakes.notes) == (habits.get("encoding") == "cp1252")


cells = st.text(st.characters(codec="cp1252", exclude_characters='\t\r\n\0"', categories=("L", "N", "P", "Zs")), max_size=12)


@settings(max_examples=150, deadline=None)
@given(
    rows=st.lists(
        st.fixed_dictionaries({"track": cells.filter(lambda c: c.strip(" \u00a0")), "note": cells}), min_size=1, max_size=5
    ),
    separator=st.sampled_from("\t;,"),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(
        [("utf-8", b""), ("utf-8", b"\xef\xbb\xbf"), ("utf-16-le", b"\xff\xfe"), ("utf-16-be", b"\xfe\xff")]
    ),
    blank=st.booleans(),
    trailing=st.booleans(),
)
def test_any_text_survives_any_dialect(rows, separator, line_end, encoding, blank, trailing):
    content = written(
        rows, separator=separator, line_end=line_end, encoding=encoding[0], mark=encoding[1], blank=blank, trailing=trailing
    )
    values, mistakes = read(content)
    wanted = [{c: v.strip() for c, v in row.items() if v.strip()} for row in rows]
    assert values == wanted
    assert mistakes.lines == []


@settings(max_examples=200, deadline=None)
@given(value=st.decimals(-999, 999, places=3), comma=st.booleans(), minus=st.sampled_from("-\u2212\u2013"))
def test_numbers_with_point_or_comma(value, comma, minus):
    text = str(value).replace("-", minus).replace(".", "," if comma else ".")
    assert number_from(text) == pytest.approx(float(value), abs=1e-12)


@pytest.mark.parametrize("cell", ["", "nan", "inf", "-inf", "1.2.3", "1,000,0", "0x10", "12 dB", "1_000", "٣", "--1", "1e", "."])
def test_what_is_no_number(cell):
    assert number_from(cell) is None


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"track,mix_db\nkick,-3,5\n", "row 2: 3 cells under 2 columns"),
        (b'track\tnote\nkick\t"open\nbass\tx\n', "quotation mark"),
        (b"track\ttrack\nkick\tkick\n", "stands there twice"),
        (b"track\trol\nkick\tx\n", "column rol: unknown column 'rol'"),
        (b"track\t\nkick\tx\n", "'x' stands under no column"),
        (b"PK\x03\x04\0\0 a spreadsheet", "no text file"),
        (b"\xff\xfet", "cannot be read as utf-16-le"),
    ],
)
def test_what_is_wrong_with_a_table(content, said):
    _, mistakes = read(content)
    assert any(said in line and line.startswith("tracks.tsv") for line in mistakes.lines), mistakes.lines


def test_rows_count_as_a_spreadsheet_shows_them():
    mistakes = Mistakes()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tracks.tsv"
        path.write_bytes(b"\ntrack\n\nkick\n\n\nbass\n")
        rows = read_rows(path, "tracks.tsv", COLUMNS, mistakes)
    assert [(row.number, row.cells["track"]) for row in rows] == [(4, "kick"), (7, "bass")]
