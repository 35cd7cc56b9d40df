"""Settings files (YAML) read with their line numbers, held against a schema, completed with its defaults.

Conventions: values are read as YAML 1.2's core schema has them, so that `no` and `on` stay words; an empty value counts as
left out. A path within a file is a tuple of keys and list places. Schemas are JSON Schema, draft 2020-12.
"""

import copy
import re
from pathlib import Path
from typing import NamedTuple

import yaml

from bounceproof.session.mistakes import did_you_mean, place, shown
from bounceproof.session.tabular import NotText, decoded, number_from

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_WHOLE = re.compile(r"[-+]?[0-9]+", re.ASCII)
_REAL = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", re.ASCII)
_DEEPEST, _MOST_VALUES = 50, 20_000


class _TooMuch(Exception):
    """Nested beyond any sense, or for ever, or repeated by references without end."""


class Settings(NamedTuple):
    """A settings file: its name in messages, its value, the line of each path, the text of each plain scalar."""

    file: str
    value: dict
    lines: dict
    texts: dict

    def where(self, path):
        """The place of a path, or of the nearest one above it that stands in the file."""
        while path and path not in self.lines:
            path = path[:-1]
        return place(self.file, line=self.lines.get(path))


def read_settings(path, file, mistakes):
    """A YAML file as Settings; None where it cannot be read, which is told to `mistakes`."""
    try:
        text, note = decoded(Path(path).read_bytes())
        node = yaml.compose(text, Loader=_LOADER)
    except OSError as problem:
        mistakes.add(place(file), f"it cannot be read ({problem.strerror}); check its permissions")
    except NotText as problem:
        mistakes.add(place(file), str(problem))
    except yaml.MarkedYAMLError as problem:
        mark = problem.problem_mark or problem.context_mark
        mistakes.add(place(file, line=mark.line + 1 if mark else None), f"it cannot be read as YAML ({_in_words(problem, text)})")
    except yaml.reader.ReaderError as problem:
        code = f"U+{problem.character:04X}" if isinstance(problem.character, int) else "an odd byte"
        mistakes.add(place(file, line=_line_at(text, problem.position)), f"a character YAML does not allow ({code}); take it out")
    else:
        if note:
            mistakes.note(None, f"{file}: {note}")
        try:
            return _settings(node, file, mistakes)
        except _TooMuch:
            text = "something in it is nested too deeply, refers to itself, or repeats itself without end; write it out plainly"
            mistakes.add(place(file), text)
    return None


def _in_words(problem, text):
    said, mark = problem.problem or "unfinished", problem.problem_mark
    if "cannot start any token" in said and mark and text.splitlines()[mark.line][mark.column :].startswith("\t"):
        return "a tab stands where spaces are expected; indent with spaces"
    return f"{said}; expected is `key: value`, one a line, what belongs together indented alike"


def _line_at(text, position):
    return text.count("\n", 0, position) + 1


def _settings(node, file, mistakes):
    settings = Settings(file, {}, {}, {})
    if node is None:
        return settings
    value = _value(node, (), settings, mistakes)
    if value is None:
        return settings
    if not isinstance(value, dict):
        mistakes.add(settings.where(()), f"it holds {_kind(value)}; expected are lines of `key: value`")
        return None
    return settings._replace(value=value)


def _value(node, path, settings, mistakes):
    settings.lines[path] = node.start_mark.line + 1
    if len(path) > _DEEPEST or len(settings.lines) > _MOST_VALUES:
        raise _TooMuch(path)
    if isinstance(node, yaml.MappingNode):
        return _mapping(node, path, settings, mistakes)
    if isinstance(node, yaml.SequenceNode):
        return [_value(item, (*path, place), settings, mistakes) for place, item in enumerate(node.value)]
    return _scalar(node, path, settings)


def _mapping(node, path, settings, mistakes):
    mapping = {}
    for key_node, value_node in node.value:
        key = key_node.value if isinstance(key_node, yaml.ScalarNode) else None
        line = key_node.start_mark.line + 1
        if key is None:
            mistakes.add(place(settings.file, line=line), "a key that is not a word; expected is `key: value`")
            continue
        if key in mapping:
            mistakes.add(place(settings.file, line=line), f"key {shown(key)} stands there twice; keep one")
        value = _value(value_node, (*path, key), settings, mistakes)
        settings.lines[(*path, key)] = line
        mapping[key] = value
    return {key: value for key, value in mapping.items() if value is not None}


def _scalar(node, path, settings):
    text = node.value
    if node.style in ("'", '"', "|", ">"):
        return text
    settings.texts[path] = text
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text.lower() in ("true", "false") and text in (text.lower(), text.upper(), text.capitalize()):
        return text.lower() == "true"
    if _WHOLE.fullmatch(text):
        return int(text) if len(text) < 30 else text
    return float(text) if _REAL.fullmatch(text) else text


def read_schema(schemas_dir, name):
    """One of the project's schemas, as plain Python."""
    return yaml.load((Path(schemas_dir) / f"{name}.yaml").read_bytes(), Loader=_LOADER)


