"""One pass over stem and return: how far the map seems off in each bin, and what the response should be.

Conventions: score S (1/us) and information J (1/us^2) for each bin: the map's error there is S / J with variance 1 / J; both
count return time. The return read through the map is compared with response * stem; what is left over is whitened by its own
power, which is followed through time and frequency, since a tape's noise rises with its signal. `attenuate_us`: the map's
present standard deviation; frequencies at which it could be off by a radian or more are faded out, exp(-(w sigma)^2).
`replayed`: which share of the response belongs to the replay. That share keeps its times while the tape runs unsteadily, so
that in sent time it is stretched by the speed of the moment: response(f / speed). To first order that adds
replayed * (speed - 1) * (-f dH/df) to the response; without it low notes, which a recorder delays by milliseconds, seem to move.
Works in blocks: memory above the arrays returned does not grow with length.
"""

import functools
from typing import NamedTuple

import numpy as np

from bounceproof import at_once
from bounceproof.compiling import compiled

from . import fields, pieces, response
from .material import BIN, HOP, WORK_HZ, blocks
from .whitening import Scene, whiten

# Whitened energy below which a band's mean gain is not believed.
SURE = 300.0 * HOP
# Speeds are smoothed over so many bins, and believed to differ by so much (fraction) from the usual one.
SPEED_BINS, MOST_OFF_SPEED = 9, 0.05
# How far from a half the replay's share of the response may be expected.
SHARE_SD = 0.5
# Information (1 / us^2) that would place a bin to no better than a second is none.
LEAST_INFO = 1e-12


class Pass(NamedTuple):
    """score, info, explained, left_over (whitened energies): per bin; normal: of the response, or None.

    gain: the mean gain of the music per band of `fields`, which belongs to the response. replayed: the share of the response
    that stretches with the speed, as this pass has it. coupling (groups, columns), error_cross
    (columns), bend_gram (powers, columns): what `joint` needs, or None. A column for each theta and, where they were asked for,
    for each power's share.
    """

    score: np.ndarray
    info: np.ndarray
    explained: np.ndarray
    left_over: np.ndarray
    gain: np.ndarray
    replayed: float
    normal: object = None
    coupling: np.ndarray = None
    error_cross: np.ndarray = None
    bend_gram: np.ndarray = None
    gain_score: np.ndarray = None
    gain_info: np.ndarray = None


