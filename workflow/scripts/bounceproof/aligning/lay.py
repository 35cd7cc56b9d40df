"""A return laid on its stem's time base.

Conventions: stem time counts the song's own seconds from the stem's first sample, whatever speed it was sent at; return time the
capture's seconds from its first sample; speed = replay over record speed (+1 % = short and sharp).
"""

import itertools
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from bounceproof import at_once
from bounceproof.aligning.channels import choose_channel, is_steady
from bounceproof.aligning.draft import CannotPlace, Draft, WrongMusic
from bounceproof.aligning.kept import at_hand
from bounceproof.aligning.maps import in_stem_time, slowed, straight_through_clicks, weighted_rms_us
from bounceproof.aligning.music import WORK_HZ as MUSIC_HZ
from bounceproof.aligning.music import compare, mean_likeness, recognised, timing_rms_us
from bounceproof.aligning.placing import place_clicks
from bounceproof.audio import broken_words, mended, resample
from bounceproof.condition.level import level_db
from bounceproof.reading import read_through
from bounceproof.timemap import TimeMap

_QUIET_S = 2.0
_FADE_S = 0.004
# To know a stem by its music so many windows are enough.
ENOUGH_WINDOWS = 240
# A return of which the stem explains no more than this (share of power, whitened) is compared with the other tracks.
DOUBTED_SHARE = 0.3


class Laid(NamedTuple):
    """alignment: the values of alignment.json; time_map: TimeMap or None; aligned: float32 of the stem's length, and
    aligned_clicks(): the same by the two clicks alone, made when it is asked for."""

    alignment: dict
    time_map: TimeMap | None
    aligned: np.ndarray
    aligned_clicks: Callable


class Placing(NamedTuple):
    """How a return lies: time_map in stem time, polarity, what was measured on the way (for alignment.json), flags with
    their hints."""

    time_map: TimeMap
    polarity: int
    values: dict
    flags: list


def lay_return(capture, capture_rate_hz, stem, sent, facts, *, channel=None, notes=(), **options):
    """As `lay_kept`, for samples in memory: capture (frames, channels), of which channel (1 or 2) is used where the other
    holds another leg; stem and sent (frames,)."""
    capture, broken = mended(capture)
    chosen = choose_channel(capture, capture_rate_hz, wanted=channel)
    return lay_kept(
        at_hand(chosen.samples),
        chosen.facts,
        at_hand(stem),
        at_hand(sent),
        facts,
        count=len(stem),
        remarks=[*chosen.remarks, *notes, *broken_words(broken, capture_rate_hz)],
        **options,
    )


def lay_kept(capture, capture_facts, stem, sent, facts, *, count, settings, band_hz, names=None, others=(), remarks=()):
    """Lay a capture on the time base of its stem; a Laid.

    capture, stem, sent: Kept. capture: the channel chosen, its mean taken off; capture_facts: `channels.Channel.facts`; stem: as
    prepared, at facts["sample_rate_hz"]; sent: the transfer as played; facts: the transfer's JSON; count: the stem's samples.
    settings: method ("follow" or "clicks"), speed_search_percent. band_hz: the medium's nominal band. names: {transfer number:
    track}. others: (name, samples) of the session's other stems, gone through only where this one's music is not found.
    remarks: for a person.
    Never raises for what a capture holds: what cannot be placed comes back as `rejected` with its reason, silent and
    without a map. Memory: at most two of the three at a time, and the aligned return.
    """
    draft = Draft(capture_facts, settings["method"], remarks)
    laying = _Laying(draft, capture, stem, sent, facts, count, settings, band_hz, others)
    try:
        return laying.laid(names or {})
    except CannotPlace as problem:
        return _nothing(draft.rejected(str(problem), problem.next_step), count)


def unreadable(reason, stem_samples, method):
    """The Laid of a capture that cannot be read at all."""
    nothing = dict.fromkeys(("rate_hz", "channels", "channel", "frames", "seconds"))
    return _nothing(Draft(nothing, method, ()).rejected(reason, "Put a readable capture in its place."), stem_samples)


def _nothing(alignment, stem_samples):
    silence = np.zeros(stem_samples, dtype=np.float32)
    return Laid(alignment, None, silence, lambda: silence)


