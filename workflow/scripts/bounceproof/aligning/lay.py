"""A return laid on its stem's time base.

Conventions: stem time counts the song's own seconds from the stem's first sample, whatever speed it was sent at; return time the
capture's seconds from its first sample; speed = replay over record speed (+1 % = short and sharp).
"""

from typing import NamedTuple

import numpy as np

from bounceproof.aligning.channels import Channel, choose_channel, is_silent
from bounceproof.aligning.music import compare, mean_likeness, recognised, timing_rms_us
from bounceproof.aligning.placing import place_clicks
from bounceproof.condition.capture import clipping
from bounceproof.condition.level import level_db
from bounceproof.reading import read_through
from bounceproof.timemap import TimeMap

ALIGNED, REJECTED = "aligned", "rejected"
_DC_FLAG_DBFS = -50.0
_QUIET_S = 2.0
_FACTOR_WORDS = {0.25: "a quarter of its speed", 0.5: "half speed", 2.0: "double speed", 4.0: "four times its speed"}


class Laid(NamedTuple):
    """alignment: the values of alignment.json; time_map: TimeMap or None; aligned, aligned_clicks: float arrays of the stem's length."""

    alignment: dict
    time_map: TimeMap | None
    aligned: np.ndarray
    aligned_clicks: np.ndarray


class CannotPlace(Exception):
    """A return that cannot be laid; its text is the reason, `next_step` what to do."""

    def __init__(self, reason, next_step):
        super().__init__(reason)
        self.next_step = next_step


def lay_return(capture, capture_rate_hz, stem, sent, facts, *, settings, band_hz, channel=None, names=None, notes=()):
    """Lay a capture (frames, channels) on the time base of its stem.

    stem: the stem as prepared, one channel at facts["sample_rate_hz"]; sent: the transfer as played; facts: the transfer's JSON.
    settings: method ("follow" or "clicks"), speed_search_percent. band_hz: the medium's nominal band. channel: 1 or 2 where the
    capture holds another leg in its other channel. names: {transfer number: track}. Never raises for what a capture holds:
    what cannot be placed comes back as `rejected` with its reason, silent and without a map.
    """
    chosen = choose_channel(capture, capture_rate_hz, wanted=channel)
    draft = _Draft(chosen, settings["method"], notes)
    try:
        draft.look_for_damage(capture_rate_hz)
        return _lay(draft, capture_rate_hz, stem, sent, facts, settings, band_hz, names or {})
    except CannotPlace as problem:
        silence = np.zeros(len(stem), dtype=np.float32)
        return Laid(draft.rejected(str(problem), problem.next_step), None, silence, silence)


def _lay(draft, rate_hz, stem, sent, facts, settings, band_hz, names):
    samples = draft.channel.samples
    placed = place_clicks(samples, rate_hz, facts, speed_search_percent=settings["speed_search_percent"])
    draft.note_clicks(placed, names)
    straight = _straight_map(placed, facts, len(stem))
    if straight is None:
        raise _no_clicks(placed, names)
    aligned_clicks = _read(samples, rate_hz, straight, len(stem), facts)
    polarity = _polarity(placed)
    windows = compare(stem, aligned_clicks, facts["sample_rate_hz"], polarity=polarity)
    if not recognised(windows):
        raise CannotPlace(
            f"The clicks are there but the music is not: likeness {mean_likeness(windows):.2f}, {windows.chance:.2f} by chance.",
            "Check that this is the return of this track and that the stem, not only the clicks, reached the recorder.",
        )
    clicks_rms_us = timing_rms_us(windows)
    time_map = _with_sigma(straight, clicks_rms_us)
    draft.note_reach(time_map, len(samples) / rate_hz)
    aligned_clicks = (polarity * aligned_clicks).astype(np.float32)
    level = level_db(stem, aligned_clicks, facts["sample_rate_hz"], band_hz, **_quiet(samples, rate_hz, placed))
    draft.values.update(
        level_db=level.level_db,
        level_sigma_db=level.sigma_db,
        speed_percent=time_map.speed_percent,
        polarity=polarity,
        clicks_only_rms_us=clicks_rms_us,
        residual_rms_us=clicks_rms_us,
        offset_sigma_us=_offset_sigma_us(placed),
        likeness=mean_likeness(windows),
        likeness_by_chance=windows.chance,
    )
    return Laid(draft.aligned(), time_map, aligned_clicks, aligned_clicks)


def _read(samples, rate_hz, time_map, count, facts):
    return read_through(samples, rate_hz, time_map, start_s=0.0, count=count, rate_hz=facts["sample_rate_hz"])


def _straight_map(placed, facts, stem_samples):
    """The map through two clicks, or through one at the speed its own sweeps show; None without any."""
    rate_hz, send_speed = facts["sample_rate_hz"], facts["send_speed"]
    start_s, end_s = facts["start_click_sample"] / rate_hz, facts["end_click_sample"] / rate_hz
    if placed.start and placed.end:
        speed = (end_s - start_s) / (placed.end.instant_s - placed.start.instant_s)
    elif placed.start or placed.end:
        speed = (placed.start or placed.end).speed_ratio
    else:
        return None
    anchor_s, there_s = (start_s, placed.start.instant_s) if placed.start else (end_s, placed.end.instant_s)
    stem_start_s = facts["stem_start_sample"] / rate_hz
    offset_s = there_s + (stem_start_s - anchor_s) / speed
    return TimeMap.straight(offset_s, speed * send_speed, stem_samples / rate_hz)


def _with_sigma(straight, clicks_rms_us):
    """Between two clicks the map is as uncertain as the music was seen to stray from it."""
    return TimeMap(straight.stem_s, straight.return_s, clicks_rms_us if np.isfinite(clicks_rms_us) else np.inf)


