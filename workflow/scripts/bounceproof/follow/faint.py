"""Faint stretches looked at again: where the music lies under the hiss, and the rest says too little, the nearest agreement of
the high bands need not be the right one.

Conventions: shifts in us of return time about the present map, positive = the return lies later. Method: as `settle`, with the
noise and the gain as they are known by now, and in blocks so short (8 ms) that a machine which wanders does not smear
the agreement of several periods of the music; the blocks' likelihoods are joined along time by dynamic programming.
"""

import numpy as np
from scipy import fft

from bounceproof import at_once
from bounceproof.runs import runs

from . import smoother, sweep
from .learn import start_steps
from .material import BIN, BIN_S, WORK_HZ, blocks
from .settle import LAG_US, correlated, likely_lags

# Samples of a block, and by how many the map is looked for to both sides.
STEP, REACH = 128, 48
# Further (us) than this, or so many standard deviations of what the rest expects, it lies only if there was a jump: the evidence
# (nats) that this has to gain.
NEAR_US, NEAR_SIGMAS, LEAST_LEAP_GAIN = 1000.0, 6.0, 60.0
STEP_BINS = STEP // BIN
# Faint: less of the music explained than this share of what is left over, over so many bins.
EXPLAINED, NEARBY_BINS = 0.5, 17
# Where the rest knows the map as well as this, no other agreement is near enough to be taken for it.
KNOWN_US = 60.0
# Bins that say less than this share of the median one that is not faint are silence.
LEAST_SHARE = 1e-5
# What was led astray together with a faint stretch lies within so many steps of it; what knows better holds itself.
ROOM_STEPS = 10
# Off by less than this, the steps find it themselves; and the evidence (nats) a stretch has to gain by moving.
LEAST_US, LEAST_GAIN = 70.0, 5.0
# The likelihood (nats) that holds a block far from the faint stretches where it is.
HELD = 1e4


def look_again(there, x_us, z_us, model, extra, *, nearby=True, leaps=False):
    """(correction of the map, us per bin, 0 where it stays, or None where it stays throughout; whether it is one of leaps).

    there: where and how the Pass `there.seen` was made; x_us: the map now, z_us: what each bin of that pass says of it about its
    slow course; nearby: look as far as the rest allows; leaps: where nothing is found there look further, as after a jump.
    """
    if not (nearby or leaps):
        return None, False
    unsure, rest_sd_us = _unsure(z_us, there.seen, model, extra)
    firsts = np.arange(0, unsure.size, STEP_BINS)
    asked = np.add.reduceat(unsure, firsts) > 0
    if not asked.any():
        return None, False
    steps, score = _scores(there, x_us, asked)
    lags_us = LAG_US * (np.arange(score.shape[1]) - score.shape[1] // 2)
    reach_us = np.maximum(NEAR_US, NEAR_SIGMAS * np.maximum.reduceat(rest_sd_us, firsts))[steps]
    found_us, leapt = np.zeros(steps.size), False
    if nearby:
        found_us, _ = _moves(np.where(np.abs(lags_us) <= reach_us[:, None], score, -np.inf), model)
    if leaps and not found_us.any():
        found_us, leapt = _leaps(*_moves(score, model), reach_us), True
    if not found_us.any():
        return None, False
    middles, shifts_us = (np.arange(asked.size) + 0.5) * STEP_BINS - 0.5, np.zeros(asked.size)
    shifts_us[steps] = found_us
    return np.interp(np.arange(x_us.size), middles, shifts_us), leapt


def _scores(there, x_us, asked):
    """(steps, the likelihood, nats, of each shift for each of them): those asked for with some beside them, and one more on both
    sides of each stretch, which is held where it is, as are all that are left out.
    """
    from scipy.ndimage import binary_dilation

    from .estimate import knots

    asked = binary_dilation(asked, iterations=ROOM_STEPS)
    steps = np.flatnonzero(binary_dilation(asked))
    along = knots(there.line, x_us)
    score = np.zeros((steps.size, 4 * REACH + 1))
    score[:, score.shape[1] // 2] = HELD

    def ask(block):
        first, last = block[0] // STEP, block[1] // STEP
        inside = np.flatnonzero(asked[first:last])
        if inside.size:
            score[np.searchsorted(steps, first + inside)] = _likelihoods(there, along, block, inside)

    at_once.each(ask, blocks(there.sent.samples.size))
    return steps, score


def _moves(score, model):
    """(the most likely shift of each step, us, where that is worth it; what is gained by it, nats)."""
    shifts_us, found = likely_lags(score, model.unsteady_ppm * STEP / WORK_HZ)
    gained = found - score[:, score.shape[1] // 2]
    for first, last in runs(shifts_us != 0):
        if np.abs(shifts_us[first:last]).max() < LEAST_US or gained[first:last].sum() < LEAST_GAIN:
            shifts_us[first:last] = gained[first:last] = 0.0
    return shifts_us, gained


def _leaps(shifts_us, gained, reach_us):
    """The shifts of those stretches alone that gain enough where they lie further off than their rest allows."""
    beyond = np.abs(shifts_us) > reach_us
    for first, last in runs(shifts_us != 0):
        if np.sum(gained[first:last][beyond[first:last]]) < LEAST_LEAP_GAIN:
            shifts_us[first:last] = 0.0
    return shifts_us


def _unsure(z_us, seen, model, extra):
    """(the bins that play, faintly, and where the others leave the map unsure; its standard deviation by the others, us)."""
    from scipy.ndimage import uniform_filter1d

    explained, left = (uniform_filter1d(one, NEARBY_BINS, mode="nearest") for one in (seen.explained, seen.left_over))
    faint = (explained < EXPLAINED * left) & (seen.info > 0)
    loud = seen.info[(seen.info > 0) & ~faint]
    if not faint.any() or not loud.size:
        return np.zeros(faint.size, bool), np.zeros(faint.size)
    faint &= seen.info > LEAST_SHARE * np.median(loud)
    rest = smoother.smooth(z_us, np.where(faint, 0.0, seen.info), start_steps(model, BIN_S), extra=extra)
    return faint & (rest.variance > KNOWN_US**2), np.sqrt(rest.variance)


def _likelihoods(there, along, block, inside):
    """Log-likelihood (nats, up to a constant) of each shift for some steps (numbers) of a block: (steps, shifts)."""
    first, _, start, _ = block
    white = sweep.whitened(there, along, block)
    starts = first - start + STEP * inside
    model = np.lib.stride_tricks.sliding_window_view(white.model, STEP)[starts]
    heard = np.lib.stride_tricks.sliding_window_view(white.error + white.model, STEP + 2 * REACH)[starts - REACH]
    alike = correlated(model, heard, fft.next_fast_len(STEP + 2 * REACH, real=True), 4 * REACH + 1)
    return alike - 0.5 * np.sum(model**2, axis=1)[:, None]