def look(
    sent,
    back,
    knots_u,
    theta,
    *,
    replayed=0.0,
    attenuate_us=None,
    want_response=False,
    edges=None,
    keep=None,
    reach=0,
    want_gain=False,
    want_bend=False,
):
    """Sweep over everything; returns a Pass.

    edges: also gather what `joint` makes its equations of, in its `groups` (None = not); want_bend: for the shares of the powers
    of what was sent too (`bending`). keep: weight of each frame. reach: more lags of the response's cross-correlation, to both
    sides. want_gain: also what the error says about the gain of what was sent (`riding`).
    """
    bins = sent.bins
    score, info, explained, left_over = np.zeros(bins), np.zeros(bins), np.zeros(bins), np.zeros(bins)
    off_speed, machine = _off_speed(knots_u), response.Machine(theta)
    columns = response.basis()[1].size
    coupling = None if edges is None else np.zeros((edges.size - 1, columns + 2 * want_bend), np.float32)
    want_stem = want_response or edges is not None

    def part(block):
        """The _Part of a block; what is the block's own alone goes into the arrays of all."""
        first, last, start, stop = block
        scene = _scene(sent, back, knots_u, machine, start, stop, off_speed, steep=edges is None)
        white = whiten(
            scene,
            back,
            knots_u,
            start,
            replayed=replayed,
            attenuate_us=attenuate_us,
            want_stem=want_stem,
            want_back=want_response,
            keep=keep,
            want_model=want_gain,
            also=_sent_along(machine, sent.powers(start, stop)) if want_bend else (),
        )
        if edges is not None:
            # Whitening and response do not quite commute. What `joint` eliminates has to be made the same way throughout, or a
            # delay of the response and of the map, the same thing, would seem to differ.
            parts = pieces.spectra(white.stem)
            white = white._replace(slope=machine.slope(parts, white.stem.size))
        cut, where = slice(first - start, last - start), slice(first // BIN, last // BIN)
        told, hats, normal, rest, powers = np.zeros(2), None, None, (), 0.0
        left_over[where] = _in_bins(white.left_over, cut)
        if not machine.silent:
            _bins(white.error[cut], white.slope[cut], score[where], info[where])
            told = _told(white.error[cut], white.slope[cut], white.stretch[cut])
            explained[where] = _in_bins(white.explained, cut)
            if want_gain:
                hats = np.zeros((3, where.stop - where.start + 1))
                _hats(white.error[cut], white.model[cut], hats[0], hats[1:])
        if want_stem:
            others = [white.back] * want_response + ([] if edges is None else [white.error, *white.also])
            auto, rest = response.correlations(white.stem, others, first - start, last - start, reach=reach)
            normal = response.Normal(auto, rest.pop(0) if want_response else np.zeros(response.LAGS.size + 2 * reach))
        if edges is not None:
            here = slice(*np.searchsorted(edges, (where.start, where.stop)))
            into, begins = coupling[here], (edges[here.start : here.stop + 1] - where.start) * BIN
            _couple(white.slope, white.stem, parts, first - start, begins, into)
            if want_bend:
                also = np.array(white.also)[:, cut].astype(np.float64)
                powers = also @ np.vstack((white.error[cut], also)).T
                into[:, columns:] = np.add.reduceat(also * white.slope[cut], begins[:-1], axis=1).T
        return _Part(where, white.loudness, told, hats, normal, np.array(rest), powers)

    heard = [
        block
        for block in blocks(sent.samples.size)
        if keep is None or keep[max(0, block[0] // HOP - 2) : block[1] // HOP + 2].any()
    ]
    found = at_once.each(part, heard)
    hats = _joined_hats(found, bins) if want_gain else None
    normal = functools.reduce(response.Normal.plus, (one.normal for one in found)) if want_stem and found else None
    crossed, powers = sum(one.crossed for one in found), sum(one.powers for one in found)
    loudness = sum((one.loudness for one in found), np.zeros((2, fields.BANDS)))
    told = sum((one.told for one in found), np.zeros(2))
    stretch = _stretch(knots_u)
    error_cross = bend_gram = None
    if edges is not None:
        error_cross, *along = crossed @ response.basis()[0]
        if want_bend:
            error_cross, bend_gram = np.append(error_cross, powers[:, 0]), np.hstack((along, powers[:, 1:]))
        coupling /= group_means(stretch, edges)[:, None].astype(np.float32)
    info[info < LEAST_INFO] = 0.0
    return Pass(
        score / stretch,
        info / stretch**2,
        explained,
        left_over,
        _mean_gain(loudness),
        _share(replayed, told),
        normal,
        coupling,
        error_cross,
        bend_gram,
        hats if hats is None else hats[0],
        hats if hats is None else hats[1:],
    )


class _Part(NamedTuple):
    """What a block adds to a Pass. hats: score and info (2 rows) of the gain at its bins' middles and the one before, or None."""

    where: slice
    loudness: np.ndarray
    told: np.ndarray
    hats: np.ndarray
    normal: object
    crossed: np.ndarray
    powers: np.ndarray


def _joined_hats(found, bins):
    out = np.zeros((3, bins + 1))
    for one in found:
        out[:, one.where.start : one.where.stop + 1] += one.hats
    return out[:, 1:]


def whitened(there, knots_u, block, *, also=()):
    """The White of one of `blocks`, its model included, with the gain and the noise as `look` has them.

    there: a There of `estimate`. also: signals (their samples from the block's start on) that were sent along, as they would come
    back.
    """
    _, _, start, stop = block
    machine = response.Machine(there.theta)
    scene = _scene(there.sent, there.back, knots_u, machine, start, stop, _off_speed(knots_u))
    return whiten(scene, there.back, knots_u, start, replayed=there.replayed, want_model=True, also=_sent_along(machine, also))


def heard_power(sent, theta):
    """Mean square of what was sent in each bin, as the machine with this response passes it on."""
    machine, out = response.Machine(theta), np.empty(sent.bins)
    for first, last, start, stop in blocks(sent.samples.size):
        model = machine.model(sent.spectra(start, stop), stop - start)[first - start : last - start]
        out[first // BIN : last // BIN] = np.square(model).reshape(-1, BIN).mean(axis=1)
    return out


def _sent_along(machine, signals):
    return [machine.model(pieces.spectra(one), one.size) for one in signals]


def _mean_gain(loudness):
    """Mean gain per band, from the gained and the plain energy; 1 where there is no music."""
    from scipy.ndimage import uniform_filter1d

    gained, plain = uniform_filter1d(loudness, 9, axis=1, mode="nearest")
    return np.clip((gained + SURE) / (plain + SURE), 0.25, 4.0)


def group_means(values, edges):
    """Mean of the values (per bin) of each of `joint`'s groups."""
    return np.add.reduceat(values, edges[:-1]) / np.diff(edges)


def _couple(slope, stem, parts, offset, begins, out):
    """out[k, j] = sum over begins[k] to begins[k + 1] (samples from `offset` on) of slope * (function j of the response's basis *
    stem). parts: the stem's `pieces.spectra`."""
    _, middles = response.basis()
    for kernel, columns in response.kernels():
        softened = stem if kernel is None else pieces.filtered(parts, kernel, stem.size)
        _cross(slope, softened, offset + begins, middles[columns], columns, out)


@compiled(fastmath={"reassoc"})
def _cross(slope, stem, begins, lags, columns, out):
    for k in range(out.shape[0]):
        start, width = begins[k], begins[k + 1] - begins[k]
        one = slope[start : start + width]
        for j in range(lags.size):
            two = stem[start - lags[j] : start - lags[j] + width]
            total = np.float32(0.0)
            for i in range(width):
                total += one[i] * two[i]
            out[k, columns[j]] = total


def _stretch(knots_u):
    return np.clip(np.gradient(knots_u) * WORK_HZ / BIN, 0.2, 5.0)


def _off_speed(knots_u):
    """By how much (fraction) the speed of each bin differs from the median one, without what changes within some ms."""
    from scipy.ndimage import uniform_filter1d

    speed = uniform_filter1d(np.gradient(knots_u), SPEED_BINS, mode="nearest")
    return np.clip(speed / np.median(speed) - 1, -MOST_OFF_SPEED, MOST_OFF_SPEED)


def _share(replayed, told):
    """The share of the response that is the replay's, from what the pass told about it; half where it tells nothing."""
    along, own = told
    precision = SHARE_SD**-2
    # The map has given way to some of it already, and does so less the better the share is known.
    along *= 1.5
    return float(np.clip((own * replayed + along + precision * 0.5) / (own + precision), -0.5, 1.5))


def _scene(sent, back, knots_u, machine, start, stop, off_speed, *, steep=True):
    """The Scene of a block; steep: with the model's slope."""
    heard = back.through(knots_u, start, stop)
    if machine.silent:
        return Scene(sent.block(start, stop), heard, None, None, None)
    stem = sent.block(start, stop)
    parts = sent.spectra(start, stop)
    model, stretch = machine.model(parts, stem.size), machine.stretch(parts, stem.size)
    slope = machine.slope(parts, stem.size) if steep else None
    _times_bins(off_speed, start, stretch)
    clipped = back.clipped_through(knots_u, start, stop)
    if clipped is None:
        return Scene(stem, heard, model, slope, stretch)
    whole = np.where(clipped & (np.abs(model) > np.abs(heard)), model, heard)
    for one in (heard, model, slope, stretch):
        if one is not None:
            one[clipped] = 0
    return Scene(stem, heard, model, slope, stretch, whole)


@compiled()
def _times_bins(values, first, samples):
    """Samples from `first` on times the values of the bins, along straight lines between their middles; in place."""
    last = values.size - 1
    for k in range(samples.size):
        place = min(max((first + k - 0.5 * (BIN - 1)) / BIN, 0.0), float(last))
        i = min(int(place), last - 1)
        samples[k] *= np.float32(values[i] + (place - i) * (values[i + 1] - values[i]))


@compiled(fastmath={"reassoc"})
def _bins(error, slope, score, info):
    for k in range(score.size):
        s, j = 0.0, 0.0
        for i in range(k * BIN, (k + 1) * BIN):
            s += error[i] * slope[i]
            j += slope[i] * slope[i]
        score[k], info[k] = s, j


@compiled(fastmath={"reassoc"})
def _hats(error, model, score, info):
    """What the error says about the logarithm of the gain, on straight lines between the bins' middles: added to score, and to
    info (its row 1 each knot's own, row 0 shared with the knot before). Knot 0 is the bin before the first."""
    half = BIN // 2
    for i in range(error.size):
        knot = (i + half) // BIN
        later = ((i + half) % BIN + 0.5) / BIN
        power = model[i] * model[i]
        along = error[i] * model[i]
        score[knot] += (1 - later) * along
        info[1, knot] += (1 - later) ** 2 * power
        if knot + 1 < score.size:
            score[knot + 1] += later * along
            info[1, knot + 1] += later**2 * power
            info[0, knot + 1] += later * (1 - later) * power


@compiled(fastmath={"reassoc"})
def _told(error, slope, stretch):
    """(what the error says along `stretch`, its information), each bin's part along the slope taken out: that is the map's."""
    along, own = 0.0, 0.0
    for k in range(error.size // BIN):
        s, j, q, e, c = 0.0, 0.0, 0.0, 0.0, 0.0
        for i in range(k * BIN, (k + 1) * BIN):
            s += error[i] * slope[i]
            j += slope[i] * slope[i]
            c += stretch[i] * slope[i]
            q += stretch[i] * stretch[i]
            e += error[i] * stretch[i]
        if j > 0:
            along += e - s * c / j
            own += q - c * c / j
    return np.array([along, own])


def _in_bins(frame_energy, cut):
    """Energy of the bins of a stretch whose frames (from its start on) have this energy: each hop lies in two frames."""
    hops = 0.5 * (np.append(frame_energy, 0.0) + np.append(0.0, frame_energy))
    return np.repeat(hops[cut.start // HOP : cut.stop // HOP] * (BIN / HOP), HOP // BIN)
