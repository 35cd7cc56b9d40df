"""What a job's libraries load without need is loaded when it is asked for."""

import subprocess
import sys
from pathlib import Path

SCRIPTS = Path(__file__).parents[1] / "workflow" / "scripts"
JOB = """
import sys
snakemake = object()
import bounceproof_job
from scipy import fft
before = "numpy.f2py.crackfortran" in sys.modules
from numpy import f2py
print(before, callable(f2py.run_main), "numpy.f2py.crackfortran" in sys.modules)
"""


def test_a_job_loads_scipy_without_numpys_fortran_compiler_until_that_is_asked_for(tmp_path):
    script = tmp_path / "job.py"
    script.write_text(JOB, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, script], env={"PYTHONPATH": str(SCRIPTS), "PATH": ""}, capture_output=True, text=True, check=True
    )
    assert run.stdout.split() == ["False", "True", "True"]
