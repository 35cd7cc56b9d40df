"""A rule's code as one hash: what is said about code leaves it, what code does changes it, and only where a script reaches it."""

import shutil
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "workflow"))

import code_version as module

PROJECT = Path(__file__).resolve().parents[1]

MODULE = '"""A module."""\n\nimport os\n\n\ndef f(x, *, y=1):\n    """What f does."""\n    # Why so.\n    return x + y\n'


@pytest.fixture
def scripts(tmp_path, monkeypatch):
    """A folder of scripts of our own: two scripts, a package, a module that only one of them reaches."""
    monkeypatch.setattr(module, "SCRIPTS", tmp_path)
    (tmp_path / "lib" / "inner").mkdir(parents=True)
    (tmp_path / "lib" / "__init__.py").write_text('"""Library."""\n')
    (tmp_path / "lib" / "a.py").write_text(MODULE)
    (tmp_path / "lib" / "b.py").write_text("from lib.a import f\n\n\ndef g():\n    return f(2)\n")
    (tmp_path / "lib" / "inner" / "__init__.py").write_text("from lib.inner import deep\n")
    (tmp_path / "lib" / "inner" / "deep.py").write_text("VALUE = 1\n")
    (tmp_path / "lib" / "inner" / "page.txt").write_text("hello\n")
    (tmp_path / "job.py").write_text("import numpy\n\n\ndef main():\n    pass\n")
    (tmp_path / "one.py").write_text("from lib import b\nfrom job import main\n")
    (tmp_path / "two.py").write_text("def late():\n    import lib.inner\n")
    return tmp_path


def versions():
    """Of both scripts, as a new process would see them."""
    for name in ("_facts", "_kept", "_content", "_local_imports", "_files_of"):
        getattr(module, name).cache_clear()
    return {name: module.code_version(f"{name}.py") for name in ("one", "two")}


def changed(path, old, new):
    """Which scripts' versions change when `old` becomes `new` in a file."""
    before, text = versions(), path.read_text()
    assert text.count(old) >= 1
    path.write_text(text.replace(old, new))
    after = versions()
    return [name for name in before if before[name] != after[name]]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"""A module."""', '"""Another word\n\nand more."""'),
        ('    """What f does."""\n', ""),
        ("    # Why so.\n", ""),
        ("\n\n\n", "\n\n\n\n# moved down\n\n"),
        ("x + y", "(x  +  y)"),
    ],
)
def test_words_about_code_change_nothing(scripts, old, new):
    assert changed(scripts / "lib/a.py", old, new) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("x + y", "x - y"),
        ("y=1", "y=2"),
        ("y=1", "y=1.0"),
        ("y=1", "y=True"),
        ("*, y", "y"),
        ("def f", "def h"),
        ("import os", "import os as o"),
        ("return x + y\n", "return x + y\n\n\nassert f(1) == 2\n"),
        ("return x + y", "return 'x + y'"),
    ],
)
def test_what_code_does_changes_the_scripts_that_reach_it(scripts, old, new):
    assert changed(scripts / "lib/a.py", old, new) == ["one"]


def test_a_text_that_is_no_docstring_counts(scripts):
    (scripts / "lib/a.py").write_text(MODULE + "\n\nTEXT = 'one'\n")
    assert changed(scripts / "lib/a.py", "'one'", "'two'") == ["one"]


def test_swapped_statements_and_swapped_arguments_count(scripts):
    (scripts / "lib/a.py").write_text("def f(x):\n    a = x - 1\n    b = 1 - x\n    return a - b\n")
    assert changed(scripts / "lib/a.py", "return a - b", "return b - a") == ["one"]
    (scripts / "lib/a.py").write_text("def f(x):\n    a = 1\n    b = 2\n")
    assert changed(scripts / "lib/a.py", "a = 1\n    b = 2", "b = 2\n    a = 1") == ["one"]


def test_a_statement_moved_into_a_block_counts(scripts):
    (scripts / "lib/a.py").write_text("def f(x):\n    if x:\n        x = 1\n    x = 2\n    return x\n")
    assert changed(scripts / "lib/a.py", "    x = 2\n", "        x = 2\n") == ["one"]


def test_the_package_above_and_what_a_function_imports_late_count(scripts):
    assert changed(scripts / "lib/__init__.py", '"""Library."""', '"""Library."""\nX = 1') == ["one", "two"]
    assert changed(scripts / "lib/inner/deep.py", "VALUE = 1", "VALUE = 2") == ["two"]
    assert changed(scripts / "job.py", "pass", "return 1") == ["one"]


def test_what_is_imported_from_beside_counts(scripts):
    beside, above = "from . import near\n", "from ..a import f\nfrom .nearer import VALUE\n"
    (scripts / "lib/inner/__init__.py").write_text(beside)
    (scripts / "lib/inner/near.py").write_text(above)
    (scripts / "lib/inner/nearer.py").write_text("VALUE = 1\n")
    assert changed(scripts / "lib/inner/nearer.py", "VALUE = 1", "VALUE = 2") == ["two"]
    assert changed(scripts / "lib/a.py", "x + y", "x - y") == ["one", "two"]


def test_a_template_beside_a_package_counts_with_it(scripts):
    assert changed(scripts / "lib/inner/page.txt", "hello", "good day") == ["two"]


def test_what_a_compiler_keeps_beside_the_code_does_not_count(scripts):
    before = versions()
    for folder in (scripts / "lib", scripts / "lib/inner"):
        (folder / "__pycache__").mkdir()
        (folder / "__pycache__" / "deep.f-1.py311.nbi").write_bytes(b"compiled")
        (folder / ".hidden").write_text("x")
    assert versions() == before


def test_what_was_read_once_is_kept_and_never_believed_when_broken(scripts, monkeypatch):
    before = versions()
    store = scripts / "__pycache__/code-versions.json"
    told = store.read_text(encoding="utf-8")
    with monkeypatch.context() as patched:
        patched.setattr(module.ast, "parse", None)
        assert versions() == before
    for broken in ("", "[]", "{}", told[:-20], told.replace('"maker": "', '"maker": "another ')):
        store.write_text(broken, encoding="utf-8")
        assert versions() == before
        assert store.read_text(encoding="utf-8") == told


def test_where_the_scripts_lie_does_not_count(scripts, tmp_path_factory, monkeypatch):
    before = versions()
    there = tmp_path_factory.mktemp("elsewhere") / "scripts"
    shutil.copytree(scripts, there)
    monkeypatch.setattr(module, "SCRIPTS", there)
    assert versions() == before


def test_every_script_of_the_project_has_a_version_of_its_own():
    names = sorted(path.name for path in module.SCRIPTS.glob("*.py") if path.name != "bounceproof_job.py")
    assert len(names) > 10
    for name in names:
        assert len(module.code_version(name)) == 16
    assert len({module.code_version(name) for name in names}) == len(names)


def test_every_rules_script_is_hashed_in_its_params():
    """An edit that a rule does not hash leaves stale results without a word."""
    import re

    found = 0
    for path in sorted((PROJECT / "workflow/rules").glob("*.smk")):
        for rule in re.split(r"\n(?=rule |checkpoint )", path.read_text(encoding="utf-8")):
            script = re.search(r'"\.\./scripts/(\w+\.py)"', rule)
            if script:
                found += 1
                assert f'code_version("{script[1]}")' in rule, script[1]
    assert found > 10
