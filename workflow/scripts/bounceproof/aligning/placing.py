"""The two clicks of a transfer in its return.

Conventions: times in seconds of the capture, from its first sample; speed_ratio = replay over record speed; a factor is how many
times too fast the whole return plays (0.25, 0.5, 1, 2 or 4).
"""

from typing import NamedTuple

from bounceproof.clicks import ClickHit, find_clicks

# Search outwards: how a two-speed or three-speed machine, or a wrong sample rate, is met.
FACTORS = (1.0, 0.5, 2.0, 0.25, 4.0)
_FIRST_LOOK_S = 22.0


class Placed(NamedTuple):
    """Where the clicks lie: start and end are ClickHit or None; others = clicks that spell another transfer; reversed = bool."""

    start: ClickHit | None
    end: ClickHit | None
    factor: float
    others: list
    reversed: bool

    @property
    def polarity(self):
        """The clicks' polarity, the likelier one's where they disagree; None without any."""
        hits = [hit for hit in (self.start, self.end) if hit]
        return max(hits, key=lambda hit: hit.likeness).polarity if hits else None


def place_clicks(samples, rate_hz, facts, *, speed_search_percent):
    """The clicks of the transfer described by `facts` (its JSON) in one channel of its return, as Placed."""
    for factor in FACTORS:
        placed = _at_factor(samples, rate_hz, facts, speed_search_percent, factor)
        if placed.start or placed.end:
            return placed
        if factor == 1.0 and placed.others:
            return placed
    # Far fewer false hopes than trying every speed backwards: a reversed tape usually runs at its own speed.
    backwards = _at_factor(samples[::-1], rate_hz, facts, speed_search_percent, 1.0)
    return Placed(None, None, 1.0, placed.others, bool(backwards.start or backwards.end))


def _at_factor(samples, rate_hz, facts, speed_search_percent, factor):
    """Look as if the capture's clock ran `factor` times slower, so that a return that plays fast looks right."""
    seen = _Looker(samples, rate_hz / factor, facts, speed_search_percent)
    start, end, others = seen.both()
    return Placed(_in_capture(start, factor), _in_capture(end, factor), factor, others, False)


def _in_capture(hit, factor):
    return hit and hit._replace(
        instant_s=hit.instant_s / factor, speed_ratio=hit.speed_ratio * factor, sigma_us=hit.sigma_us / factor
    )


class _Looker:
    """One pass over a capture: near the start first, then where the end should be, then everywhere."""

    def __init__(self, samples, rate_hz, facts, speed_search_percent):
        self._samples, self._rate_hz, self._facts = samples, rate_hz, facts
        self._search_percent = speed_search_percent
        self._seconds = len(samples) / rate_hz
        self._apart_s = (facts["end_click_sample"] - facts["start_click_sample"]) / facts["sample_rate_hz"]

    def _hits(self, from_s, to_s, hint=None):
        return find_clicks(
            self._samples,
            self._rate_hz,
            band_hz=tuple(self._facts["click_band_hz"]),
            speed_search_percent=self._search_percent,
            speed_hint=hint,
            number=self._facts["number"],
            from_s=max(0.0, from_s),
            to_s=to_s,
        )

    def _ours(self, hits, end):
        return [hit for hit in hits if hit.number == self._facts["number"] and hit.end == end]

    def both(self):
        first = self._hits(0.0, _FIRST_LOOK_S)
        start = self._best(self._ours(first, "start"))
        if start:
            end = self._end_after(start)
            if end:
                return start, end, self._others(first)
        hits = first + self._hits(_FIRST_LOOK_S - 1.0, self._seconds)
        starts, ends = self._ours(hits, "start"), self._ours(hits, "end")
        start, end = self._pair(starts, ends)
        return start, end, self._others(hits)

    def _end_after(self, start):
        due_s = start.instant_s + self._apart_s / start.speed_ratio
        reach_s = 1.0 + 0.03 * self._apart_s
        return self._best(self._ours(self._hits(due_s - reach_s, due_s + reach_s, start.speed_ratio), "end"))

    def _pair(self, starts, ends):
        """The start and end that lie apart as the transfer's do, within the speeds searched; else the likeliest alone."""
        reach = 1.0 + 1.6 * self._search_percent / 100
        pairs = [
            (start, end)
            for start in starts
            for end in ends
            if self._apart_s / reach < end.instant_s - start.instant_s < self._apart_s * reach
        ]
        if pairs:
            return max(pairs, key=lambda pair: pair[0].likeness + pair[1].likeness)
        start, end = self._best(starts), self._best(ends)
        if start and end and end.instant_s < start.instant_s:
            return (start, None) if start.likeness > end.likeness else (None, end)
        return start, end

    def _best(self, hits):
        return max(hits, key=lambda hit: hit.likeness, default=None)

    def _others(self, hits):
        return sorted({(hit.number, hit.end) for hit in hits if hit.number != self._facts["number"]})
