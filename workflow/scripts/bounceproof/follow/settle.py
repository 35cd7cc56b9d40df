"""Between the coarse path and the fine steps: which cycle is the right one, decided for the whole return at once.

Conventions: lags in us of return time about the present map, positive = the return lies later than the map says. Method:
stem through
the response against the return, both whitened, in windows of 64 ms; the likelihood of each lag (sign included, so that a cycle
counts) is joined along time by dynamic programming, whose optimum is global, as no step along a slope is.
"""

import numpy as np
from scipy import fft

from bounceproof import at_once

from . import fields, response, smoother, speed, spline
from .acquire import _trace, _viterbi
from .material import BIN, HOP, WORK_HZ, blocks

WINDOW, STEP = 1024, 512
REACH_US = 1500.0
LAG_US = 1e6 / (2 * WORK_HZ)
JUMP_PRICE = 20.0
LAG_SD_US = 45.0
# Evidence (nats) that the best of some hundred lags reaches by chance.
CHANCE = 3.0


def settle(sent, back, knots_u, theta, *, speed_sd=0.003, reach_us=REACH_US):
    """Correction of the map to the most likely lags, and its standard deviation, us per bin."""
    machine = response.Machine(theta)
    score = np.concatenate(
        at_once.each(lambda block: _scores(sent, back, knots_u, machine, block, reach_us), blocks(sent.samples.size))
    )
    lags_us, found = likely_lags(score, speed_sd * STEP / WORK_HZ * 1e6)
    return _smoothed(lags_us, found, sent.bins)


def likely_lags(score, change_us):
    """(the most likely lag, us, of each row of `score`, its likelihood there). score: log-likelihoods (nats) of the lags, LAG_US
    apart, the middle one none; change_us: standard deviation of the change from one row to the next.
    """
    stiffness = 0.5 / (change_us / LAG_US) ** 2
    total, came = _viterbi(score, np.zeros(score.shape[1]), stiffness, JUMP_PRICE)
    lags = _trace(total, came)
    return (lags - score.shape[1] // 2) * LAG_US, score[np.arange(len(score)), lags]


def _scores(sent, back, knots_u, machine, block, reach_us):
    """Evidence (nats) of each lag for the windows that start in a block: (windows, lags)."""
    first, last, start, stop = block
    model = machine.model(sent.spectra(start, stop), stop - start)
    heard = back.through(knots_u, start, stop)
    model, heard = _whitened(model, heard)
    reach = int(reach_us / LAG_US / 2)
    size = fft.next_fast_len(WINDOW + 4 * reach, real=True)
    offset = first - start
    starts = offset + np.arange(0, last - first, STEP)
    hann = np.hanning(WINDOW + 2)[1:-1].astype(np.float32)
    stem = np.lib.stride_tricks.sliding_window_view(model, WINDOW)[starts]
    pieces = np.lib.stride_tricks.sliding_window_view(heard, WINDOW + 2 * reach)[starts - reach]
    both = correlated(stem * hann, pieces, size, 4 * reach + 1)
    energy = np.maximum(correlated(hann[None], pieces**2, size, 4 * reach + 1), 0)
    own = np.sum(hann * stem**2, axis=1)[:, None]
    alike = both / np.sqrt(own * energy + 1e-12 * np.mean(own) * np.mean(energy) + 1e-30)
    degrees = _degrees(stem, size)
    loud = own > 1e-6 * own.max()
    evidence = -0.5 * degrees * np.log1p(-np.minimum(alike * np.abs(alike), 0.99)) * (STEP / WINDOW)
    return np.where(loud, evidence, 0.0)


def correlated(short, long, size, lags):
    """Sum of short * long at `lags` places half a sample apart."""
    cross = np.conj(fft.rfft(short, size, axis=1)) * fft.rfft(long, size, axis=1)
    return 2 * fft.irfft(cross, 2 * size, axis=1)[:, :lags]


def _degrees(stem, size):
    power = np.abs(fft.rfft(stem, size, axis=1)) ** 2
    share = power.sum(axis=1) ** 2 / (np.sum(power**2, axis=1) + 1e-30) / power.shape[1]
    return np.clip(share * WINDOW, 4.0, None)[:, None]


def _whitened(model, heard):
    """Both with the noise's usual spectrum evened out."""
    error = fields.framed(heard - model)
    usual = fields.medians(fields.power(error).T) + 1e-7 * np.mean(np.abs(fields.framed(heard)) ** 2) + 1e-30
    weight = fields.IN_BAND / np.sqrt(usual)
    pad = np.zeros(HOP, np.float32)
    out = [fields.joined(fields.framed(one) * weight.astype(np.float32)) for one in (model, heard)]
    return [np.concatenate((one, pad))[: model.size] for one in out]


def _smoothed(lags_us, evidence, bins):
    """The lags as a smooth correction of the map."""
    model = speed.SpeedModel(100.0, (speed.Noise(1500.0, 6.0),))
    steps = speed.discretise(model, STEP / WORK_HZ, position_sd_us=1e3, mean_speed_sd_ppm=1e3)
    trust = np.clip((evidence - CHANCE) / 6, 0, 1) ** 2 / LAG_SD_US**2
    smoothed = smoother.smooth(lags_us, trust, steps)
    places = (np.arange(lags_us.size) * STEP + WINDOW / 2) / BIN
    inside = np.clip(np.arange(bins) + 0.5, places[0], places[-1])
    return spline.through(places, smoothed.mean_us)(inside), np.sqrt(np.interp(inside, places, smoothed.variance))
