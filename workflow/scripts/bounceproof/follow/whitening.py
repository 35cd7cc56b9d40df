"""A stretch of return and model, whitened by what the one leaves of the other.

Conventions: those of `fields` and `sweep`. The real gain of the music through time and frequency (level riding, dropouts, dulled
treble) is taken out first: it cannot move anything in time. What goes through all frames and bands is done in one pass each.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.compiling import compiled

from . import fields
from .material import BIN, HOP, WORK_HZ
from .pieces import padded

NOISE_FRAMES, NOISE_BANDS = 9, 9
GAIN_FRAMES, GAIN_BANDS = 9, 21
TYPICAL_FRAMES, TYPICAL_BANDS = 31, 21
# How far the gain holds to the usual one where the music is faint, and the most it may be.
FAINT, MOST_GAIN = np.float32(0.05), np.float32(6.0)
USUAL, NONE = np.float32(1.0), np.float32(0.0)
# No noise is taken to be further below the return's mean power than this: digital silence says nothing about a converter.
SILENCE = 1e-10
# Nor is it anywhere further below its usual power than this.
LEAST_RELATIVE = np.float32(1e-3)
# Where less than this share of the music is left over, what is left bounds the map's error; looked at over so many frames.
WELL_EXPLAINED, NEARBY_FRAMES = 0.15, 5


class Scene(NamedTuple):
    """A stretch's signals (from, to with margins); what was clipped is blank in all of them but the stem.

    slope: None where it is not asked for. whole: the return with what the machine should have given in place of what was clipped.
    """

    stem: np.ndarray
    back: np.ndarray
    model: np.ndarray
    slope: np.ndarray
    stretch: np.ndarray
    whole: np.ndarray = None


class White(NamedTuple):
    """Whitened signals of a stretch (None where not asked for, or where the machine is not known yet); explained, left_over:
    energy of each frame; also: of each signal sent along what is no gain of the music."""

    error: np.ndarray
    slope: np.ndarray
    stretch: np.ndarray
    explained: np.ndarray
    left_over: np.ndarray
    loudness: np.ndarray
    stem: np.ndarray = None
    back: np.ndarray = None
    model: np.ndarray = None
    also: tuple = ()


def whiten(
    scene,
    back,
    knots_u,
    start,
    *,
    replayed,
    attenuate_us=None,
    keep=None,
    want_stem=False,
    want_back=False,
    want_model=False,
    also=(),
):
    """The White of a Scene that begins at the working sample `start`; the rest as `sweep.look` has it."""
    heard = fields.framed(scene.back)
    heard_power = fields.power(heard)
    silence = np.float32(SILENCE * HOP * back.power + 1e-30)
    there = _inside(back, knots_u, start, len(heard)) * (np.mean(heard_power, axis=1) > 10 * silence)
    counts = there if keep is None else there * padded(keep, start // HOP, start // HOP + len(there))
    if scene.model is None:
        weight = _weights(heard_power, silence, there, counts)
        stem_w, back_w = fields.joined(fields.framed(scene.stem), weight), fields.joined(heard, weight)
        return White(None, None, None, None, _frame_energy(weight, heard_power), np.zeros((2, 1)), stem_w, back_w)
    model, stretch = fields.framed(scene.model), fields.framed(scene.stretch)
    alike, plain = np.empty_like(heard_power), np.empty_like(heard_power)
    unexplained = np.empty_like(heard_power)
    _agree(_flat(heard), _flat(model), _flat(stretch), np.float32(replayed), alike, plain, unexplained)
    typical = fields.smeared(unexplained, TYPICAL_FRAMES, TYPICAL_BANDS)
    np.maximum(typical, np.float32(0), out=typical)
    typical += silence
    gain = _ratio(alike, plain, typical, USUAL)
    np.clip(gain, np.float32(0), MOST_GAIN, out=gain)
    also = [fields.framed(one) for one in also]
    for one in also:
        # What of it is no more than another gain of the music has been taken up by the gain.
        one -= _ratio(one.real * model.real + one.imag * model.imag, plain, typical, NONE) * model
    error, left = np.empty_like(heard), unexplained
    _gained(_flat(heard), _flat(model), _flat(stretch), gain, _flat(error), left)
    weight = _weights(left, silence, there, counts)
    weighted_gain = weight * gain
    explained, left_over = _frame_energy(weighted_gain, plain), _frame_energy(weight, left)
    loudness = _loudness(gain, weight, plain)
    stem_w = back_w = None
    if want_stem:
        stem_w = fields.joined(fields.framed(scene.stem), weighted_gain)
    if want_back:
        whole = heard if scene.whole is None else fields.framed(scene.whole)
        held = np.empty_like(whole)
        _held(_flat(whole), _flat(stretch), np.float32(replayed), _flat(held))
        back_w = fields.joined(held, weight)
    slope = None
    if scene.slope is not None:
        slope = fields.framed(scene.slope)
        steep = _steep(_flat(slope), gain, weight)
    if attenuate_us is not None:
        weight = weight * _fade(attenuate_us, start, _most_off_us(left_over, steep, explained))
    return White(
        fields.joined(error, weight),
        None if slope is None else fields.joined(slope, weight),
        fields.joined(stretch, weight),
        explained,
        left_over,
        loudness,
        stem_w,
        back_w,
        fields.joined(model, weight) if want_model else None,
        tuple(fields.joined(one, weight * gain) for one in also),
    )


def _flat(spectra):
    """The same numbers, real and imaginary parts in turn."""
    return spectra.view(np.float32)


@compiled()
def _agree(heard, model, stretch, replayed, alike, plain, unexplained):
    """The replay's share of the stretch added to the model; how return and model go together, the model's power, and what it
    leaves of the return's."""
    for k in range(alike.shape[0]):
        for j in range(alike.shape[1]):
            a, b = heard[k, 2 * j], heard[k, 2 * j + 1]
            x = model[k, 2 * j] + replayed * stretch[k, 2 * j]
            y = model[k, 2 * j + 1] + replayed * stretch[k, 2 * j + 1]
            model[k, 2 * j], model[k, 2 * j + 1] = x, y
            along, own = a * x + b * y, x * x + y * y
            alike[k, j], plain[k, j] = along, own
            unexplained[k, j] = a * a + b * b + own - (along + along)


