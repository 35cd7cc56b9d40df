"""The manual of a session's files, config/README.md, made from the schemas' descriptions.

    envs/run python workflow/scripts/bounceproof/session/manual.py

writes it anew. Conventions: Markdown; one table a file, a row for each key or column.
"""

import sys
from pathlib import Path

import yaml

_OPENING = """\
# A session's files

Made from `workflow/schemas/`; after a change there, write it anew with
`envs/run python workflow/scripts/bounceproof/session/manual.py`.

A session is a folder; `envs/run snakemake --config session=PATH` runs it.

```
my-session/
  session.yaml     settings; may be empty
  tracks.tsv       optional: without it, every file in stems/ is a track
  pairs.tsv        optional: tracks that have to add up in phase
  takes.tsv        optional: what is known about takes beyond their files
  stems/           the song's stems, all from the same start
  returns/TRACK/   captures of that track, one file a take
  returns/unsorted/  captures of any name, one or several transfers in each
  returns/calibration/  captures of the calibration; the last by its name counts
  returns/wire/  captures of the calibration through a wire in the recorder's place
  returns/trials/  captures of trials, each named as its track
```

**Stems and returns** are WAV, FLAC, AIFF, W64, RF64 or CAF files, with one or two channels. A take is named by its file
without the ending; takes are ordered naturally (take2 before take10), never by date. A stereo track's legs come back into
`returns/TRACK.L/` and `returns/TRACK.R/`, or both legs, captured together, as one two-channel file into `returns/TRACK/`.
A two-channel capture in `returns/unsorted/` may hold two transfers at once, one a channel. Legs of one pass share its motion.
A file still growing waits for the next run. Nothing is ever moved, renamed or changed.

**Tables** may be separated by tabs, semicolons or commas, with decimal points or commas, in UTF-8, UTF-16 or Windows-1252,
as spreadsheets save them. Columns may be left out and stand in any order.

**Names** of tracks, pairs and takes become names of files: letters (with accents), digits, spaces and `_ - . + # & ( ) , '`
are allowed, at most 100 bytes, not beginning with a dash, dot or space, not ending in a dot or space, nor like a file
(`.wav`, `.json`). Names that differ only by case clash. Reserved are, for tracks, `returned`, `returned-clicks`, `source`,
`narrow-band`, `run-sheet`, `calibration`, `trials`, `unsorted`, for takes `best`, `latest`, `average`, `simulated`, and for both
what some systems cannot hold (`con`, `aux`, `nul`, `com1` and the like).

**Mistakes** are told all at once, one line each, before anything runs. What is worth saying but stops nothing (a stem that
is resampled or padded, a file passed over) is a note in the report.
"""
_FILES = ("session", "tracks", "pairs", "takes", "media", "roles")
_KINDS = {
    "number": "number",
    "integer": "whole number",
    "string": "text",
    "boolean": "true or false",
    "array": "list",
    "object": "keys",
}


def manual(schemas, entries):
    """The manual's text. schemas: {name: schema}; entries: {"media": [names], "roles": [names]} of the project's own files."""
    parts = [_OPENING]
    for name in _FILES:
        parts.append(_chapter(schemas[name], name in entries, entries.get(name, ())))
    return "\n".join(parts)


def _chapter(schema, named_entries, entries):
    inner = schema["additionalProperties"] if named_entries else schema
    what = "column" if schema["title"].endswith(".tsv") else "key"
    lines = [f"## `{schema['title']}`", "", schema["description"].strip(), ""]
    if entries:
        lines += [f"In the project: {', '.join(f'`{entry}`' for entry in entries)}.", ""]
    lines += [f"| {what} | expected | default | meaning |", "|---|---|---|---|"]
    return "\n".join([*lines, *_rows(inner, ""), ""])


def _rows(schema, above):
    for key, inner in schema["properties"].items():
        name = f"{above}{key}"
        yield f"| `{name}` | {_expected(inner)} | {_default(inner)} | {' '.join(inner['description'].split())} |"
        if "properties" in inner:
            yield from _rows(inner, f"{name}.")
        if inner.get("items", {}).get("properties"):
            yield from _rows(inner["items"], f"{name}[].")


def _expected(schema):
    if "enum" in schema:
        return ", ".join(f"`{word}`" for word in schema["enum"])
    kinds = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
    return " or ".join(_KINDS[kind] for kind in kinds) + _range(schema)


def _range(schema):
    low, high = schema.get("minimum", schema.get("exclusiveMinimum")), schema.get("maximum")
    if low is None:
        return ""
    lowest = f"{low:.10g}" if "minimum" in schema else f"above {low:.10g}"
    return f", {lowest} to {high:.10g}" if high is not None else f", {lowest} or more"


def _default(schema):
    if "default" not in schema:
        return "(none)"
    value = schema["default"]
    if value is None or value in ("", [], {}):
        return "–"
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def manual_of(project):
    """The manual of a project's folder: its schemas and its own media and roles."""

    def read(path):
        return yaml.safe_load(path.read_text(encoding="utf-8"))

    project = Path(project)
    schemas = {name: read(project / "workflow" / "schemas" / f"{name}.yaml") for name in _FILES}
    entries = {name: list(read(project / "config" / f"{name}.yaml")) for name in ("media", "roles")}
    return manual(schemas, entries)


def main(arguments):
    project = Path(arguments[0] if arguments else Path(__file__).resolve().parents[4])
    (project / "config" / "README.md").write_text(manual_of(project), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
