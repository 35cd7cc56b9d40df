"""Compiled loops: once made, loaded without what only the compiler needs."""

import subprocess
import sys
from pathlib import Path

SCRIPTS = Path(__file__).parents[1] / "workflow" / "scripts"
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
    script = tmp_path / "loop.py"
    script.write_text(LOOP, encoding="utf-8")
    environment = {"PYTHONPATH": str(SCRIPTS), "NUMBA_CACHE_DIR": str(tmp_path / "kept"), "PATH": ""}
    runs = [
        subprocess.run([sys.executable, script], env=environment, capture_output=True, text=True, check=True) for _ in range(2)
    ]
    assert [run.stdout.split() for run in runs] == [["10.0", "True"], ["10.0", "False"]]