@compiled()
def _gained(heard, model, stretch, gain, error, left):
    """Model and stretch with the gain, what the model then leaves of the return, and its power."""
    for k in range(gain.shape[0]):
        for j in range(gain.shape[1]):
            g = gain[k, j]
            x, y = g * model[k, 2 * j], g * model[k, 2 * j + 1]
            model[k, 2 * j], model[k, 2 * j + 1] = x, y
            stretch[k, 2 * j] *= g
            stretch[k, 2 * j + 1] *= g
            x, y = heard[k, 2 * j] - x, heard[k, 2 * j + 1] - y
            error[k, 2 * j], error[k, 2 * j + 1] = x, y
            left[k, j] = x * x + y * y


@compiled()
def _held(heard, stretch, replayed, out):
    """The return without what the replay's share of the response stretched."""
    for k in range(out.shape[0]):
        one, other, row = heard[k], stretch[k], out[k]
        for j in range(row.size):
            row[j] = one[j] - replayed * other[j]


@compiled(fastmath={"reassoc"})
def _steep(slope, gain, weight):
    """The slope with the gain, in place; the weighted energy of each of its frames."""
    out = np.empty(gain.shape[0])
    for k in range(gain.shape[0]):
        total = 0.0
        for j in range(gain.shape[1]):
            x, y = slope[k, 2 * j] * gain[k, j], slope[k, 2 * j + 1] * gain[k, j]
            slope[k, 2 * j], slope[k, 2 * j + 1] = x, y
            total += np.float64(weight[k, j] * weight[k, j] * (x * x + y * y))
        out[k] = total / HOP
    return out


