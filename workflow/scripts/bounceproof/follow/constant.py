"""The constant: how far the music's map lies from the clicks', decided before any step along a slope could slip a cycle.

Conventions: shifts in working samples of return time; spans are (first, last) working samples of each click in what was sent.
Method: the clicks are placed by matched filter, whose main lobe is plain. The music's constant is that which lets one and the
same response explain clicks and music best: profile likelihood over a grid (response eliminated by least squares).
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from scipy import fft

from . import response, sweep
from .material import BIN, HOP, WORK_HZ, bin_times

# Shifts tried, and how many lags more are seen: faded out there, or reading between the lags would ring from where they end.
MOST_SHIFT, FADE = 20, 12
REACH = MOST_SHIFT + FADE
STEPS_PER_SAMPLE = 4
CLICK_REACH = 96
LEAST_LIKENESS = 0.06
MARGIN_S = 0.05
# The lobe of a machine's response at the clicks' instant, by the largest of that polarity.
LEAST_LOBE = 0.7
TILTS_US_PER_S = np.arange(-8, 9) * 1000.0


class Click(NamedTuple):
    """A click of what was sent as it came back.

    span; after_us(t): how far it lies after the map it was placed about, at each sent time t, as (offset, per second); likeness.
    """

    span: tuple
    after_us: float
    tilt_us_per_s: float
    likeness: float


def place(sent, back, knots_u, spans, polarity=None):
    """(clicks found, polarity). A click that is not clearly there is left out. polarity: where it is known already."""
    curves = [_matched(sent, back, knots_u, span) for span in spans]
    if not curves:
        return [], 1
    up, down = (sum(np.max(sign * curve) ** 2 for curve, _ in curves) for sign in (1, -1))
    polarity = polarity or (1 if up >= down else -1)
    clicks = []
    for span, (curve, tilts) in zip(spans, curves, strict=True):
        tilt, at = np.unravel_index(np.argmax(polarity * curve), curve.shape)
        likeness = float(curve[tilt, at] ** 2)
        if likeness > LEAST_LIKENESS:
            clicks.append(Click(span, (at - 4 * CLICK_REACH) / 4 * 1e6 / WORK_HZ, tilts[tilt], likeness))
    return clicks, polarity


def _matched(sent, back, knots_u, span):
    """Normalised correlation of a click with the return: (tilts, quarter samples within +-CLICK_REACH about the map), and
    tilts (us/s)."""
    first, last = span[0] - CLICK_REACH, span[1] + CLICK_REACH
    t = np.arange(first, last) / WORK_HZ
    middle = (span[0] + span[1]) / 2 / WORK_HZ
    along = np.interp(t, bin_times(knots_u.size), knots_u)
    click = sent.block(*span)
    size = fft.next_fast_len(t.size, real=True)
    spectrum = np.conj(fft.rfft(click, size))
    curves = []
    for tilt in TILTS_US_PER_S:
        heard = back.at(along + tilt * 1e-6 * (t - middle)).astype(np.float64)
        curve = 4 * fft.irfft(spectrum * fft.rfft(heard, size), 4 * size)[: 8 * CLICK_REACH + 1]
        energy = np.convolve(heard**2, np.ones(click.size), mode="valid")
        energy = np.interp(np.arange(curve.size) / 4, np.arange(energy.size), energy)
        curves.append(curve / np.sqrt(energy * np.sum(click.astype(np.float64) ** 2) + 1e-30))
    return np.array(curves), TILTS_US_PER_S


def frames_of(spans, frames, *, inside):
    """1 for frames (of `fields`, one each HOP) that touch a span, 0 elsewhere; the other way round if not inside."""
    touched = np.zeros(frames, np.float32)
    for first, last in spans:
        touched[max(0, first // HOP - 1) : last // HOP + 1] = 1
    return touched if inside else 1 - touched


def normal(sent, back, knots_u, spans, *, inside):
    """Normal equations of the response, no gain or noise being known yet, from the frames that touch the spans or from all
    others; with REACH more lags of its correlation to both sides."""
    nothing, frames = np.zeros(response.basis()[1].size), frames_of(spans, sent.samples.size // HOP, inside=inside)
    return sweep.look(sent, back, knots_u, nothing, want_response=True, keep=frames, reach=REACH).normal


def without_reach(normal):
    return response.Normal(normal.auto, normal.cross[REACH:-REACH])


def reconcile(sent, back, line, x_us, clicks, music, anchor):
    """The map with the clicks where they were found and the music moved to agree with them: (x_us, Normal).

    music: the `normal` of all but the clicks.
    """
    from .estimate import knots

    pinned = knots(line, with_clicks(x_us, clicks, 0.0))
    click = normal(sent, back, pinned, [click.span for click in clicks], inside=True)
    shift = _best_shift(music, click, anchor)
    moved = with_clicks(x_us + response.in_us(shift), clicks, -response.in_us(shift))
    both = response.Normal(music.auto + click.auto, _shifted(music.cross, shift) + without_reach(click).cross)
    return moved, both


def _best_shift(music, click, anchor):
    """The most likely shift among those whose response leaves the clicks where they are, in their polarity."""
    gram, _ = response.gram(response.Normal(music.auto + click.auto, without_reach(click).cross))
    gain = np.sqrt(np.abs(click.cross).max() / max(click.auto[0], 1e-30) * np.abs(music.cross).max() / max(music.auto[0], 1e-30))
    inverse = np.linalg.inv(gram + np.diag(response.prior_precision(max(gain, 1e-12))))
    shifts = np.arange(-MOST_SHIFT * STEPS_PER_SAMPLE, MOST_SHIFT * STEPS_PER_SAMPLE + 1) / STEPS_PER_SAMPLE
    own = without_reach(click).cross
    right = np.array([response.basis()[0].T @ (_shifted(music.cross, one) + own) for one in shifts])
    likely = np.argsort(-np.sum((right @ inverse) * right, axis=1))
    stays = (k for k in likely if _stays(anchor, inverse @ right[k]))
    return float(shifts[next(stays, shifts.size // 2)])


def _stays(anchor, theta):
    """Whether this response leaves the clicks where they are. Where the music alone, elsewhere, makes most of the response, the
    clicks' own instant is but a small lobe of it."""
    return abs(anchor.delay(theta, within=3)[0]) < 1.5 and anchor.lobe(theta, within=3) > LEAST_LOBE


