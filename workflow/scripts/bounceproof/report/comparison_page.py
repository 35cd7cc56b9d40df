"""The page that sets two records side by side.

Conventions: "first" is this session's own record, "second" the other one.
"""

from bounceproof.comparing import NUMBERS, SAME, counts
from bounceproof.report import templates
from bounceproof.report.words import NONE

_UNITS = {
    "_percent": "%",
    "_dbfs": "dBFS",
    "_db": "dB",
    "_us": "µs",
    "_hz": "Hz",
    "_lufs": "LUFS",
    "_lu": "LU",
    "_dbtp": "dBTP",
}


def comparison_page(name, first, second, rows):
    """HTML text. first, second: values of record.json; rows: of `comparing.compare`."""
    texts = [row for row in rows if row["part"] not in NUMBERS]
    context = {
        "name": name,
        "chains": [_chain(record) for record in (first, second)],
        "counts": {part: words for part, words in counts(rows).items() if part in NUMBERS},
        "texts": [{**row, "first": _text(row["first"]), "second": _text(row["second"])} for row in texts],
        "parts": {part: [_row(row) for row in rows if row["part"] == part] for part in NUMBERS},
        "alike": all(row["word"] == SAME for row in rows if row["part"] in NUMBERS),
    }
    return templates().get_template("comparison.html.j2").render(context)


def _chain(record):
    medium = record["session"].get("medium") or {}
    simulated = [track for track, one in ((record.get("numbers") or {}).get("tracks") or {}).items() if one["simulated"]]
    return {
        "name": record["name"],
        "chain": record.get("chain") or "",
        "medium": medium.get("label", ""),
        "simulated": len(simulated),
    }


def _row(row):
    ending, unit = next((one for one in _UNITS.items() if row["what"].endswith(one[0])), ("", ""))
    what = row["what"].removesuffix(ending)
    cells = {key: _text(row.get(key)) for key in ("first", "second", "difference", "sigma")}
    return {**row, **cells, "what": what.replace("_", " "), "unit": unit}


def _text(value):
    if value is None:
        return NONE
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return f"{value:.5g}".replace("-", "−")
    text = str(value)
    return text if len(text) <= 24 or " " in text else f"{text[:10]}…"
