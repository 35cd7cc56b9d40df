"""What a rule's code amounts to: a hash over its script and every module of the library that the script reaches.

Snakemake itself watches the script's own file only. Syntax trees are hashed, docstrings left out: comments and layout rerun
nothing. Files that lie beside a module (templates, style sheets) count with it.
"""

import ast
import functools
import hashlib
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent / "scripts"


def code_version(script):
    """Hash (16 hexadecimal digits) of a script in workflow/scripts and all it imports from there."""
    seen, waiting = set(), [SCRIPTS / script]
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen.add(path)
            waiting.extend(_local_imports(path))
    whole = hashlib.sha256()
    for path in sorted(seen):
        whole.update(f"{path.relative_to(SCRIPTS).as_posix()} {_content(path)}\n".encode())
    return whole.hexdigest()[:16]


@functools.cache
def _tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@functools.cache
def _content(path):
    tree = _tree(path)
    shown = hashlib.sha256(_without_docstrings(tree).encode())
    if path.name == "__init__.py":
        for beside in _files_beside(path.parent):
            shown.update(beside.relative_to(path.parent).as_posix().encode() + beside.read_bytes())
    return shown.hexdigest()


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


@functools.cache
def _local_imports(path):
    found = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        else:
            continue
        for name in names:
            found.update(_files_of(name))
    return tuple(sorted(found))


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
