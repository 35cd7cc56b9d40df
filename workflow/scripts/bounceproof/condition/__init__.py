"""Condition of a return: level, hiss, what survived, and what is broken about its capture."""
