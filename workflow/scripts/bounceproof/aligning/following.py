"""The stem followed through its return, as far as laying needs it.

Conventions: as in lay.py; sent_map goes from sent time to return time.
"""

from functools import cache, partial
from typing import NamedTuple

from bounceproof import at_once
from bounceproof.aligning.draft import FACTOR_WORDS, CannotPlace, WrongMusic
from bounceproof.aligning.maps import slowed
from bounceproof.aligning.placing import FACTORS
from bounceproof.clicks import SWEEP_S
from bounceproof.memory import give_back
from bounceproof.transfer_layout import CLICK_BEFORE_S

LEAST_OVERLAP_S = 5.0
_CHECK = (
    "Check that this is the return of this track, whole, with the stem's music and not only its clicks, and capture it again."
)
# Speeds searched about a wrong factor where no click is found.
_FACTOR_SEARCH_PERCENT = 3.0
_JUMP_WORDS = {
    "capture gap": ("The capture lost or gained samples", "Use a larger buffer, and capture it again."),
    "slip": ("The tape slipped", "Clean capstan and pinch roller, and play it again."),
    "jump": ("The return goes on elsewhere, by a slip or a gap in the capture,", "Play it again, with a larger buffer."),
    "swoop": (
        "The tape ran up, down or stood still for a moment",
        "Let the machine run up before the lead-in, and play it again.",
    ),
    "stop": ("The tape was stopped and started", "Play it through without a stop."),
    "change of speed": ("The speed changed at once", "Leave the speed switch alone, and play it again."),
}
# How sure a click's own speed is: below this difference (fraction) the mean through both clicks is better.
_CLICK_SPEED = 0.006
# So long beside a click its own speed is taken for the tape's.
_BESIDE_S = 2.0


class FollowedReturn(NamedTuple):
    """sent_map: TimeMap; polarity; values for alignment.json; flags: (word, hint, what to do or None)."""

    sent_map: object
    polarity: int
    values: dict
    flags: list


def follow_return(laying, placed, straight):
    """Follow the transfer through the return. straight: the map through the clicks, or None. Raises CannotPlace."""
    facts, rate_hz = laying.facts, laying.facts["sample_rate_hz"]
    found, factor = _followed_at(laying, placed, straight)
    give_back()
    if found.time_map is None:
        raise _why_not(found)
    sent_map = slowed(found.time_map, 1 / factor)
    to_stem = lambda sent_s: (sent_s - facts["stem_start_sample"] / rate_hz) * facts["send_speed"]  # noqa: E731
    seconds = facts["stem_samples"] / rate_hz * facts["send_speed"]
    # Found at the tape's own speed, whatever factor the capture plays at: a stem sent faster strays further in its own time.
    in_song = facts["send_speed"]
    jumps = [
        {"at_s": to_stem(jump.at_s), "by_us": jump.by_us * in_song, "kind": jump.kind}
        for jump in found.jumps
        if 0 < to_stem(jump.at_s) < seconds
    ]
    spans_s = [
        [max(0.0, to_stem(a)), min(seconds, to_stem(b))] for a, b in found.spans if to_stem(b) > 0 and to_stem(a) < seconds
    ]
    values = {
        "residual_rms_us": found.residual_rms_us * in_song,
        "residual_expected_us": found.residual_expected_us * in_song,
        "offset_sigma_us": found.offset_sigma_us * in_song,
        "sigma_inflation": found.inflation,
        "explained_share": found.explained,
        "anchored_by": found.anchored_by,
        "jumps": jumps,
        "spans_s": spans_s,
        **_flutter(found.flutter, factor),
    }
    heard_s = sum(b - a for a, b in spans_s)
    if heard_s < _least_heard_s(facts):
        between = "Between the clicks" if straight else "In the capture"
        raise WrongMusic(f"{between} only {heard_s:.1f} s of the stem's music are to be found.", _CHECK)
    return FollowedReturn(sent_map, found.polarity, values, _flags(straight, placed, factor, jumps, spans_s, seconds))


def _flutter(flutter, factor):
    """Wow and flutter for alignment.json; the mean speed itself is the whole map's."""
    if flutter is None:
        return {}
    values = flutter.values()
    del values["speed_percent"]
    return {name: value / factor if name.endswith("_us") else value for name, value in values.items()}


def _followed_at(laying, placed, straight):
    """(Followed, factor): at the clicks' factor, or without clicks at the first factor at which the music is found."""
    from bounceproof.follow import Return, Sent, follow_prepared

    rate_hz = laying.facts["sample_rate_hz"]
    spans, best = click_spans(laying.facts), (-1.0, None, placed.factor)

    def came_back(factor):
        return Return(laying.capture.taken, laying.rate_hz / factor)

    @cache
    def was_sent():
        return Sent(laying.sent.taken, rate_hz)

    for factor in (placed.factor,) if straight else FACTORS:
        back, sent = at_once.together(partial(came_back, factor), was_sent)
        found = follow_prepared(
            sent,
            back,
            straight and first_guess(straight, placed, laying.facts),
            surest_s=_surest_s(placed, laying.facts),
            click_spans=spans,
            unheard=[span for span, hit in zip(spans, (placed.start, placed.end), strict=True) if not hit],
            polarity=placed.polarity,
            speed_search_percent=laying.settings["speed_search_percent"] if factor == placed.factor else _FACTOR_SEARCH_PERCENT,
        )
        heard_s = sum(b - a for a, b in found.spans) * laying.facts["send_speed"]
        best = max(best, (heard_s, found, factor), key=lambda one: one[0])
        if found.ambiguous or found.missing:
            return found, factor
        if heard_s >= _least_heard_s(laying.facts) or laying.holds_nothing(placed):
            break
    return best[1:]