def checked(settings, schema, mistakes):
    """The settings' value completed with the schema's defaults; every departure from the schema goes to `mistakes`."""
    value = _as_due(settings.value, schema, (), settings.texts)
    bad = set()
    for path, text in departures(value, schema):
        mistakes.add(settings.where(path), text)
        bad.add(path)
    return with_defaults(_without(value, bad), schema)


def _as_due(value, schema, path, texts):
    """Numbers and truth values become the words that were written, where the schema wants text (`name: 2024`); 3.0 becomes 3."""
    if isinstance(value, dict):
        return {key: _as_due(item, _inner(schema, key), (*path, key), texts) for key, item in value.items()}
    if isinstance(value, list):
        inner = schema.get("items", {})
        return [_as_due(item, inner, (*path, place), texts) for place, item in enumerate(value)]
    if isinstance(value, (bool, int, float)) and "string" in _types(schema) and not _types(schema) & {"number", "boolean"}:
        return texts.get(path, str(value))
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _inner(schema, key):
    other = schema.get("additionalProperties")
    return schema.get("properties", {}).get(key, other if isinstance(other, dict) else {})


def _types(schema):
    kinds = schema.get("type", [])
    return set(kinds if isinstance(kinds, list) else [kinds])


def departures(value, schema):
    """Where a value departs from a schema: a list of (path, what is wrong and expected), in the order of paths."""
    from jsonschema import Draft202012Validator

    found = []
    for error in Draft202012Validator(schema).iter_errors(value):
        path = tuple(error.absolute_path)
        if error.validator == "additionalProperties":
            known = error.schema.get("properties", {})
            unknown = [key for key in error.instance if key not in known]
            found += [((*path, key), f"unknown key {shown(key)}; {did_you_mean(key, known)}") for key in unknown]
        elif error.validator == "required":
            missing = [key for key in error.schema["required"] if key not in error.instance]
            found += [(path, f"{shown(path[-1] if path else '')} has no {key}; add it") for key in missing]
        else:
            name = f"{_named(path)} is " if path else ""
            found.append((path, f"{name}{shown(error.instance)}; {expected(error.schema)} is expected{_hint(error)}"))
    return sorted(set(found), key=lambda pair: tuple(map(str, pair[0])))


def _named(path):
    return ".".join(str(part) if isinstance(part, str) else str(part + 1) for part in path)


def _hint(error):
    value = error.instance
    if isinstance(value, str) and _types(error.schema) & {"number", "integer"} and number_from(value) is not None:
        return f"; write {number_from(value)}, without quotes and with a decimal point"
    return ""


def expected(schema):
    """What a schema expects, in words."""
    if "enum" in schema:
        return f"one of {', '.join(map(str, schema['enum']))}"
    kinds = _types(schema)
    if kinds & {"number", "integer"}:
        return ("a whole number" if "integer" in kinds else "a number") + _range(schema)
    words = {"string": "text", "boolean": "true or false", "object": "a list of `key: value` lines", "array": "a list [a, b]"}
    if "array" in kinds and schema.get("minItems"):
        return f"a list of at least {schema['minItems']}"
    return " or ".join(words[kind] for kind in words if kind in kinds) or "something else"


def _range(schema):
    low, high = schema.get("minimum", schema.get("exclusiveMinimum")), schema.get("maximum")
    lowest = "" if low is None else f" from {low:.10g}" if "minimum" in schema else f" above {low:.10g}"
    return f"{lowest}{'' if high is None else f' to {high:.10g}' if 'minimum' in schema else f', at most {high:.10g}'}"


def _kind(value):
    return "a list" if isinstance(value, list) else shown(value)


def _without(value, bad, path=()):
    """The value less what departs from its schema, so that the rest can still be checked."""
    if isinstance(value, dict):
        return {key: _without(item, bad, (*path, key)) for key, item in value.items() if (*path, key) not in bad}
    if isinstance(value, list):
        return [_without(item, bad, (*path, place)) for place, item in enumerate(value) if (*path, place) not in bad]
    return value


def with_defaults(value, schema):
    """The value with every key that is left out set to its default, all through its objects and lists."""
    if isinstance(value, dict):
        full = {}
        for key, inner in schema.get("properties", {}).items():
            if key in value or "default" in inner:
                full[key] = with_defaults(value[key] if key in value else copy.deepcopy(inner["default"]), inner)
        other = schema.get("additionalProperties")
        rest = {key: item for key, item in value.items() if key not in full}
        return full | {key: with_defaults(item, other) if isinstance(other, dict) else item for key, item in rest.items()}
    if isinstance(value, list) and "items" in schema:
        return [with_defaults(item, schema["items"]) for item in value]
    return value


def merged(base, over):
    """One settings value laid over another, key by key; lists are replaced whole."""
    if isinstance(base, dict) and isinstance(over, dict):
        return {key: merged(base.get(key), over[key]) if key in over else base[key] for key in (*base, *over)}
    return base if over is None else over
