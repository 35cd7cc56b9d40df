"""Pieces of work side by side: all done, in order, and whatever goes wrong is told."""

import os
import signal
import sys
import threading
import time
import weakref

import pytest
from bounceproof import at_once
from bounceproof.problems import AudioProblem
from chain import by_itself


@pytest.fixture(params=[1, 2, 3])
def threads(request):
    at_once.use(request.param)
    yield request.param
    at_once.use(1)


def test_results_come_in_the_order_of_the_pieces(threads):
    assert at_once.each(lambda piece: piece * piece, range(7)) == [0, 1, 4, 9, 16, 25, 36]


def test_different_pieces_side_by_side_give_their_results_in_order(threads):
    assert at_once.together(lambda: "a", lambda: 2, lambda: None) == ["a", 2, None]


def test_pieces_of_pieces_are_all_done_and_wait_for_nobody(threads):
    def rows(columns):
        return at_once.each(lambda row: at_once.each(lambda column: (row, column), range(columns)), range(5))

    found = at_once.each(rows, [3, 4, 2, 3])
    assert found == [[[(row, column) for column in range(columns)] for row in range(5)] for columns in (3, 4, 2, 3)]


def test_what_a_piece_raises_is_raised_and_later_pieces_are_as_if_nothing_had_been(threads):
    begun = []

    def work(piece):
        begun.append(piece)
        if piece == 2:
            raise AudioProblem("x: it is none; mend it.")
        time.sleep(1e-3)
        return piece

    with pytest.raises(AudioProblem, match="it is none"):
        at_once.each(work, range(1000))
    count = len(begun)
    assert count < 500
    time.sleep(5e-3)
    assert len(begun) == count, "nothing goes on behind the back of who asked"
    assert at_once.each(lambda piece: -piece, range(4)) == [0, -1, -2, -3]


def test_pieces_of_pieces_are_let_go_when_they_are_done(threads):
    class Large:
        pass

    def seen_of(large):
        at_once.each(lambda piece: (piece, large), range(3))
        return weakref.ref(large)

    def inner():
        return seen_of(Large())() is None

    together = threading.Barrier(threads)

    def all_busy():
        together.wait(timeout=20)
        gone = inner()
        together.wait(timeout=20)
        return gone

    assert at_once.together(*[all_busy] * threads) == [True] * threads


def test_pieces_are_worked_on_by_as_many_threads_as_are_allowed(threads):
    together = threading.Barrier(threads)
    at_once.each(lambda piece: together.wait(timeout=20), range(threads))


def test_results_of_pieces_done_apart_come_in_their_order(threads):
    at_once.each(str, range(9))
    assert at_once.apart(lambda piece: [piece, 2 * piece], range(7)) == [[k, 2 * k] for k in range(7)]
    assert at_once.apart(str, []) == []
    assert at_once.each(str, range(3)) == ["0", "1", "2"], "threads are there again"


def test_pieces_done_apart_may_be_told_in_pieces_too(threads):
    assert at_once.apart(lambda piece: at_once.each(str, range(piece)), [2, 3, 1]) == [["0", "1"], ["0", "1", "2"], ["0"]]


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


ORPHANED = """
import os, signal, time
from bounceproof import at_once

def work(piece):
    if piece == "asked":
        os.kill(os.getpid(), signal.SIGKILL)
    while os.getppid() == asked:
        time.sleep(0.01)
    return bytes(1 << 20)

asked = os.getpid()
at_once.use(2)
at_once.apart(work, ["asked", "copy"])
"""


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere no copies are made")
def test_a_copy_does_not_outlive_the_process_that_asked_it(tmp_path):
    done = by_itself(ORPHANED, tmp_path)
    assert done.returncode == -signal.SIGKILL
    assert done.stderr == ""