def _least_heard_s(facts):
    """So much of the stem (s) has to be heard in a capture for it to be laid."""
    return min(LEAST_OVERLAP_S, 0.5 * facts["stem_samples"] / facts["sample_rate_hz"] * facts["send_speed"])


def _why_not(found):
    """Why the music was not found: blocks of the capture missing, several places alike, or another sound altogether."""
    if found.missing > 0.02:
        return CannotPlace(
            f"Capture incomplete: about {100 * found.missing:.0f} % missing, in many pieces.",
            "The computer lost blocks while recording: use a larger buffer or one input alone, and capture it again.",
        )
    return WrongMusic(found.reason, _CHECK)


def _flags(straight, placed, factor, jumps, spans_s, seconds):
    """What a person should know, as (word, hint, what to do)."""
    flags = []
    if straight is None:
        flags.append(
            (
                "no clicks",
                "No click was found: it was aligned from its music alone.",
                "Capture the whole transfer, clicks included.",
            )
        )
    if factor != placed.factor:
        flags.append(
            (
                "wrong speed",
                f"Played at {FACTOR_WORDS[factor]}; it is used, but what lay beyond the capture's band is lost.",
                "Set the machine's speed and capture it again.",
            )
        )
    flags += [
        _jump_flag(kind, [one for one in jumps if one["kind"] == kind]) for kind in dict.fromkeys(one["kind"] for one in jumps)
    ]
    lost = _lost_inside(spans_s, seconds)
    if lost:
        where = ", ".join(f"{a:.1f} to {b:.1f} s" for a, b in lost[:5])
        flags.append(
            (
                "music lost",
                f"Nothing of the music came back from {where}; that stays silent.",
                "Listen there, and capture it again.",
            )
        )
    return flags


def _jump_flag(kind, some):
    where = ", ".join(f"{one['at_s']:.2f} s ({one['by_us'] / 1e3:+.1f} ms)" for one in some[:8])
    more = f" and {len(some) - 8} more" if len(some) > 8 else ""
    words, what_to_do = _JUMP_WORDS[kind]
    return kind, f"{words} at {where}{more}; followed.", what_to_do


def _lost_inside(spans_s, seconds):
    """Stretches of half a second or more between the spans, or before or after them."""
    edges = [0.0, *(edge for span in spans_s for edge in span), seconds]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 0.5]


def _surest_s(placed, facts):
    """The sent times of the clicks that were found, the start's first; the capture's start where there are none."""
    end_s = facts["end_click_sample"] / facts["sample_rate_hz"]
    return (*((0.0,) if placed.start or not placed.end else ()), *((end_s,) if placed.end else ()))


def first_guess(straight, placed, facts):
    """The map through the clicks, beside each at the speed that it shows itself where the mean is another."""
    from bounceproof.timemap import TimeMap

    straight, rate_hz = slowed(straight, placed.factor), facts["sample_rate_hz"]
    clicks = [(hit, facts[f"{end}_click_sample"] / rate_hz) for end, hit in (("start", placed.start), ("end", placed.end)) if hit]
    speeds = [hit.speed_ratio / placed.factor for hit, _ in clicks]
    if len(clicks) < 2 or all(abs(speed / straight.mean_speed_ratio - 1) < _CLICK_SPEED for speed in speeds):
        return straight
    (start_s, there_s), (end_s, back_s) = ((at_s, hit.instant_s * placed.factor) for hit, at_s in clicks)
    if end_s - start_s < 2 * _BESIDE_S or there_s + _BESIDE_S / speeds[0] > back_s - _BESIDE_S / speeds[1]:
        return straight
    beside = ((start_s, there_s, speeds[0]), (end_s, back_s, speeds[1]))
    knots = [(at_s + by_s, lies_s + by_s / speed) for at_s, lies_s, speed in beside for by_s in (-_BESIDE_S, _BESIDE_S)]
    return TimeMap(*zip(*knots, strict=True), 0.0)


def click_spans(facts):
    """(first, last, reference) samples of the clicks' sweeps in the transfer; the edge is for the eye."""
    rate_hz = facts["sample_rate_hz"]
    before, after = round(CLICK_BEFORE_S * rate_hz), round((0.24 - SWEEP_S / 2) * rate_hz)
    return [(ref - before, ref + after, ref) for ref in (facts["start_click_sample"], facts["end_click_sample"])]
