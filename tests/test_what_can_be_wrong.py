"""docs/what-can-be-wrong.md against the code and the tests that it names."""

import re
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[1]
TESTS = PROJECT / "tests"
PAGE = (PROJECT / "docs" / "what-can-be-wrong.md").read_text(encoding="utf-8")
ROWS = [[cell.strip() for cell in line.split("|")[1:-1]] for line in PAGE.splitlines() if line.startswith("| ")]
KINDS = [row for row in ROWS if row[0] != "kind"]


def code():
    """The text of the library and the rules, adjacent string literals joined."""
    places = (PROJECT / "workflow").rglob("*.py")
    return re.sub(r'"\s*\n\s*f?"', "", "\n".join(path.read_text(encoding="utf-8") for path in sorted(places)))


CODE = code()


def test_there_are_sixty_kinds_and_more_each_once():
    assert len(KINDS) >= 60
    assert len({row[0] for row in KINDS}) == len(KINDS)
    assert all(len(row) == 4 and all(row) for row in KINDS)


@pytest.mark.parametrize("row", KINDS, ids=lambda row: row[0])
def test_a_kind_has_its_words_in_the_code_and_its_case_among_the_tests(row):
    _, told, _, test = row
    for sentence in re.findall(r"`([^`]+)`", told):
        for words in filter(str.strip, sentence.split("…")):
            assert words in CODE, words
    assert told == "nothing" or "`" in told
    place, case = re.fullmatch(r"(\S+)(?: \((.+)\))?", test).groups()
    file, function = place.split("::")
    source = (TESTS / file).read_text(encoding="utf-8")
    assert re.search(rf"^ *def {function}\(", source, re.M), place
    assert (case or "") in source, (place, case)
