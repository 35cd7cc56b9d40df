"""A small part of `tests/fuzz/mutated_inputs.py`: its seeds, what it found before, and a few hundred mutated inputs."""

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "fuzz"))

import mutated_inputs

FOUND = sorted((Path(__file__).resolve().parent / "fuzz" / "found").iterdir())


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    reader = mutated_inputs.Reader(tmp_path_factory.mktemp("read"))
    yield reader
    reader.close()


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.name)
def test_what_was_found_before_is_read_or_refused_in_a_sentence(reader, path):
    answer, wrong = mutated_inputs.answer_of(reader, path.name.partition("-")[0], path.name, path.read_bytes())
    assert wrong is None, wrong
    assert answer


@pytest.mark.parametrize(("kind", "count"), [("audio", 300), ("session", 40), ("tracks", 40), ("pairs", 15), ("takes", 15)])
def test_whatever_becomes_of_a_file_it_is_read_or_refused_in_a_sentence(reader, kind, count):
    answers = []

    def tried(name, content):
        answer, wrong = mutated_inputs.answer_of(reader, kind, name, content)
        assert wrong is None, (wrong, content)
        answers.append(answer)
        return True

    mutated_inputs.inputs(kind, count, random.Random(20), tried)
    assert len(answers) == count
    assert len({mutated_inputs.shape_of(answer) for answer in answers}) > 5


def test_the_seeds_themselves_are_read_or_have_the_mistakes_that_were_put_in(reader):
    answers = {
        f"{kind}/{name}": mutated_inputs.answer_of(reader, kind, name, content)[0]
        for kind in ("audio", "session", "tracks", "pairs", "takes")
        for name, content in mutated_inputs.corpus(kind)
    }
    refused = {name: answer for name, answer in answers.items() if not answer.startswith("read")}
    assert set(refused) == {"session/odd.yaml", "session/small.yaml", "tracks/semicolons.tsv", "pairs/tabs.tsv"}


def test_a_reader_that_breaks_is_noticed():
    """The watch itself: another error, an endless sentence and a late answer are all found."""

    class Breaks:
        def read(self, kind, name, content):
            raise ZeroDivisionError("division by zero")

    class Talks:
        def read(self, kind, name, content):
            mutated_inputs._one_sentence("a\nb")

    assert "ZeroDivisionError" in mutated_inputs.answer_of(Breaks(), "audio", "a.wav", b"")[1]
    assert "sentence" in mutated_inputs.answer_of(Talks(), "audio", "a.wav", b"")[1]
