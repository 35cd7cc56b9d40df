"""A level control's ride: the gain that the machine gave the music before its filters, bin by bin.

Conventions: gains are natural logarithms (1 = 8.7 dB), one per bin of 2 ms; only their differences count, the rest is the
response's. A level control falls within some ms, too fast for the smooth gain of `sweep`, and puts edges on the music that the
machine's filters then ring to: so the gain goes onto what was sent. First from the energies alone, which no small error of the
map disturbs; then, in `sweep`'s passes, from how much of the music is left over. Method: total variation (L. Rudin, S. Osher
and E. Fatemi, Physica D 60 (1992) 259), which leaves steps as steps, by reweighted least squares.
"""

import numpy as np

from bounceproof import at_once
from bounceproof.spectra import spectral_matrix

from . import fields
from .material import BIN, WORK_HZ, blocks

# Less than this (energy-weighted standard deviation) is no level control but a response that is not known well: simulated
# returns without one reach .14, overloaded ones too, those with one .33 to 1.3.
LEAST_RIDE = 0.22
# Price of a change of gain (nats per unit), and the change below which it is quadratic.
PRICE, SMALL = 4.0, 0.02
ROUNDS = 16
# A level control lets go by no more than this in a bin; how firmly that is held.
MOST_RISE, RIGID = 0.06, 1e5
# How firmly a bin that tells nothing keeps its gain from one round to the next.
LEAST_TRUST = 1e-3
# The machine's gain by frequency is taken from what was sent as it was ridden, so often.
LOUDNESS_ROUNDS = 2
# How well energies of the same music can agree, and energies must stand so far above the floor to say something.
ENERGY_SD, LEAST_SNR = 0.2, 3.0
# The most that one pass may change a gain.
MOST_CHANGE = 0.7
FLOOR_PERCENTILE = 2
# Phase (radians) that a ride not known well leaves in doubt, and the frequency of music whose periods it no longer follows.
DOUBT_RADIANS, RIPPLE_HZ = 0.0027, 250.0
# What lies lower is no music: a stem's own offset, wandering.
LOWEST_HZ = 20.0
LONG_FRAME = 8192
SMOOTHED_BINS, FLOOR_BINS = 3, 10


def first(sent, back, knots_u):
    """The gain of each bin by energies, or None where there is no level control."""
    gain, ride = _by_energies(sent, sent, back, knots_u)
    if ride < LEAST_RIDE:
        return None
    for _ in range(LOUDNESS_ROUNDS):
        gain, _ = _by_energies(sent.ridden(gain), sent, back, knots_u)
    return gain


def _by_energies(ridden, sent, back, knots_u):
    """(the gain of each bin, its energy-weighted standard deviation) with the machine's loudness as `ridden` has it."""
    own, came = _spectra(ridden, back, knots_u)
    heard, model = _energies(sent, back, knots_u, np.sqrt(came / own))
    floor = _floor(heard)
    heard, model = _running(heard, SMOOTHED_BINS), _running(model, SMOOTHED_BINS)
    above = np.maximum(heard / floor - 1, 0.0)
    told = (above > LEAST_SNR) & (model > 1e-7 * model.max())
    if np.count_nonzero(told) < 2:
        return np.zeros(sent.bins), 0.0
    gain = 0.5 * np.log(np.maximum(heard - floor, 0.05 * floor) / (model + 1e-9 * model.max()))
    trust = np.where(told, (above / (1 + above)) ** 2, 0.0) / ENERGY_SD**2
    found = smoothed(gain, trust)
    weight = np.where(told, heard, 0.0)
    mean = np.average(found, weights=weight)
    ride = np.sqrt(np.average((found - mean) ** 2, weights=weight))
    return found - mean, ride


def refined(gain, seen):
    """The gain after a pass (with its gain_score and gain_info) over what was sent with that gain."""
    info = seen.gain_info.copy()
    info[0, 0] = 0.0
    told = info[1] * gain + info[0] * np.r_[0.0, gain[:-1]] + np.r_[info[0, 1:] * gain[1:], 0.0] + seen.gain_score
    found = _of_least_variation(told, info, gain)
    return np.clip(found, gain - MOST_CHANGE, gain + MOST_CHANGE)


