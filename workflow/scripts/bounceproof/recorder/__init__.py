"""The simulated recorder: `simulate` sends a file through it and returns the capture with the truth about it.

It stands in for a real machine in demo, tests and forecast. Rooms: `presets` (settings), `motion` (time), `channel` (sound),
`truth` (what really happened), `machine` (the whole).
"""

from bounceproof.recorder.presets import PRESETS, RecorderProblem, resolve

__all__ = ["PRESETS", "RecorderProblem", "Simulated", "Truth", "resolve", "simulate"]


def __getattr__(name):
    # The machine needs scipy and numba; a session that only checks its settings should not wait for them.
    if name in ("simulate", "Simulated"):
        from bounceproof.recorder import machine

        return getattr(machine, name)
    if name == "Truth":
        from bounceproof.recorder.truth import Truth

        return Truth
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
