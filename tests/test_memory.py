"""Memory that was let go is the system's again."""

import ctypes
import sys

import pytest
from bounceproof.memory import give_back
from chain import printed_by

PIECE_MB, PIECES = 1, 200
# A piece in use behind a gap is what keeps the C library from shrinking its heap by itself.
PROGRAM = f"""
import numpy as np
from bounceproof.memory import give_back

def resident_mb():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 2**20

many = [np.ones({PIECE_MB} << 17) for _ in range({PIECES})]
last = many.pop()
del many
before = resident_mb()
give_back()
print(before - resident_mb(), last.sum())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux") or not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="GNU C library")
def test_holes_are_given_back(tmp_path):
    found = printed_by(PROGRAM, tmp_path, MALLOC_MMAP_THRESHOLD_=str(4 << 20))
    assert float(found[0]) > 0.9 * PIECE_MB * PIECES
    assert float(found[1]) == PIECE_MB << 17


def test_where_there_is_nothing_to_ask_nothing_is_done(monkeypatch):
    monkeypatch.setattr(ctypes, "CDLL", lambda name: object())
    give_back()