class _Laying:
    """One return being laid: clicks first, then the music between them."""

    def __init__(self, draft, capture, stem, sent, facts, count, settings, band_hz, others):
        self.draft, self.capture, self.rate_hz = draft, capture, draft.values["capture"]["rate_hz"]
        self.stem, self.sent, self.facts, self.count = stem, sent, facts, count
        self.settings, self.band_hz, self._others = settings, band_hz, others
        self._whose_clicks, self._last_read = "", (None, None)

    def laid(self, names):
        samples = self.capture.get()
        self.draft.look_for_damage(samples, self.rate_hz)
        placed = place_clicks(samples, self.rate_hz, self.facts, speed_search_percent=self.settings["speed_search_percent"])
        quiet, capture_s = self._quiet(samples, placed), len(samples) / self.rate_hz
        del samples
        self.draft.note_clicks(placed, names)
        straight = straight_through_clicks(placed, self.facts)
        self._whose_clicks = "The clicks are there but the music is not:" if straight else "The music is not that of the stem:"
        if placed.others and straight is None:
            raise _other_clicks(placed, names)
        try:
            placing = self._placing(placed, straight)
        except WrongMusic as problem:
            raise self._named(problem, placed, straight) from problem
        aligned = self._read(placing)
        self.capture.let_go()
        level = level_db(self.stem.get(), aligned, self.facts["sample_rate_hz"], self.band_hz, **quiet)
        self.stem.let_go()
        self.draft.values.update(level_db=level.level_db, level_sigma_db=level.sigma_db, **placing.values)
        self.draft.values.update(speed_percent=placing.time_map.speed_percent, polarity=placing.polarity)
        for flag in placing.flags:
            self.draft.flag(*flag)
        self.draft.note_rate(placing.time_map.speed_percent)
        self.draft.note_reach(placing.time_map, capture_s)
        self._last_read = None, None
        return Laid(self.draft.aligned(), placing.time_map, aligned, lambda: self._aligned_clicks(placing, straight))

    def _placing(self, placed, straight):
        """The Placing by the method asked for. Music that is missing in places may be another track's: then it is looked for."""
        if self.settings["method"] != "follow":
            return self._by_clicks(placed, straight)
        placing = self._followed(placed, straight)
        if any(word == "music lost" for word, *_ in placing.flags) or placing.values["explained_share"] < DOUBTED_SHARE:
            doubt = WrongMusic("Much of the music is not this track's.", "")
            other = self._named(doubt, placed, straight)
            if other is not doubt:
                raise other
        return placing

    def _named(self, problem, placed, straight):
        """The problem, with the name of the track whose music it seems to be where the session's stems tell."""
        from bounceproof.follow.identity import identify

        if self.holds_nothing(placed):
            return _nothing_recorded()
        rate_hz, line = self.facts["sample_rate_hz"], None
        if straight is not None:
            in_song = in_stem_time(slowed(straight, placed.factor), self.facts, self.count)
            line = (float(in_song.at(0.0)), 1 / in_song.mean_speed_ratio)
        stems = itertools.chain([(None, self.stem.get())], self._others)
        found = identify(self.capture.get(), self.rate_hz / placed.factor, stems, rate_hz, line=line)
        if found is None:
            return problem
        if found.name is None and found.backwards:
            return CannotPlace("The music runs backwards.", "The tape's other side was played, or the file was reversed.")
        if found.name is None:
            return problem
        way = ", backwards" if found.backwards else ""
        return CannotPlace(
            f"The music is that of track {found.name}{way}, not of this one.",
            f"File the capture under {found.name}, and capture this track again.",
        )

    def holds_nothing(self, placed):
        """Whether a capture in which nothing was found holds nothing to find."""
        return not (placed.start or placed.end or placed.reversed) and is_steady(self.capture.get(), self.rate_hz)

    def _aligned_clicks(self, placing, straight):
        """The return through its two clicks alone; without clicks, through the straight line that fits the map's ends."""
        if self.settings["method"] == "clicks":
            return self._read(placing)
        known = placing.time_map
        if straight is None:
            line = TimeMap(known.stem_s[[0, -1]], known.return_s[[0, -1]], np.inf)
        else:
            line = in_stem_time(straight, self.facts, self.count)
        return self._read(placing._replace(time_map=line))

    def _by_clicks(self, placed, straight):
        """The straight line through two clicks; how far the music strays from it is its uncertainty."""
        if straight is None:
            raise _nothing_recorded() if self.holds_nothing(placed) else _no_clicks(placed)
        polarity = placed.polarity
        time_map = in_stem_time(straight, self.facts, self.count)
        windows = self._recognised(time_map, polarity)
        stray_us = timing_rms_us(windows)
        time_map = TimeMap(time_map.stem_s, time_map.return_s, stray_us if np.isfinite(stray_us) else np.inf)
        values = {
            "clicks_only_rms_us": stray_us,
            "residual_rms_us": stray_us,
            "offset_sigma_us": _offset_sigma_us(placed),
            "likeness": mean_likeness(windows),
            "likeness_by_chance": windows.chance,
        }
        return Placing(time_map, polarity, values, [])

    def _followed(self, placed, straight):
        """The map from the music itself, held by the clicks where there are any."""
        from bounceproof.aligning.following import follow_return

        if straight is None and placed.reversed:
            raise _no_clicks(placed)
        found = follow_return(self, placed, straight)
        time_map = in_stem_time(found.sent_map, self.facts, self.count)
        windows = self._recognised(time_map, found.polarity, ENOUGH_WINDOWS)
        values = dict(found.values, likeness=mean_likeness(windows), likeness_by_chance=windows.chance)
        if straight is not None:
            line = in_stem_time(straight, self.facts, self.count)
            stray_us = weighted_rms_us(line, time_map, self.stem.get(), self.facts["sample_rate_hz"])
            values["clicks_only_rms_us"] = stray_us * placed.factor * self.facts["send_speed"]
        return Placing(time_map, found.polarity, values, found.flags)

    def _recognised(self, time_map, polarity, most=None):
        """The Windows of the return laid by a map, `most` at most. Raises CannotPlace where its music is not the stem's."""
        rate_hz = self.facts["sample_rate_hz"]

        def sent():
            return resample(self.stem.taken(), rate_hz, MUSIC_HZ)

        def returned():
            read = self._read(Placing(time_map, polarity, {}, []))
            # An hour of it is 690 MB.
            self.capture.let_go()
            return resample(read, rate_hz, MUSIC_HZ)

        stem, laid = at_once.together(sent, returned)
        windows = compare(stem, laid, MUSIC_HZ, most=most)
        if not recognised(windows):
            raise WrongMusic(
                f"{self._whose_clicks} likeness {mean_likeness(windows):.2f}, {windows.chance:.2f} by chance.",
                "Check that this is the return of this track and that the stem, not only the clicks, reached the recorder.",
            )
        return windows

    def _read(self, placing):
        """The return through a map, polarity as sent, silent where the map is not known; the last one read is kept."""
        known, laid = self._last_read
        if placing.time_map is not known:
            rate_hz = self.facts["sample_rate_hz"]
            laid = read_laid(self.capture.get(), self.rate_hz, placing.time_map, placing.polarity, self.count, rate_hz)
            self._last_read = placing.time_map, laid
        return laid

    def _quiet(self, samples, placed):
        """The last 2 s before the start click: hiss alone; none without that click."""
        if not placed.start:
            return {}
        # The click's first sweep lies up to 0.25 s before its instant.
        last = int((placed.start.instant_s - 0.3 / placed.start.speed_ratio) * self.rate_hz)
        first = max(0, last - int(_QUIET_S * self.rate_hz))
        if last - first < 0.2 * self.rate_hz:
            return {}
        return {"quiet": samples[first:last].copy(), "quiet_rate_hz": self.rate_hz / placed.start.speed_ratio}


