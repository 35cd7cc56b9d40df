"""Transfers found in captures of any name and length, by the numbers that their clicks spell.

Conventions: samples and times count from the capture's first sample; a span is one transfer with some hiss before and after it.
"""

from typing import NamedTuple

from bounceproof.aligning.channels import choose_channel
from bounceproof.clicks import find_clicks

COLUMNS = ("capture", "track", "take", "file", "sha256", "from_s", "to_s", "start_s", "end_s", "note")
# Hiss is measured before the start click, and a little after the end one.
_BEFORE_S, _AFTER_S = 3.5, 2.5
# How far two clicks may lie from where their own speed puts them: a machine's speed changes that much over a song at most.
_APART_WITHIN = 0.03


class Span(NamedTuple):
    """One transfer in a capture: its track, its samples, the instants of its clicks in s (None where missing), a note."""

    track: str
    first_sample: int
    last_sample: int
    start_s: float | None
    end_s: float | None
    note: str

    def times(self, rate_hz):
        bounds = {"from_s": self.first_sample / rate_hz, "to_s": self.last_sample / rate_hz}
        return {**bounds, "start_s": self.start_s, "end_s": self.end_s, "note": self.note}


def find_spans(capture, transfers, *, speed_search_percent):
    """The Spans of an Audio, in order of time. transfers: the facts (JSON) of every transfer of the session."""
    known = {facts["number"]: facts for facts in transfers}
    samples = choose_channel(capture.samples, capture.rate_hz).samples
    band_hz = tuple(transfers[0]["click_band_hz"])
    hits = find_clicks(samples, capture.rate_hz, band_hz=band_hz, speed_search_percent=speed_search_percent)
    hits = [hit for hit in hits if hit.number in known]
    spans, k = [], 0
    while k < len(hits):
        start, end = _matched(hits, k, known)
        k += 1 if start is None or end is None else 2
        spans.append(_span(start, end, known, len(samples), capture.rate_hz))
    return _apart(spans)


def _matched(hits, k, known):
    """The click at k with its partner: (start, end), one of them None where it stands alone."""
    hit = hits[k]
    if hit.end == "end":
        return None, hit
    if k + 1 < len(hits) and hits[k + 1].end == "end" and hits[k + 1].number == hit.number:
        due_s = _apart_s(known[hit.number], hit.speed_ratio)
        if abs(hits[k + 1].instant_s - hit.instant_s - due_s) < _APART_WITHIN * due_s:
            return hit, hits[k + 1]
    return hit, None


def _apart_s(facts, speed_ratio):
    return (facts["end_click_sample"] - facts["start_click_sample"]) / facts["sample_rate_hz"] / speed_ratio


def _span(start, end, known, frames, rate_hz):
    facts = known[(start or end).number]
    length_s = _apart_s(facts, (start or end).speed_ratio) * (1 + _APART_WITHIN)
    first_s = (start.instant_s if start else end.instant_s - length_s) - _BEFORE_S
    last_s = (end.instant_s if end else start.instant_s + length_s) + _AFTER_S
    note = "" if start and end else f"the {'end' if start else 'start'} click is missing"
    first, last = max(0, int(first_s * rate_hz)), min(frames, int(last_s * rate_hz))
    return Span(facts["track"], first, last, start and start.instant_s, end and end.instant_s, note)


def _apart(spans):
    """A span whose own click is missing ends where its neighbour begins."""
    for k in range(len(spans) - 1):
        one, after = spans[k], spans[k + 1]
        if one.end_s is None:
            spans[k] = one._replace(last_sample=min(one.last_sample, after.first_sample))
        if after.start_s is None:
            spans[k + 1] = after._replace(first_sample=max(after.first_sample, spans[k].last_sample))
    return spans


def take_name(capture, taken):
    """A take's name after its capture's, with a number where a name is taken already."""
    from bounceproof.session.naming import safe_name

    name, count = safe_name(capture, "take"), 1
    while (name if count == 1 else f"{name}-{count}").casefold() in {one.casefold() for one in taken}:
        count += 1
    return name if count == 1 else f"{name}-{count}"
