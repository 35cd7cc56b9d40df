"""Pieces of work side by side: all done, in order, and whatever goes wrong is told."""

import os
import signal

import pytest
from bounceproof import at_once
from bounceproof.problems import AudioProblem


@pytest.fixture(params=[1, 2, 3])
def threads(request):
    at_once.use(request.param)
    yield request.param
    at_once.use(1)


def test_results_come_in_the_order_of_the_pieces(threads):
    assert at_once.each(lambda piece: piece * piece, range(7)) == [0, 1, 4, 9, 16, 25, 36]


def test_different_pieces_side_by_side_give_their_results_in_order(threads):
    assert at_once.together(lambda: "a", lambda: 2, lambda: None) == ["a", 2, None]


def test_pieces_done_apart_are_all_done(threads, tmp_path):
    at_once.apart(lambda name: (tmp_path / name).write_text(f"{name} {os.getpid()}"), "abcde")
    done = dict(path.read_text().split() for path in tmp_path.iterdir())
    assert sorted(done) == list("abcde")
    assert len(set(done.values())) == threads
    at_once.apart(lambda name: (tmp_path / name).write_text("never"), [])
    assert len(list(tmp_path.iterdir())) == 5


@pytest.mark.parametrize("wrong", "abc")
@pytest.mark.parametrize("problem", [AudioProblem("x: it is none; mend it."), OSError(28, "No space left on device", "x.png")])
def test_what_one_of_them_raises_is_raised(threads, wrong, problem):
    def work(piece):
        if piece == wrong:
            raise problem

    with pytest.raises(type(problem)) as told:
        at_once.apart(work, "abc")
    assert str(told.value) == str(problem)


def test_one_that_is_ended_from_outside_is_told():
    def work(piece):
        if piece == "b":
            os.kill(os.getpid(), signal.SIGKILL)

    at_once.use(2)
    try:
        with pytest.raises(ChildProcessError, match="run again"):
            at_once.apart(work, "ab")
    finally:
        at_once.use(1)
