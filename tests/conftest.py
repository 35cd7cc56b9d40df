"""What pytest says at its end beyond its own words."""

import os


def pytest_terminal_summary(terminalreporter):
    if not os.environ.get("REAL_TAPE"):
        terminalreporter.write_line(
            "REAL_TAPE is not set: no passage of real tape was looked at (outside/test_real_tape.py says which folder it means)."
        )