def _ratio(alike, loud, typical, usual):
    """The gain that `alike` shows of what has the power `loud`; the usual one where that is faint."""
    over, under = np.empty_like(loud), np.empty_like(loud)
    _divided(alike, loud, typical, over, under)
    over, under = (fields.smeared(one, GAIN_FRAMES, GAIN_BANDS) for one in (over, under))
    over += FAINT * usual
    under += FAINT
    return np.divide(over, under, out=over)


@compiled()
def _divided(one, other, by, out_one, out_other):
    for k in range(by.shape[0]):
        for j in range(by.shape[1]):
            share = np.float32(1) / by[k, j]
            out_one[k, j], out_other[k, j] = one[k, j] * share, other[k, j] * share


def _weights(power, floor, there, counts):
    """1 / standard deviation of the noise in each frame and band, for whitening to variance 1, from the power left over.

    floor: least noise believed; there: which frames count for what is usual; counts: how much each counts.
    """
    used = power[there > 0] if there.any() else power
    # Every fourth frame tells it well enough: what is unusual about the others is followed below.
    usual = fields.medians(used[:: max(4, len(used) // 500)].T) / np.float32(np.log(2)) + floor
    relative = fields.smeared(power * (np.float32(1) / usual), NOISE_FRAMES, NOISE_BANDS)
    _whitening(relative, usual, floor, counts.astype(np.float32))
    return relative


@compiled()
def _whitening(relative, usual, floor, counts):
    """From noise relative to the usual one to the weights of a frame's bands, in place."""
    for k in range(relative.shape[0]):
        counted = counts[k] * np.float32(np.sqrt(HOP))
        for j in range(relative.shape[1]):
            # The moving mean's running sum is off by a hair of the loudest it has passed, and can end below nothing.
            noise = usual[j] * max(relative[k, j], LEAST_RELATIVE) + floor
            relative[k, j] = fields.IN_BAND[j] * counted / np.sqrt(noise)


@compiled(fastmath={"reassoc"})
def _frame_energy(weight, power):
    """Energy of each frame whose spectrum has this power, weighted (Parseval)."""
    out = np.empty(weight.shape[0])
    for k in range(weight.shape[0]):
        total = 0.0
        for j in range(weight.shape[1]):
            total += np.float64(weight[k, j] * weight[k, j] * power[k, j])
        out[k] = total / HOP
    return out


@compiled()
def _loudness(gain, weight, plain):
    """Per band the whitened energy of the music, with one gain on it and with none: (2, bands)."""
    out = np.zeros((2, gain.shape[1]))
    for k in range(gain.shape[0]):
        for j in range(gain.shape[1]):
            power = plain[k, j] * weight[k, j] * weight[k, j]
            out[0, j] += np.float64(gain[k, j] * power)
            out[1, j] += np.float64(power)
    return out


def _inside(back, knots_u, start, frames):
    """1 for frames that lie wholly inside the capture, else 0."""
    middle = (start + (np.arange(frames) + 1) * HOP) // BIN
    u = knots_u[np.clip(middle, 0, knots_u.size - 1)]
    edge = 1.2 * HOP / WORK_HZ
    return ((u > edge) & (u < back.seconds - edge) & (middle >= 0) & (middle < knots_u.size)).astype(np.float32)


def _most_off_us(left, steep, loud):
    """How far off the map can be in each frame, if all that is left over were its doing; much where much is left over."""
    from scipy.ndimage import uniform_filter1d

    left, steep, loud = (uniform_filter1d(one, NEARBY_FRAMES, mode="nearest") for one in (left, steep, loud))
    known = left < WELL_EXPLAINED * loud
    return np.where(known, np.sqrt(np.maximum(left, 0.0) / np.maximum(steep, 1e-30)), np.inf)


def _fade(sd_us, start, most_us):
    """1 to 0 over frequency for each frame: where the map's doubt, or the most it can be off, is a radian or more."""
    middle = np.clip((start + (np.arange(most_us.size) + 1) * HOP) // BIN, 0, sd_us.size - 1)
    w = 2e-6 * np.pi * fields.FREQ_HZ.astype(np.float32)
    sd = np.minimum(sd_us[middle], 2 * most_us).astype(np.float32)
    return np.exp(-0.5 * (w * sd[:, None]) ** 2)
