"""What a job's libraries load without need is loaded when it is asked for."""

from chain import printed_by

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
    assert printed_by(JOB, tmp_path) == ["False", "True", "True"]
