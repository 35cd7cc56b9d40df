"""Transfers found in captures of any name and length, by the numbers that their clicks spell.

Conventions: samples and times count from the capture's first sample; a span is one transfer with some hiss before and after it. A
tape plays a side at one speed, so once a click has told it, the next ones are looked for near it; what that leaves unfound is
looked for at any speed, where nothing was found.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.aligning.channels import by_strength, choose_channel
from bounceproof.clicks import find_clicks

COLUMNS = ("capture", "capture_sha256", "track", "take", "file", "sha256", "channel", "together")
COLUMNS += ("from_s", "to_s", "start_s", "end_s", "note")
# Hiss is measured before the start click, and a little after the end one.
_BEFORE_S, _AFTER_S = 3.5, 2.5
# How far two clicks may lie from where their own speed puts them: a machine's speed changes that much over a song at most.
_APART_WITHIN = 0.03
# A stretch without any transfer is looked through once more if it is this long.
_EMPTY_S = 12.0
# A channel is chosen by so many seconds, evenly over the capture.
_LISTENED_S = 60


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


def live_channels(blocks):
    """The numbers of an AudioBlocks' channels that hold more than crosstalk, the strongest first."""
    facts = blocks.facts
    if facts.channels == 1:
        return [1]
    second = facts.rate_hz
    places = range(0, facts.frames, max(second, facts.frames // _LISTENED_S))
    heard = np.concatenate([blocks.frames(first, first + second) for first in places])
    return by_strength(choose_channel(heard, facts.rate_hz).facts["channel_levels_dbfs"])


def find_in_channels(blocks, transfers, *, speed_search_percent, beside=()):
    """[(channel, its Spans)] of an AudioBlocks: the strongest channel's, then what another live one holds beside it, because a
    two-channel recorder plays two transfers at once. transfers, beside: as for `find_spans`.
    """
    channels, rate_hz = live_channels(blocks), blocks.facts.rate_hz
    search = {"speed_search_percent": speed_search_percent}
    found = [(channels[0], find_spans(blocks.channel(channels[0]), rate_hz, transfers, beside=beside, **search))]
    for number in channels[1:]:
        there = {span.track for _, spans in found for span in spans}
        missing = {facts["number"]: facts for facts in transfers if facts["track"] not in there}
        if not missing:
            break
        # One recording in both channels spells the same numbers: then nothing of it is looked for any further.
        band = {"band_hz": tuple(transfers[0]["click_band_hz"])}
        heard = {hit.number for hit in find_clicks(blocks.channel(number), rate_hz, steady=True, **band, **search)}
        wanted = [facts for code, facts in missing.items() if code in heard]
        if wanted:
            found.append((number, find_spans(blocks.channel(number), rate_hz, wanted, **search)))
    return found


def legs_together(cuts, legs):
    """The same cuts (pairs of channel and Span, in order of time), each with the track of the other leg that plays beside it in
    another channel, or "": triples. Two such are cut from and to the same samples, so that both tell of one motion in one time.

    legs: {track: that of the other leg}.
    """
    out = []
    for channel, span in cuts:
        beside = [
            other
            for number, other in cuts
            if number != channel and other.track == legs.get(span.track) and _overlap(span, other) > 0.5
        ]
        if beside:
            first = min(span.first_sample, beside[0].first_sample)
            span = span._replace(first_sample=first, last_sample=max(span.last_sample, beside[0].last_sample))
        out.append((channel, span, beside[0].track if beside else ""))
    return out


def _overlap(one, other):
    """The share of the shorter of two Spans that both have in common."""
    both = min(one.last_sample, other.last_sample) - max(one.first_sample, other.first_sample)
    return both / min(one.last_sample - one.first_sample, other.last_sample - other.first_sample)


def find_spans(samples, rate_hz, transfers, *, speed_search_percent, beside=()):
    """The Spans in one channel (an array, or a file's channel read piece by piece), in order of time.

    transfers: the facts (JSON) of every transfer of the session; beside: of what may be on a side too and is missed nowhere (the
    calibration).
    """
    known = {facts["number"]: facts for facts in (*beside, *transfers)}
    search = {"band_hz": tuple(transfers[0]["click_band_hz"]), "speed_search_percent": speed_search_percent}
    hits = [hit for hit in find_clicks(samples, rate_hz, steady=True, **search) if hit.number in known]
    spans = _spans(hits, known, samples.size, rate_hz)
    found = _at_their_speed(samples, rate_hz, spans, hits, known, search)
    if found:
        hits = _apart_in_time(sorted(hits + found))
        spans = _spans(hits, known, samples.size, rate_hz)
    if not {span.track for span in spans} >= {facts["track"] for facts in transfers} or _doubtful(spans):
        for from_s, to_s in _empty(spans, samples.size / rate_hz, rate_hz):
            found = find_clicks(samples, rate_hz, from_s=from_s, to_s=to_s, **search)
            hits += [hit for hit in found if hit.number in known]
        hits = _apart_in_time(sorted(hits))
        spans = _spans(hits, known, samples.size, rate_hz)
        found = [hit for facts in transfers for hit in _by_number(samples, rate_hz, spans, facts, search)]
        hits = _apart_in_time(sorted(hits + found))
        spans = _spans(hits, known, samples.size, rate_hz)
        # A click damaged in part is known once its number is.
        found = [hit for span in spans for hit in _partner(samples, rate_hz, span, known, search)]
        spans = _spans(_apart_in_time(sorted(hits + found)), known, samples.size, rate_hz) if found else spans
    return spans


def _at_their_speed(samples, rate_hz, spans, hits, known, search):
    """Clicks of whole transfers in what was left empty and could hold one, at the speed of the click nearest to it: a damaged
    click is read there that is not found at any speed, and one of a pair cannot be another's.
    """
    found, shortest_s = [], min(_apart_s(facts, 1.0) for facts in known.values())
    for from_s, to_s in _empty(spans, samples.size / rate_hz, rate_hz):
        if not hits or to_s - from_s < (1 - 4 * _APART_WITHIN) * shortest_s:
            continue
        nearest = min(hits, key=lambda hit: max(from_s - hit.instant_s, hit.instant_s - to_s))
        near = {**search, "speed_hint": nearest.speed_ratio, "number": tuple(known)}
        heard = [hit for hit in find_clicks(samples, rate_hz, from_s=from_s, to_s=to_s, **near) if hit.number in known]
        pairs = [_matched(heard, k, known) for k in range(len(heard))]
        found += [hit for pair in pairs if None not in pair for hit in pair]
    return found


def _by_number(samples, rate_hz, spans, facts, search):
    """Clicks of a transfer found nowhere, looked for by its own number where there is room for it: then three good sweeps do."""
    if any(span.track == facts["track"] for span in spans):
        return []
    room_s = (1 - 4 * _APART_WITHIN) * _apart_s(facts, 1.0)
    hits = []
    for from_s, to_s in _empty(spans, samples.size / rate_hz, rate_hz):
        if to_s - from_s > room_s:
            hits += find_clicks(samples, rate_hz, number=facts["number"], from_s=from_s, to_s=to_s, **search)
    return [hit for hit in hits if hit.number == facts["number"]]


def _partner(samples, rate_hz, span, known, search):
    """The other click of a span that has one, if it is there after all: [ClickHit] or []."""
    if (span.start_s is None) == (span.end_s is None):
        return []
    number = next(number for number, facts in known.items() if facts["track"] == span.track)
    first_s, last_s = span.first_sample / rate_hz, span.last_sample / rate_hz
    reach_s = max(_BEFORE_S, _AFTER_S) + 2 * _APART_WITHIN * (last_s - first_s) + 1.0
    end, where = ("end", (last_s - reach_s, last_s)) if span.end_s is None else ("start", (first_s, first_s + reach_s))
    hits = find_clicks(samples, rate_hz, number=number, from_s=max(0.0, where[0]), to_s=where[1], **search)
    return [hit for hit in hits if (hit.number, hit.end) == (number, end)][:1]


def _spans(hits, known, frames, rate_hz):
    spans, k = [], 0
    while k < len(hits):
        start, end = _matched(hits, k, known)
        before_s = hits[k - 1].instant_s if k else 0.0
        k += 1 if start is None or end is None else 2
        after_s = hits[k].instant_s if k < len(hits) else frames / rate_hz
        spans.append(_span(start, end, known, (before_s, after_s), frames, rate_hz))
    return _apart(spans)


def _doubtful(spans):
    return any(span.start_s is None or span.end_s is None for span in spans)


def _empty(spans, duration_s, rate_hz):
    """Stretches without a whole transfer, long enough to hold a click that was missed: what has only one click is looked through
    again, but for that click.
    """
    whole = [(span.first_sample / rate_hz, span.last_sample / rate_hz) for span in spans if span.start_s and span.end_s]
    edges = [0.0, *(edge for span in whole for edge in span), duration_s]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > _EMPTY_S]


def _apart_in_time(hits):
    """Hits without those found twice."""
    return [hit for k, hit in enumerate(hits) if k == 0 or hit.instant_s - hits[k - 1].instant_s > 0.1]


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


def _span(start, end, known, around_s, frames, rate_hz):
    facts = known[(start or end).number]
    due_s = _apart_s(facts, (start or end).speed_ratio)
    length_s = due_s * (1 + _APART_WITHIN)
    first_s = (start.instant_s if start else end.instant_s - length_s) - _BEFORE_S
    last_s = (end.instant_s if end else start.instant_s + length_s) + _AFTER_S
    first, last = max(0, int(first_s * rate_hz)), min(frames, int(last_s * rate_hz))
    note = _note(start, end, due_s, around_s)
    return Span(facts["track"], first, last, start and start.instant_s, end and end.instant_s, note)


def _note(start, end, due_s, around_s):
    """What is odd about a transfer with one click: the other was lost, or there was no room for it."""
    if start and end:
        return ""
    there_s = around_s[1] - start.instant_s if start else end.instant_s - around_s[0]
    if there_s >= (1 - _APART_WITHIN) * due_s:
        return f"the {'end' if start else 'start'} click is missing"
    return f"interrupted: {'the first' if start else 'the last'} {there_s:.0f} of {due_s:.0f} s are there"


def _apart(spans):
    """A span whose own click is missing ends where its neighbour begins."""
    for k in range(len(spans) - 1):
        one, after = spans[k], spans[k + 1]
        if one.end_s is None:
            spans[k] = one._replace(last_sample=min(one.last_sample, after.first_sample))
        if after.start_s is None:
            spans[k + 1] = after._replace(first_sample=max(after.first_sample, spans[k].last_sample))
    return spans


def with_repeats(spans):
    """The spans, those of a track that was there before in the capture saying so."""
    seen, out = {}, []
    for span in spans:
        seen[span.track] = seen.get(span.track, 0) + 1
        again = f"played again, time {seen[span.track]} in this capture" if seen[span.track] > 1 else ""
        out.append(span._replace(note="; ".join(filter(None, (span.note, again)))))
    return out


def take_name(capture, taken):
    """A take's name after its capture's, with a number where a name is taken already."""
    from bounceproof.session.naming import safe_name

    name, count = safe_name(capture, "take"), 1
    while (name if count == 1 else f"{name}-{count}").casefold() in {one.casefold() for one in taken}:
        count += 1
    return name if count == 1 else f"{name}-{count}"