def constant_doubt_us(sent, seen):
    """Standard deviation of what a ride does to the constant between music and clicks, beyond what any noise shows.

    Within the periods of low notes the gain goes up and down, and moves the phase of what lies above them. Both numbers are set
    by simulated returns of pocket machines: a bass strays by 4.5 us, other music by .2 to .9. seen: a Pass.
    """
    found = spectral_matrix([sent.samples], WORK_HZ, segment=LONG_FRAME)
    music = found.freq_hz >= LOWEST_HZ
    power = found.power(0)[music]
    period_s = np.sum(power / found.freq_hz[music]) / max(np.sum(power), 1e-30)
    per_us = np.sqrt(np.sum(seen.info) / max(np.sum(seen.explained), 1e-30))
    return DOUBT_RADIANS * (1 + (RIPPLE_HZ * period_s) ** 2) / max(per_us, 1e-6)


def smoothed(gain, trust):
    """The gain of least total variation that agrees with `gain`, each bin of it trusted so far (1 / variance)."""
    return _of_least_variation(trust * gain, np.array([np.zeros(gain.size), trust]), gain)


def _of_least_variation(told, info, start):
    """The gain that agrees with the normal equations (banded `info`, right side `told`), nowhere rises faster than a level
    control lets go, and otherwise moves least."""
    from scipy.linalg import solveh_banded

    if not info[1].any():
        return start
    least = max(1e-6 * info[1].max(), LEAST_TRUST)
    out = np.full(told.size, np.average(start, weights=info[1] + least))
    stiff, above = np.full(told.size - 1, PRICE), np.zeros(told.size - 1)
    for _ in range(ROUNDS):
        band = info.copy()
        band[1] += least
        band[1, :-1] += stiff
        band[1, 1:] += stiff
        band[0, 1:] -= stiff
        right = told + least * out
        right[1:] += stiff * above
        right[:-1] -= stiff * above
        out = solveh_banded(band, right)
        change = np.diff(out)
        # One that is held but would rather rise less lies a hair below, and is let go.
        fast = change > MOST_RISE
        above = np.where(fast, MOST_RISE, 0.0)
        stiff = np.where(fast, np.maximum(stiff, RIGID), PRICE / np.maximum(np.abs(change), SMALL))
    return out


def _spectra(sent, back, knots_u):
    """Mean power of what was sent and of the return read through the map, per band of `fields`."""

    def part(block):
        first_, last, start, stop = block
        both = sent.block(start, stop), back.through(knots_u, start, stop)
        return [np.sum(fields.power(fields.framed(one[first_ - start : last - start])), axis=0) for one in both]

    own, came = np.zeros(fields.BANDS), np.zeros(fields.BANDS)
    for both in at_once.each(part, blocks(sent.samples.size)):
        own += both[0]
        came += both[1]
    return [np.convolve(one, np.ones(5) / 5, mode="same") + 1e-9 * one.max() + 1e-30 for one in (own, came)]


def _energies(sent, back, knots_u, loudness):
    """Energy of each bin in the return read through the map, and in what was sent with the machine's gain at each frequency."""
    heard, model = np.zeros(sent.bins), np.zeros(sent.bins)

    def part(block):
        first_, last, start, stop = block
        read = back.through(knots_u, start, stop)
        made = fields.joined(fields.framed(sent.block(start, stop)) * (fields.IN_BAND * loudness).astype(np.float32))
        where = slice(first_ // BIN, last // BIN)
        heard[where], model[where] = (_in_bins(one[first_ - start : last - start]) for one in (read, made))

    at_once.each(part, blocks(sent.samples.size))
    return heard, model


def _in_bins(samples):
    return np.sum(samples.reshape(-1, BIN).astype(np.float64) ** 2, axis=1)


def _floor(heard):
    """What the return holds where the stem is silent: a low percentile of its running energy, where there is any."""
    running = _running(heard, FLOOR_BINS)
    return max(float(np.percentile(running[running > 0], FLOOR_PERCENTILE)) if running.any() else 0.0, 1e-30)


def _running(values, width):
    return np.convolve(values, np.ones(width) / width, mode="same")
