"""The stem followed through its return, as far as laying needs it.

Conventions: as in lay.py; sent_map goes from sent time to return time.
"""

from typing import NamedTuple

from bounceproof.aligning.draft import CannotPlace
from bounceproof.aligning.maps import slowed
from bounceproof.clicks import SWEEP_S
from bounceproof.transfers import CLICK_BEFORE_S


class FollowedReturn(NamedTuple):
    """sent_map: TimeMap; polarity; values for alignment.json; flags: (word, hint, what to do or None)."""

    sent_map: object
    polarity: int
    values: dict
    flags: list


def follow_return(laying, placed, straight):
    """Follow the transfer through the return. straight: the map through the clicks, or None. Raises CannotPlace."""
    from bounceproof.follow import follow

    facts, rate_hz = laying.facts, laying.facts["sample_rate_hz"]
    found = follow(
        laying.sent,
        laying.samples,
        rate_hz,
        straight and slowed(straight, placed.factor),
        capture_rate_hz=laying.rate_hz / placed.factor,
        click_spans=click_spans(facts),
        band_hz=laying.band_hz,
        speed_search_percent=laying.settings["speed_search_percent"],
    )
    if found.time_map is None:
        raise CannotPlace(found.reason, "Check that this is the return of this track, whole, and capture it again.")
    values = {
        "residual_rms_us": found.residual_rms_us / placed.factor,
        "residual_expected_us": found.residual_expected_us / placed.factor,
        "offset_sigma_us": found.offset_sigma_us / placed.factor,
        "sigma_inflation": found.inflation,
        "anchored_by": found.anchored_by,
        "jumps": [jump.__dict__ for jump in found.jumps],
        "spans_s": [list(span) for span in found.spans],
    }
    flags = [
        ("no clicks", "No click was found: it was aligned from its music alone.", "Capture the whole transfer, clicks included.")
    ]
    return FollowedReturn(slowed(found.time_map, 1 / placed.factor), found.polarity, values, [] if straight else flags)


def click_spans(facts):
    """(first, last, reference) samples of the clicks' sweeps in the transfer; the edge is for the eye."""
    rate_hz = facts["sample_rate_hz"]
    before, after = round(CLICK_BEFORE_S * rate_hz), round((0.24 - SWEEP_S / 2) * rate_hz)
    return [(ref - before, ref + after, ref) for ref in (facts["start_click_sample"], facts["end_click_sample"])]
