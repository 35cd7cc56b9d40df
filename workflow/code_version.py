"""What a rule's code amounts to: a hash over its script and every module of the library that the script reaches.

Snakemake itself watches the script's own file only. Syntax trees are hashed, docstrings left out: comments and layout rerun
nothing. Files that lie beside a module (templates, style sheets) count with it.
"""

import ast
import contextlib
import functools
import hashlib
import json
import os
import sys
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent / "scripts"
_MOST_KEPT = 2000


def code_version(script):
    """Hash (16 hexadecimal digits) of a script in workflow/scripts and all it imports from there."""
    seen, waiting = set(), [SCRIPTS / script]
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen.add(path)
            waiting.extend(_local_imports(path))
    _keep()
    whole = hashlib.sha256()
    for path in sorted(seen):
        whole.update(f"{path.relative_to(SCRIPTS).as_posix()} {_content(path)}\n".encode())
    return whole.hexdigest()[:16]


@functools.cache
def _content(path):
    shown = hashlib.sha256(_facts(path)[0].encode())
    if path.name == "__init__.py":
        for beside in _files_beside(path.parent):
            shown.update(beside.relative_to(path.parent).as_posix().encode() + beside.read_bytes())
    return shown.hexdigest()


@functools.cache
def _facts(path):
    """(hash of what the code in a file does, names it imports); kept from call to call, because reading syntax trees takes longer
    than all else that Snakemake does before its first job.
    """
    source = path.read_bytes()
    key = hashlib.sha256(source).hexdigest()
    kept = _kept()
    if key not in kept:
        tree = ast.parse(source)
        kept[key] = [hashlib.sha256(_without_docstrings(tree).encode()).hexdigest(), sorted(set(_imported(tree)))]
        _new.append(key)
    return kept[key]


# Keys of files that what is kept on disk does not know yet.
_new = []


@functools.cache
def _kept():
    """{hash of a file's bytes: its facts} as an earlier call kept them; empty where that was another Python or other code."""
    try:
        kept = json.loads(_store().read_text(encoding="utf-8"))
        return kept["facts"] if kept["maker"] == _maker() else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _keep():
    """Write down what is new. Where nothing can be written, the next call reads the trees again."""
    if _new:
        _new.clear()
        fresh = _store().with_suffix(f".{os.getpid()}")
        with contextlib.suppress(OSError):
            fresh.parent.mkdir(exist_ok=True)
            facts = dict(list(_kept().items())[-_MOST_KEPT:])
            fresh.write_text(json.dumps({"maker": _maker(), "facts": facts}), encoding="utf-8")
            fresh.replace(_store())


def _store():
    return SCRIPTS / "__pycache__" / "code-versions.json"


def _maker():
    return f"{sys.version} {hashlib.sha256(Path(__file__).read_bytes()).hexdigest()}"


def _files_beside(folder):
    """What is no Python in a package's folder; a package below it has its own, and a cache has nothing to say."""
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.suffix not in (".py", ".pyc") and not path.name.startswith("."):
            yield path
        elif path.is_dir() and path.name != "__pycache__" and not (path / "__init__.py").is_file():
            yield from _files_beside(path)


def _without_docstrings(tree):
    docstrings = {
        id(node.body[0])
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
        and isinstance(node.body[0].value, ast.Constant)
        and isinstance(node.body[0].value.value, str)
    }
    return "\n".join(
        f"{type(node).__name__} {[(k, v) for k, v in ast.iter_fields(node) if not isinstance(v, (ast.AST, list))]}"
        f" {[sum(id(one) not in docstrings for one in v) for k, v in ast.iter_fields(node) if isinstance(v, list)]}"
        for node in _walk_without(tree, docstrings)
    )


def _walk_without(node, left_out):
    if id(node) in left_out:
        return
    yield node
    for child in ast.iter_child_nodes(node):
        yield from _walk_without(child, left_out)


def _imported(tree):
    """The names that a file imports, as far as they may be local; a relative one with its dots."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            dots, module = "." * node.level, node.module or ""
            yield dots + module
            yield from (f"{dots}{module}.{alias.name}" if module else dots + alias.name for alias in node.names)


@functools.cache
def _local_imports(path):
    return sorted({file for name in _facts(path)[1] for file in _files_of(_in_full(name, path))})


def _in_full(name, path):
    """A name as the file at `path` imports it, without the dots of a relative one."""
    module = name.lstrip(".")
    above = len(name) - len(module)
    package = path.relative_to(SCRIPTS).parts[:-above] if above else ()
    return ".".join(filter(None, (*package, module)))


@functools.cache
def _files_of(name):
    """The files that importing `name` runs: the packages above it and itself; nothing for what is not local."""
    files, folder = [], SCRIPTS
    for part in name.split("."):
        if (folder / part / "__init__.py").is_file():
            files.append(folder / part / "__init__.py")
            folder = folder / part
        elif (folder / f"{part}.py").is_file():
            files.append(folder / f"{part}.py")
            break
        else:
            break
    return files
