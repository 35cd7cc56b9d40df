"""Jumps that only a followed map shows: too small for the coarse path, or taken for more than they are.

Conventions: as in `jumps`; maps in us about the estimate's line, per bin. Where loud music is hardly explained by a map that
serves on both sides, two maps, each made of what one side alone says and carried on by the learned speed process, are tried
against it, changed over at one instant. The same tells whether a stretch that the coarse path gave up was a mere slip. In a
rest no music tells: there the two maps themselves have to lie further apart than the speed process allows.
"""

import itertools
from typing import NamedTuple

import numpy as np

from . import abreast, jumps, learn, slips, smoother
from .material import BIN_S, bin_times

# What is explained is looked at over so many bins.
SEEN_BINS = 32
# Where less than the one share of the usual one is explained, out to where more than the other is and so many bins beyond.
POOR_SHARE, WELL_SHARE, EDGE_BINS = 0.25, 0.5, 40
# So many bins on both sides tell; so many stretches at most are looked at, none longer than that.
ROOM_BINS, MOST_STRETCHES, LONGEST_BINS = 2000, 4, 750
# Two maps have to explain so much more (share of the usual), and lie so far apart.
LEAST_GAINED, LEAST_US = 0.3, 500.0
# A rest: bins that each tell less than this share of the most telling one, for so many steps of slips.POOL bins.
REST_SHARE, REST_STEPS = 1e-4, 25
# The music after a rest lies so many standard deviations from where that before it leads: worth a look; from both sides: a jump.
LOOK_SIGMAS, JUMP_SIGMAS = 4.0, 6.0


class Suspect(NamedTuple):
    """A stretch of bins first .. last, and the wide event that it is so far (or None)."""

    event: object
    first: int
    last: int


def overlooked(finder, found, events, base_us, power):
    """(events, map about the line) with what was overlooked, or None where that is nothing.

    found: an Estimate; events: known so far; base_us: the slow course it was made about; power: of the music in each bin, 0
    where it is too soft or is not to be looked at.
    """
    t, kept, x_us = bin_times(found.x_us.size), list(events), found.x_us.copy()
    wide = [Suspect(one, *_bins_of(one, t)) for one in events if one.wide and abs(one.by_us) < jumps.MOST_SLIP_US]
    for suspect in [*wide, *_unexplained(power, _share(found))]:
        others = [one for one in kept if one is not suspect.event]
        if any(one.first_s - jumps.DATE_S < t[suspect.last] and one.last_s + jumps.DATE_S > t[suspect.first] for one in others):
            continue
        event, near, maps = _as_one_cut(finder, found, suspect, others, base_us, t)
        if event is not None:
            kept = [*others, event]
            _change_over(x_us, suspect, event, near, maps, t)
    for rest in _leapt_over(found, kept, base_us):
        event, near, maps = _as_rest(found, rest, kept, base_us, t)
        if event is not None:
            kept = [*kept, event]
            _change_over(x_us, rest, event, near, maps, t)
    return None if kept == list(events) else (sorted(kept, key=lambda one: one.first_s), x_us)


def _change_over(x_us, suspect, event, near, maps, t):
    """Have the map follow that of one side up to the event's middle and that of the other from there, within the stretch."""
    within = slice(suspect.first - near.start, suspect.last - near.start)
    x_us[suspect.first : suspect.last] = np.where(t[near] < event.middle_s, *maps)[within]


def needed(found, events, base_us):
    """Those of the events without which the measurements would be less likely by more than jumps.EVENT_PRICE.

    found: an Estimate made with them. A wide one is always needed: no measurement lies in it.
    """
    z_us, steps, bins = found.z_us - base_us, learn.start_steps(found.model, BIN_S), found.x_us.size
    some = [events, *([one for one in events if one is not event] for event in events)]
    whole, *without = abreast.log_likelihoods([(z_us, found.info, steps, jumps.extra(those, bins)) for those in some])
    return [event for event, less in zip(events, without, strict=True) if event.wide or whole - less > jumps.EVENT_PRICE]


def _as_one_cut(finder, found, suspect, others, base_us, t):
    """(event, bins about it, maps of its two sides) if two maps, changed over at one instant, explain the stretch; event None
    if they do not."""
    near = _near(suspect, others, t)
    here = t[near]
    counts = here < t[suspect.first], here > t[suspect.last]
    if not all(np.any(found.info[near][side] > 0) for side in counts):
        return None, near, None
    maps = [_alone(found, near, side, base_us).mean_us for side in counts]

    def absolute(x_us):
        return lambda at: found.line[0] + found.line[1] * at + 1e-6 * np.interp(at, here, x_us)

    sides, stretch = [absolute(one) for one in maps], jumps.Event(t[suspect.first], t[suspect.last], 0.0, 0.0, wide=True)
    event = jumps.dated(finder, sides, stretch, exact=True)
    right = not event.wide and abs(event.by_us) > LEAST_US
    if right and suspect.event is None:
        right = jumps.gained(finder, sides, absolute(found.x_us[near]), stretch, event.middle_s) > LEAST_GAINED
    return event if right else None, near, maps


