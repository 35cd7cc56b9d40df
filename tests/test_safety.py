"""Names from files and tables: none reaches a shell, leads out of the results, or becomes a part of a page.

That the rules need no shell at all is held against their text: what is never handed to a shell needs no quotation.
"""

import json
import re
from pathlib import Path

import pytest
from bounceproof.report import templates
from bounceproof.session.naming import name_problem, safe_name
from chain import PROJECT
from hypothesis import example, given, settings
from hypothesis import strategies as st
from session_maker import load, make_session, mistakes_of, write_stem

LEADING_ELSEWHERE = [
    "../x",
    "..",
    "a/../../b",
    "/etc/x",
    "a\\b",
    "~",
    "x:y",
    "-rf",
    "--config",
    "a\nb",
    "a\rb",
    "a\0b",
    "$(id)",
    "`id`",
]
LEADING_ELSEWHERE += ["a;b", "a|b", "a>b", "a*b", "a?b", '"a"', "<b>a</b>", "{a}", "%s%n", "a\u202eb", "a\x1b[0m"]


@pytest.mark.parametrize("name", LEADING_ELSEWHERE, ids=ascii)
def test_a_name_that_leads_elsewhere_is_refused(tmp_path, name):
    for kind in ("track", "pair", "take", "session"):
        assert name_problem(name, kind), (kind, name)
    lines = mistakes_of(make_session(tmp_path / "song", settings=f"name: {json.dumps(name)}\n"))
    assert lines, name
    assert all("\n" not in line and "\x1b" not in line and "\u202e" not in line for line in lines)


@settings(max_examples=300, deadline=None)
@given(st.text(min_size=1, max_size=60), st.sampled_from(["track", "take", "pair", "session"]))
@example("../../etc/passwd", "track")
@example("-rf /", "take")
@example("con.wav", "track")
def test_a_name_made_safe_stays_in_its_folder_and_is_no_option(text, kind):
    name = safe_name(text, kind)
    assert name_problem(name, kind) is None
    assert not set(name) & set('/\\:*?"<>|;`$\n\r\t\0{}%~!')
    assert name[0] not in "-. " and name[-1] not in ". "
    results = Path("/results")
    assert (results / name / "x").resolve().parts[:2] == ("/", "results")


def test_a_stems_name_never_reaches_a_shell_or_leaves_the_results(tmp_path):
    folder = make_session(tmp_path / "song", stems=())
    for number, name in enumerate(('it\'s "x" $(touch hacked) `id`;z', "-rf", "a\nb", "🎸 lead", "<b>bold</b>", "{take}")):
        write_stem(folder / "stems" / f"{name.replace('/', '')}.wav", tone_hz=200.0 + number)
    record = load(folder)
    assert len(record["tracks"]) == 6
    for track in record["tracks"]:
        assert name_problem(track["track"], "track") is None
    assert not (tmp_path / "hacked").exists()
    said = [note["text"] for note in record["notes"]]
    assert sum("cannot lend its name to files; its track is called" in text for text in said) == 6
    assert all("\n" not in text for text in said)


def test_no_rule_needs_a_shell():
    for path in [PROJECT / "Snakefile", *(PROJECT / "workflow").rglob("*.smk")]:
        assert not re.search(r"^\s*(shell|run|notebook|wrapper|cwl)\s*:", path.read_text(encoding="utf-8"), re.M), path
    for path in (PROJECT / "workflow").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"\b(os\.system|os\.popen|getoutput|shell\s*=|eval\(|exec\(|pickle)\b", text), path


def test_pages_escape_everything_that_comes_from_a_file():
    hostile = "<script>x</script>'\"&"
    shown = templates().from_string('{{ x }}<a title="{{ x }}">').render(x=hostile)
    assert "<script" not in shown and shown.count("&lt;script&gt;") == 2 and '\'"&"' not in shown
    trusted = {}
    for path in (PROJECT / "workflow" / "scripts" / "bounceproof" / "report" / "templates").iterdir():
        trusted[path.name] = re.findall(r"\{\{[^}]*\|\s*safe\b[^}]*\}\}", path.read_text(encoding="utf-8"))
    own = {"matching.html.j2": ["{{ drawing|safe }}"], "report_pairs.html.j2": ['{{ "; " if not loop.last else ".</p>"|safe }}']}
    assert {name: found for name, found in trusted.items() if found} == own


def test_an_option_in_place_of_a_session_is_a_folder_that_is_not_there():
    (line,) = mistakes_of(Path("/nowhere") / "--help")
    assert "there is no such folder" in line


def test_packages_are_locked_with_hashes():
    """Every package of the lock has its version and at least one hash; installing asks for them."""
    lock = (PROJECT / "envs" / "requirements.lock").read_text(encoding="utf-8")
    packages = re.split(r"^(?=[A-Za-z0-9])", lock, flags=re.M)[1:]
    assert len(packages) > 50
    for package in packages:
        assert re.match(r"[A-Za-z0-9._-]+(\[[a-z,]+\])?==", package), package[:60]
        assert "--hash=sha256:" in package, package[:60]
    assert "--require-hashes" in (PROJECT / "envs" / "run").read_text(encoding="utf-8")