def read_laid(capture, capture_rate_hz, time_map, polarity, count, rate_hz):
    """The capture read through a map, (count,) float32 at rate_hz: polarity as sent, silent where the map is not known."""
    laid = read_through(capture, capture_rate_hz, time_map, start_s=0.0, count=count, rate_hz=rate_hz)
    laid *= np.float32(polarity)
    _silence_unknown(laid, time_map, rate_hz)
    return laid


def _silence_unknown(laid, time_map, rate_hz):
    """Take out of a return laid by a map (float32, changed in place) what lies where that is not known, with slopes of _FADE_S;
    nothing for a map that knows no sigma at all."""
    known = np.isfinite(time_map.sigma_us)
    if known.all() or not known.any():
        return
    spacing_s = (time_map.stem_s[-1] - time_map.stem_s[0]) / (known.size - 1)
    reach = max(1, round(_FADE_S / spacing_s))
    # Faded within what is known: beyond it there may be nothing, or something else.
    from scipy.ndimage import minimum_filter1d, uniform_filter1d

    inner = minimum_filter1d(known.astype(np.float32), 2 * reach + 1, mode="nearest")
    smooth = uniform_filter1d(inner, 2 * reach + 1, mode="nearest")
    for first in range(0, laid.size, 1 << 20):
        part = laid[first : first + (1 << 20)]
        at_s = np.arange(first, first + part.size) / rate_hz
        part *= np.interp(at_s, time_map.stem_s, smooth).astype(np.float32)


def _offset_sigma_us(placed):
    sigmas = [hit.sigma_us for hit in (placed.start, placed.end) if hit]
    return float(np.sqrt(np.sum(np.square(sigmas))) / len(sigmas))


def _other_clicks(placed, names):
    number, _ = placed.others[0]
    whose = f"track {names[number]}" if number in names else f"a transfer number {number} that this session does not have"
    return CannotPlace(f"The clicks are those of {whose}.", "File the capture under that track, and capture this one again.")


def _nothing_recorded():
    return CannotPlace(
        "No click and no music, only steady noise from end to end: nothing was recorded, or nothing of it was played back.",
        "Check that the recorder recorded this track and that its output reached the input; then play it again.",
    )


def _no_clicks(placed):
    if placed.reversed:
        return CannotPlace(
            "The return runs backwards: its clicks read only in reverse.",
            "The tape's other side was played, or the file was reversed; capture the right side, or reverse the file.",
        )
    return CannotPlace(
        "No click was found at any speed from a quarter to four times the right one.",
        "Check that the whole transfer was played, clicks included, and that the recorder recorded; then capture it again.",
    )
