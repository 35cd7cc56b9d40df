"""Compiled loops: once made, loaded without what only the compiler needs."""

from chain import printed_by

LOOP = """
import sys
import numpy as np
from bounceproof.compiling import compiled

@compiled()
def total(values):
    held = np.zeros(2)
    for value in values:
        held[0] += value
    return held[0]

print(total(np.arange(5.0)), "numba.np.npyimpl" in sys.modules)
"""


def test_a_loop_is_compiled_once_and_then_loaded_without_the_compilers_knowledge(tmp_path):
    runs = [printed_by(LOOP, tmp_path, NUMBA_CACHE_DIR=str(tmp_path / "kept")) for _ in range(2)]
    assert runs == [["10.0", "True"], ["10.0", "False"]]
