"""A session: its files read, checked, completed with defaults; one plain record per track, pair and take.

Conventions: `load_session` returns plain Python (text, numbers, lists, dicts) with absolute paths; every mistake of a session is
told at once, in SessionMistakes.lines, one sentence each: file, row, column, value, what is expected, what to do.
"""

from bounceproof.session.loading import load_session
from bounceproof.session.mistakes import SessionMistakes
from bounceproof.session.results import claim_results
from bounceproof.session.returned import take_facts
from bounceproof.session.stems import check_stem_samples

__all__ = ["SessionMistakes", "check_stem_samples", "claim_results", "load_session", "take_facts"]
