"""What pytest says at its end beyond its own words; drawn cases may take their time."""

import os

from hypothesis import HealthCheck, settings

# Time is never tested: a machine with much else to do is no mistake.
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")


def pytest_terminal_summary(terminalreporter):
    if not os.environ.get("REAL_TAPE"):
        terminalreporter.write_line(
            "REAL_TAPE is not set: no passage of real tape was looked at (outside/test_real_tape.py says which folder it means)."
        )
