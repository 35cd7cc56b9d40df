"""The measures that rest on what the stem explains of its return, in the order they need each other.

Conventions: as in `explained`. They hold only where the alignment left little timing error: two clicks alone leave milliseconds.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import at_once
from bounceproof.condition import dropouts as losses
from bounceproof.condition import history as histories
from bounceproof.condition import ride as rides
from bounceproof.condition import unexplained as rests
from bounceproof.condition.beside import beside_law
from bounceproof.condition.explained import Explained, explain, ridden
from bounceproof.condition.overload import measure_overload
from bounceproof.sliced import Sliced

# Phase error (rad) in the middle of the band up to which the stem still explains the return.
_STEADY_RAD = 0.3
# Response and ride mend each other by about half their error each time.
_MOST_ROUNDS = 8
# What the gain does beside its law hides in the noise that it is told from: some rounds part the two.
_ROUNDS_BESIDE = 3
# A return of whose power the stem leaves this share open, beside the hiss, is not laid where the alignment says, or is another's.
_MISFIT = 0.25


class Story(NamedTuple):
    """explained: with the ride on; ride; dropouts: list; unexplained: Unexplained or None; overload, history, highs: dict or
    None; foreign: what was found, or None.
    """

    explained: Explained
    ride: rides.Ride
    dropouts: list
    unexplained: rests.Unexplained | None
    overload: dict | None
    history: dict | None
    highs: dict | None
    foreign: list | None


def steady(timing_us, band_hz):
    """Whether the timing error left (rms, None if unknown) is small enough for these measures."""
    return timing_us is not None and 2e-6 * np.pi * np.sqrt(max(band_hz[0], 50.0) * band_hz[1]) * timing_us < _STEADY_RAD


def tell(stem, aligned, both, rate_hz, *, hiss_powers, bands, band_hz, timing_us, foreign_in):
    """The Story of a return, or None where its timing error is unknown or too large, where nothing is expected, or where the
    stem does not explain the return.

    both: SpectralMatrix of stem and return; hiss_powers: hiss of the silences per band; foreign_in: what to call for the
    foreign sounds in an Explained with its ride on.
    """
    if not steady(timing_us, band_hz):
        return None
    explained = explain(stem, aligned, both, rate_hz, high_hz=band_hz[1])
    if not explained.own.any():
        return None
    reach = np.array([band.high_hz < 0.45 * explained.rate_hz for band in bands])
    hiss = max(float(hiss_powers[reach].sum()), 1e-14)
    noise = explained.noise_per_sample(hiss)
    if noise[1] > _MISFIT:
        return None
    found = losses.find_dropouts(explained, noise)
    heard_db = rides.heard_peaks_db(stem, rate_hz, explained)
    ride = rides.measure_ride(explained, rides.by_samples(explained, np.ones(len(heard_db))), noise, found, heard_db)
    history = histories.level_history(explained, noise)
    if ride.found:
        explained, ride, found = _with_the_ride(explained, ride, hiss, heard_db)
    gain = rides.ride_samples(explained, ride)
    gain_sd = rides.by_samples(explained, ride.gain_sd) if ride.gain_sd.any() else None
    doubts = {"timing_us": timing_us, "gain_sd": gain_sd}
    noise = explained.noise_per_sample(hiss)
    sent = Sliced(len(explained.stem), lambda first, last: explained.stem[first:last] * gain[first:last])
    foreign, rest, overload, highs = at_once.together(
        lambda: foreign_in(explained),
        lambda: rests.measure_unexplained(explained, sent, bands, band_hz, hiss_powers, noise, found, **doubts),
        lambda: measure_overload(explained, stem, rate_hz, explained.taps, gain, found),
        lambda: histories.highs(explained, band_hz),
    )
    return Story(explained, ride, found, rest, overload, history, highs, foreign)


def _with_the_ride(explained, ride, hiss, heard_db):
    """(Explained with the ride on, the ride measured against it, dropouts): response and ride mend each other.

    A deep ride looks like dropouts until it is laid on, so these are looked for anew each time.
    """
    for _ in range(_MOST_ROUNDS):
        gain = rides.ride_samples(explained, ride)
        explained = ridden(explained, gain)
        noise = explained.noise_per_sample(hiss)
        again = rides.measure_ride(explained, gain, noise, losses.find_dropouts(explained, noise), heard_db, law=ride.law)
        if not again.found:
            break
        settled = rides.same_law(ride.law, again.law)
        ride = again
        if settled:
            break
    explained = ridden(explained, rides.ride_samples(explained, ride))
    return _beside_its_law(explained, ride, hiss)


def _beside_its_law(explained, law_ride, hiss):
    """(Explained, ride, dropouts) of an Explained with a ride by its law on: with what the gain does beside that law."""
    ride, before_np = law_ride, np.zeros(len(explained.own))
    for _ in range(_ROUNDS_BESIDE):
        noise = explained.noise_per_sample(hiss)
        found = losses.find_dropouts(explained, noise)
        beside = beside_law(explained, noise, rides.within(found, len(explained.own), explained.cell_s), before_np)
        if beside is None:
            return explained, ride, found
        ride = rides.beside_its_law(law_ride, beside, explained, noise, found)
        before_np = beside.gain_np
        explained = ridden(explained, rides.ride_samples(explained, ride))
    return explained, ride, losses.find_dropouts(explained, explained.noise_per_sample(hiss))


def story_record(story, hiss, bands, band_hz):
    """Entries of condition.json that rest on the Story; None each where there is none."""
    if story is None:
        return dict.fromkeys(("level_ride", "level_history", "highs", "dropouts", "hiss_under_music", "overload"))
    return {
        "level_ride": story.ride.record(),
        "level_history": story.history,
        "highs": story.highs,
        "dropouts": story.dropouts,
        "overload": story.overload,
        "hiss_under_music": rests.under_music_record(story.unexplained, hiss, bands, band_hz),
    }


def add_under_music(rows, story):
    """The rows of bands.tsv with `hiss_under_music_dbfs` and its sd; empty where it was not measured."""
    rest = None if story is None else story.unexplained
    for k, row in enumerate(rows):
        known = rest is not None and np.isfinite(rest.band_powers[k]) and rest.band_powers[k] > 0
        row["hiss_under_music_dbfs"] = float(10.0 * np.log10(rest.band_powers[k])) if known else None
        row["hiss_under_music_sigma_db"] = float(rest.band_sd_db[k]) if known else None
    return rows