def _shifted(cross, shift):
    """cross at lags later by `shift`, without the reach (band-limited)."""
    whole = int(np.floor(shift))
    cross = cross * _fade(cross.size)
    size = fft.next_fast_len(cross.size + 64, real=True)
    turn = np.exp(2j * np.pi * (shift - whole) * np.arange(size // 2 + 1) / size)
    moved = fft.irfft(fft.rfft(cross, size) * turn, size)
    return moved[REACH + whole : REACH + whole + cross.size - 2 * REACH]


@cache
def _fade(lags):
    """1, and towards both ends a raised cosine of FADE lags."""
    out = np.ones(lags)
    out[:FADE] = np.sin(np.pi / 2 * (np.arange(FADE) + 0.5) / FADE) ** 2
    out[-FADE:] = out[:FADE][::-1]
    return out


def with_clicks(x_us, clicks, offset_us):
    """The map pinned at the clicks (moved by after_us + offset_us there), blended into the rest over MARGIN_S."""
    moved = x_us.copy()
    places = np.arange(x_us.size)
    for click in clicks:
        middle, half = (click.span[0] + click.span[1]) / 2 / BIN, (click.span[1] - click.span[0]) / 2 / BIN
        beyond = np.maximum(np.abs(places - middle) - half - 16, 0) * BIN / WORK_HZ
        tilt = click.tilt_us_per_s * np.clip(places - middle, -half, half) * BIN / WORK_HZ
        moved += np.clip(1 - beyond / (4 * MARGIN_S), 0, 1) * (click.after_us + tilt + offset_us)
    return moved