def _quiet(samples, rate_hz, placed):
    """The last 2 s before the start click: hiss alone."""
    if not placed.start:
        return {}
    # The click's first sweep lies up to 0.25 s before its instant.
    last = int((placed.start.instant_s - 0.3 / placed.start.speed_ratio) * rate_hz)
    first = max(0, last - int(_QUIET_S * rate_hz))
    if last - first < 0.2 * rate_hz:
        return {}
    return {"quiet": samples[first:last], "quiet_rate_hz": rate_hz / placed.start.speed_ratio}


def _polarity(placed):
    """The clicks' polarity; where they disagree, the likelier one's."""
    return max((hit for hit in (placed.start, placed.end) if hit), key=lambda hit: hit.likeness).polarity


def _offset_sigma_us(placed):
    sigmas = [hit.sigma_us for hit in (placed.start, placed.end) if hit]
    return float(np.sqrt(np.sum(np.square(sigmas))) / len(sigmas))


def _no_clicks(placed, names):
    if placed.reversed:
        return CannotPlace(
            "The return runs backwards: its clicks read only in reverse.",
            "The tape's other side was played, or the file was reversed; capture the right side, or reverse the file.",
        )
    if placed.others:
        number, _ = placed.others[0]
        whose = f"track {names[number]}" if number in names else f"a transfer number {number} that this session does not have"
        return CannotPlace(f"The clicks are those of {whose}.", "File the capture under that track, and capture this one again.")
    return CannotPlace(
        "No click was found at any speed from a quarter to four times the right one.",
        "Check that the whole transfer was played, clicks included, and that the recorder recorded; then capture it again.",
    )


class _Draft:
    """alignment.json while it is being filled: flags are single words for tables, hints sentences for a person."""

    def __init__(self, channel, method, notes):
        self.channel = channel
        self.flags, self.hints = [], [*channel.hints, *notes]
        self._next_step = None
        self.values = {
            "method": method,
            "capture": channel.facts,
            "clicks": [],
            "start_click_return_s": None,
            "end_click_return_s": None,
            **dict.fromkeys(("speed_percent", "polarity", "level_db", "level_sigma_db", "clicks_only_rms_us", "residual_rms_us")),
            **dict.fromkeys(("offset_sigma_us", "drift_percent", "wow_percent", "flutter_percent", "weighted_flutter_percent")),
        }

    def flag(self, word, hint, next_step=None):
        self.flags.append(word)
        self.hints.append(hint)
        self._next_step = self._next_step or next_step

    def look_for_damage(self, rate_hz):
        """What is wrong with the capture as a file. Raises CannotPlace for silence."""
        samples = self.channel.samples
        if is_silent(samples):
            raise CannotPlace(
                "The capture is digital silence: nothing reached the converter.",
                "Check the cable, the input chosen and the record level, and capture it again.",
            )
        clipped = clipping(samples, rate_hz)
        self.values["capture"]["clipping"] = clipped
        if clipped["runs"]:
            side = {"both": "", "upper": ", upper side only", "lower": ", lower side only", None: ""}[clipped["side"]]
            self.flag(
                "clipped",
                f"Clipped {clipped['runs']} times at {clipped['at_dbfs']:.1f} dBFS{side}, first at {clipped['first_s']:.2f} s.",
                "Lower the capture level and play the tape again.",
            )
        if self.channel.facts["dc_dbfs"] > _DC_FLAG_DBFS:
            self.flag("direct current", f"Direct current of {self.channel.facts['dc_dbfs']:.1f} dBFS was taken off.")

    def note_clicks(self, placed, names):
        for end, hit in (("start", placed.start), ("end", placed.end)):
            if hit:
                self.values[f"{end}_click_return_s"] = hit.instant_s
                self.values["clicks"].append({**hit._asdict()})
        if placed.factor != 1.0:
            words = _FACTOR_WORDS[placed.factor]
            self.flag(
                "wrong speed",
                f"Played at {words}; it is used, but what lay beyond the capture's band is lost.",
                "Set the machine's speed and capture it again.",
            )
        if bool(placed.start) != bool(placed.end):
            missing = "end" if placed.start else "start"
            self.flag(
                "one click",
                f"The {missing} click is missing: the speed is that of the other click alone.",
                "Capture the whole transfer.",
            )
        if (placed.start or placed.end) and placed.others:
            others = ", ".join(
                names.get(number, f"number {number}") for number in sorted({number for number, _ in placed.others})
            )
            self.hints.append(f"Clicks of other transfers are in the capture too: {others}.")

    def note_reach(self, time_map, capture_s):
        lost_s = max(0.0, time_map.stem_s[-1] - float(time_map.stem_at(capture_s))) + max(0.0, float(time_map.stem_at(0.0)))
        if lost_s > 0.01:
            self.flag(
                "cut short", f"{lost_s:.1f} s of the stem lie outside the capture and stay silent.", "Capture the whole transfer."
            )

    def aligned(self):
        return self._finished(ALIGNED, None)

    def rejected(self, reason, next_step):
        self._next_step = next_step
        return self._finished(REJECTED, reason)

    def _finished(self, state, reason):
        return {
            "state": state,
            "reason": reason,
            "flags": self.flags,
            "hints": self.hints,
            "next_step": self._next_step,
            **self.values,
        }


def unreadable(reason, stem_samples, method):
    """The Laid of a capture that cannot be read at all."""
    nothing = Channel(np.zeros(0, np.float32), 1, dict.fromkeys(("rate_hz", "channels", "channel", "frames", "seconds")), [])
    silence = np.zeros(stem_samples, dtype=np.float32)
    draft = _Draft(nothing, method, ())
    return Laid(draft.rejected(reason, "Put a readable capture in its place."), None, silence, silence)