def _leapt_over(found, events, base_us):
    """The rests (Suspect) after which the music lies elsewhere than that before them leads."""
    extra = jumps.extra(events, found.x_us.size)
    _, z_us, info = slips.pooled(found.x_us, found.z_us - base_us, found.info)
    info = np.where(info > REST_SHARE * info.max(initial=0.0), info, 0.0)
    ahead = smoother.surprises(z_us, info, learn.start_steps(found.model, BIN_S * slips.POOL), extra=slips.sooner(extra))
    telling = np.flatnonzero(info)
    for before, after in itertools.pairwise(telling):
        away_us, sd_us = abs(ahead.surprise[after]), np.sqrt(ahead.innovation[after])
        if after - before > REST_STEPS and away_us > max(LEAST_US, LOOK_SIGMAS * sd_us):
            yield Suspect(None, int(before + 1) * slips.POOL, int(after) * slips.POOL)


def _as_rest(found, rest, others, base_us, t):
    """(event, bins about it, maps of its two sides) if what the two sides of a rest say does not meet in its middle; event None
    if it does."""
    near, middle = _near(rest, others, t), (rest.first + rest.last) // 2
    telling = found.info[near] > REST_SHARE * found.info.max()
    counts = telling & (t[near] < t[rest.first]), telling & (t[near] > t[rest.last])
    if any(t[rest.first] < one.last_s and t[rest.last] > one.first_s for one in others) or not all(map(np.any, counts)):
        return None, near, None
    sides = [_alone(found, near, side, base_us) for side in counts]
    one, other = ((side.mean_us[middle - near.start], side.variance[middle - near.start]) for side in sides)
    by_us, sd_us = float(other[0] - one[0]), np.sqrt(one[1] + other[1])
    event = jumps.Event(t[middle] - jumps.SLIP_S / 2, t[middle] + jumps.SLIP_S / 2, by_us, 0.0)
    return event if abs(by_us) > max(LEAST_US, JUMP_SIGMAS * sd_us) else None, near, [side.mean_us for side in sides]


def _near(suspect, others, t):
    """The bins (slice) about a stretch, as far as it reaches to both sides without another event."""
    known = np.searchsorted(t, [one.middle_s for one in others])
    return slice(
        max([0, suspect.first - ROOM_BINS, *known[known < suspect.first]]),
        min([t.size, suspect.last + ROOM_BINS, *known[known > suspect.last]]),
    )


def _alone(found, near, counts, base_us):
    """The map in a slice of bins by what those that count (bool) say alone, carried on by the learned speed process."""
    z_us, info = (found.z_us - base_us)[near], np.where(counts, found.info[near], 0.0)
    middle_us = np.average(z_us, weights=info)
    steps = learn.start_steps(found.model, BIN_S)
    smoothed = smoother.smooth(z_us - middle_us, info, steps)
    return smoothed._replace(mean_us=smoothed.mean_us + middle_us + (base_us + np.zeros(found.x_us.size))[near])


def _share(found):
    """Share of the music's energy about each bin that the map explains."""
    from scipy.ndimage import uniform_filter1d

    explained, left_over = (uniform_filter1d(one, SEEN_BINS) for one in (found.explained, found.left_over))
    return explained / np.maximum(explained + left_over, 1e-30)


def _bins_of(event, t):
    first, last = np.searchsorted(t, [event.first_s, event.last_s])
    return max(1, first - EDGE_BINS), min(last + EDGE_BINS, t.size - 2)


def _unexplained(power, share):
    """The stretches (Suspect) of music of which hardly anything is explained, the loudest first."""
    loud = power > 0
    usual = np.median(share[loud]) if loud.any() else 0.0
    missed, well = loud & (share < POOR_SHARE * usual), np.flatnonzero(loud & (share > WELL_SHARE * usual))
    place = np.searchsorted(well, np.flatnonzero(missed))
    place = np.unique(place[(place > 0) & (place < well.size)])
    stretches = [Suspect(None, max(1, int(well[k - 1]) - EDGE_BINS), min(int(well[k]) + EDGE_BINS, loud.size - 2)) for k in place]
    short = [one for one in stretches if one.last - one.first < LONGEST_BINS]
    energy = np.concatenate(([0.0], np.cumsum(power * missed)))
    return sorted(short, key=lambda one: energy[one.first] - energy[one.last])[:MOST_STRETCHES]
