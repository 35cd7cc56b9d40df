"""Kalman filter and fixed-interval smoother for a scalar position among many states.

Conventions: step k has the measurement z[k] of the position (us) with information info[k] (1 / us^2; 0 = none); the state
before the first step has the prior of `Steps`. Only the position comes out: its mean and variance given everything.
Sources: R. E. Kalman, J. Basic Eng. 82 (1960) 35; backwards G. J. Bierman, Int. J. Control 18 (1973) 217 (the modified
Bryson-Frazier form: no matrix is inverted). The transition is block-diagonal beside its first row, which brings a step from
n^3 to n^2.
"""

from functools import partial
from typing import NamedTuple

import numpy as np

from bounceproof import at_once
from bounceproof.compiling import compiled

_STEPS_AT_ONCE = 4096


class Smoothed(NamedTuple):
    """Mean (us), variance (us^2) of the position at each step, log-likelihood of the measurements; kept: the Gains, or None."""

    mean_us: np.ndarray
    variance: np.ndarray
    log_likelihood: float
    kept: object = None


class Ahead(NamedTuple):
    """How far each measurement lies from what those before it lead to, and the variance of that; 0 where nothing was measured."""

    surprise: np.ndarray
    innovation: np.ndarray


class Gains(NamedTuple):
    """What the smoother keeps of its covariances: first row of the predicted one, and its innovation variance (0 = none)."""

    rows: np.ndarray
    innovation: np.ndarray


class Paced(NamedTuple):
    """Steps of several lengths: row, blocks and noise of a `Steps` for each length; prior; kind: by which of them each step is
    reached."""

    row: np.ndarray
    blocks: np.ndarray
    noise: np.ndarray
    prior: np.ndarray
    kind: np.ndarray


def paced(lengths_s, of_length):
    """The Paced whose step k comes lengths_s[k] after the one before; of_length(step_s): the Steps of that length."""
    each_s, kind = np.unique(lengths_s, return_inverse=True)
    some = [of_length(step_s) for step_s in each_s]
    return Paced(*(np.array([one[i] for one in some]) for i in range(3)), some[0].prior, kind)


def smooth(z, info, steps, *, extra=None, keep=False):
    """Smooth the measurements `z` with information `info` (arrays, one for each step) under `steps`.

    extra: (indices, position variance, speed variance) added before those steps: a jump, a swoop. keep: the Gains too.
    """
    rows, innovation, means, surprise, loglik = _run_forward(z, info, steps, extra)
    mean, variance = _backward(means, surprise, rows, innovation, steps.row, steps.blocks)
    return Smoothed(mean, variance, loglik, Gains(rows, innovation) if keep else None)


def surprises(z, info, steps, *, extra=None):
    """Each measurement against what those before it lead to (Ahead)."""
    _, innovation, _, surprise, _ = _run_forward(z, info, steps, extra)
    return Ahead(surprise, innovation)


def gains(info, steps, *, extra=None):
    """The covariance side of a smoother run: it depends on the information only and serves any measurements. steps: Steps or
    Paced."""
    rows, innovation, *_ = _run_forward(np.zeros(info.size), info, steps, extra)
    return Gains(rows, innovation)


def smooth_columns(scores, info, kept, steps):
    """Smoothed positions, shape (steps, columns), of measurements whose score info * z is `scores`, with a zero prior mean.
    steps: the Steps or Paced of `kept`."""
    steps = _paced(steps, info.size)
    return _columns(_f(scores), _f(info), kept.rows, kept.innovation, steps.row, steps.blocks, steps.kind)


def told_twice(scores, info, kept, steps):
    """scores' smoothed(scores), shape (columns, columns): what `smooth_columns` answers to each column, summed over another.

    Forwards alone: a measurement's square less that of its innovation is what the smoother makes of it (the innovations form of
    the likelihood; F. Schweppe, IEEE Trans. Information Theory 11 (1965) 61). scores: arrays that stand side by side, float32 or
    float64, gone through some thousand steps at a time. Steps that measure nothing have no say.
    """
    steps, columns = _paced(steps, info.size), sum(one.shape[1] for one in scores)
    # A column's innovations hang on no other's.
    parts = (slice(0, columns // 2), slice(columns // 2, columns))
    halves = [(half, np.zeros((2, steps.row.shape[1], half.stop - half.start))) for half in parts]
    out, summing = np.zeros((columns, columns)), []
    for first in range(0, info.size, _STEPS_AT_ONCE):
        part = slice(first, min(info.size, first + _STEPS_AT_ONCE))
        measured = np.hstack([one[part] for one in scores], dtype=np.float64)
        ahead = [partial(_ahead, measured, info, kept, steps, part, half) for half in halves]
        # The sums of a part, which take longest, are made while the filter is at the next one.
        innovations = np.hstack(at_once.together(*summing, *ahead)[len(summing) :])
        summing = [partial(_add_told, out, measured, info[part], innovations)]
    at_once.together(*summing)
    return out


def _add_told(out, measured, info, innovations):
    """Add to `out` what a part's scores (of which nothing is left) less their innovations tell."""
    seen = info > 0
    measured *= np.sqrt(np.divide(1.0, info, out=np.zeros(seen.size), where=seen))[:, None]
    out += measured.T @ measured - innovations.T @ innovations


def _ahead(scores, info, kept, steps, part, half):
    """The innovations of a part's steps, for half (columns, state from part to part) of its scores."""
    columns, state = half
    scores = np.ascontiguousarray(scores[:, columns])
    out, rows, innovation, kind = np.zeros(scores.shape), kept.rows[part], kept.innovation[part], steps.kind[part]
    _innovations(scores, info[part], rows, innovation, steps.row, steps.blocks, kind, part.start == 0, state, out)
    return out


def _paced(steps, count):
    if isinstance(steps, Paced):
        return steps
    return Paced(*(one[None] for one in steps[:3]), steps.prior, np.zeros(count, np.int64))


def _f(x):
    return np.ascontiguousarray(x, dtype=np.float64)


def _extras(extra):
    if extra is None:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0)
    return np.asarray(extra[0], np.int64), _f(extra[1]), _f(extra[2])


def _run_forward(z, info, steps, extra):
    return _forward(_f(z), _f(info), *_paced(steps, info.size), *_extras(extra))


@compiled()
def _predict(m, p, row, blocks, noise, work):
    """m, p one step on, in place: first row dense, below it 1 for the drift and 2 x 2 blocks for the pairs."""
    n = m.size
    pairs = blocks.shape[0]
    total = 0.0
    for i in range(n):
        total += row[i] * m[i]
    for b in range(pairs):
        i = 2 + 2 * b
        first = blocks[b, 0, 0] * m[i] + blocks[b, 0, 1] * m[i + 1]
        m[i + 1] = blocks[b, 1, 0] * m[i] + blocks[b, 1, 1] * m[i + 1]
        m[i] = first
    m[0] = total
    for j in range(n):
        work[j] = 0.0
    for i in range(n):
        r = row[i]
        for j in range(n):
            work[j] += r * p[i, j]
    corner = 0.0
    for j in range(n):
        corner += work[j] * row[j]
    for b in range(pairs):
        i = 2 + 2 * b
        b00, b01, b10, b11 = blocks[b, 0, 0], blocks[b, 0, 1], blocks[b, 1, 0], blocks[b, 1, 1]
        for j in range(1, n):
            u, v = p[i, j], p[i + 1, j]
            p[i, j] = b00 * u + b01 * v
            p[i + 1, j] = b10 * u + b11 * v
    for b in range(pairs):
        i = 2 + 2 * b
        b00, b01, b10, b11 = blocks[b, 0, 0], blocks[b, 0, 1], blocks[b, 1, 0], blocks[b, 1, 1]
        for j in range(1, n):
            u, v = p[j, i], p[j, i + 1]
            p[j, i] = b00 * u + b01 * v
            p[j, i + 1] = b10 * u + b11 * v
        u, v = work[i], work[i + 1]
        work[i] = b00 * u + b01 * v
        work[i + 1] = b10 * u + b11 * v
    p[0, 0] = corner
    for j in range(1, n):
        p[0, j] = work[j]
        p[j, 0] = work[j]
    for i in range(n):
        for j in range(n):
            p[i, j] += noise[i, j]


@compiled()
def _forward(z, info, row, blocks, noise, prior, kind, jumps, jump_position, jump_speed):
    steps, n = z.size, row.shape[1]
    rows = np.empty((steps, n))
    innovation = np.zeros(steps)
    means = np.empty(steps)
    surprise = np.zeros(steps)
    m, p, work = np.zeros(n), prior.copy(), np.zeros(n)
    loglik = 0.0
    next_jump = 0
    for k in range(steps):
        if k > 0:
            q = kind[k]
            _predict(m, p, row[q], blocks[q], noise[q], work)
        while next_jump < jumps.size and jumps[next_jump] <= k:
            p[0, 0] += jump_position[next_jump]
            p[1, 1] += jump_speed[next_jump]
            next_jump += 1
        means[k] = m[0]
        for i in range(n):
            rows[k, i] = p[0, i]
        if info[k] > 0:
            s = p[0, 0] + 1.0 / info[k]
            v = z[k] - m[0]
            innovation[k], surprise[k] = s, v
            loglik -= 0.5 * (v * v / s + np.log(s))
            for i in range(n):
                m[i] += rows[k, i] * v / s
            for i in range(n):
                g = rows[k, i] / s
                for j in range(n):
                    p[i, j] -= g * rows[k, j]
    return rows, innovation, means, surprise, loglik


@compiled()
def _transpose_step(r, row, blocks, out):
    """out = transition' r."""
    out[0] = row[0] * r[0]
    out[1] = row[1] * r[0] + r[1]
    for b in range(blocks.shape[0]):
        i = 2 + 2 * b
        out[i] = row[i] * r[0] + blocks[b, 0, 0] * r[i] + blocks[b, 1, 0] * r[i + 1]
        out[i + 1] = row[i + 1] * r[0] + blocks[b, 0, 1] * r[i] + blocks[b, 1, 1] * r[i + 1]


@compiled(fastmath={"reassoc"})
def _backward(means, surprise, rows, innovation, row, blocks):
    steps, n = rows.shape
    mean, variance = np.empty(steps), np.empty(steps)
    r, out = np.zeros(n), np.zeros(n)
    w, half = np.zeros((n, n)), np.zeros((n, n))
    seen = np.zeros(n)
    for k in range(steps - 1, -1, -1):
        if k < steps - 1:
            _transpose_step(r, row, blocks, out)
            r, out = out, r
            # First half = w transition, then w = transition' half.
            for i in range(n):
                first = w[i, 0]
                half[i, 0] = first * row[0]
                half[i, 1] = first * row[1] + w[i, 1]
                for b in range(blocks.shape[0]):
                    j = 2 + 2 * b
                    u, v = w[i, j], w[i, j + 1]
                    half[i, j] = first * row[j] + u * blocks[b, 0, 0] + v * blocks[b, 1, 0]
                    half[i, j + 1] = first * row[j + 1] + u * blocks[b, 0, 1] + v * blocks[b, 1, 1]
            for j in range(n):
                top = half[0, j]
                w[0, j] = row[0] * top
                w[1, j] = row[1] * top + half[1, j]
            for b in range(blocks.shape[0]):
                i = 2 + 2 * b
                b00, b01, b10, b11 = blocks[b, 0, 0], blocks[b, 0, 1], blocks[b, 1, 0], blocks[b, 1, 1]
                for j in range(n):
                    top, u, v = half[0, j], half[i, j], half[i + 1, j]
                    w[i, j] = row[i] * top + b00 * u + b10 * v
                    w[i + 1, j] = row[i + 1] * top + b01 * u + b11 * v
        # Of the sums of row r and row w the part of the position is kept apart: where next to nothing was known before,
        # row[0] / S is nearly 1, and what is left of 1 must not come out as a difference.
        for j in range(n):
            seen[j] = 0.0
        for i in range(1, n):
            gain = rows[k, i]
            for j in range(n):
                seen[j] += gain * w[i, j]
        rest, spread = 0.0, 0.0
        for i in range(1, n):
            rest += rows[k, i] * r[i]
            spread += rows[k, i] * seen[i]
        s, p, left = innovation[k], rows[k, 0], 1.0
        spread += p * (2 * seen[0] + p * w[0, 0])
        if s > 0:
            # r = (I - K H)' r + H' v / S;  w = (I - K H)' w (I - K H) + H' H / S, with K = row / S, H picks the position.
            left = (s - p) / s
            r[0] = r[0] * left + (surprise[k] - rest) / s
            corner = (w[0, 0] * left - seen[0] / s) * left + 1.0 / s
            for j in range(1, n):
                beside = w[0, j] * left - seen[j] / s
                w[0, j], w[j, 0] = beside, beside
                corner -= rows[k, j] * beside / s
            w[0, 0] = corner
        mean[k], variance[k] = means[k] + rest + p * r[0], max(p * left - spread * left * left, 0.0)
    return mean, variance


@compiled()
def _on(m, next_m, row, blocks):
    """next_m = transition m, column by column."""
    # What the inner loops need is taken out of its arrays first, or the compiler does not dare to do several columns at once.
    columns = m.shape[1]
    top, drift, one = next_m[0], next_m[1], m[1]
    for c in range(columns):
        top[c], drift[c] = 0.0, one[c]
    for i in range(m.shape[0]):
        g, one = row[i], m[i]
        for c in range(columns):
            top[c] += g * one[c]
    for b in range(blocks.shape[0]):
        i = 2 + 2 * b
        b00, b01, b10, b11 = blocks[b, 0, 0], blocks[b, 0, 1], blocks[b, 1, 0], blocks[b, 1, 1]
        u, v, next_u, next_v = m[i], m[i + 1], next_m[i], next_m[i + 1]
        for c in range(columns):
            next_u[c] = b00 * u[c] + b01 * v[c]
        for c in range(columns):
            next_v[c] = b10 * u[c] + b11 * v[c]


@compiled()
def _innovations(scores, info, rows, innovation, row_of, blocks_of, kind, begins, state, out):
    """out: each measurement's innovation over its own standard deviation; state (2, states, columns): before and after, of
    which the first is the one that counts; begins: whether these are the first steps of all."""
    n, columns = state.shape[1:]
    m, next_m = state[0], state[1]
    for k in range(info.size):
        if k > 0 or not begins:
            _on(m, next_m, row_of[kind[k]], blocks_of[kind[k]])
            m, next_m = next_m, m
        if innovation[k] > 0:
            sure, spread, told, top, lead = 1 / info[k], 1 / innovation[k], scores[k], m[0], out[k]
            for c in range(columns):
                lead[c] = (told[c] * sure - top[c]) * spread
            for i in range(n):
                g, one = rows[k, i], m[i]
                for c in range(columns):
                    one[c] += g * lead[c]
            root = np.sqrt(innovation[k])
            for c in range(columns):
                lead[c] *= root
    for i in range(n):
        for c in range(columns):
            state[0, i, c] = m[i, c]


@compiled()
def _columns(scores, info, rows, innovation, row_of, blocks_of, kind):
    steps, columns = scores.shape
    n = row_of.shape[1]
    out = np.empty((steps, columns))
    m, next_m = np.zeros((n, columns)), np.zeros((n, columns))
    surprise = np.zeros((steps, columns))
    for k in range(steps):
        here, lead = out[k], surprise[k]
        if k > 0:
            _on(m, next_m, row_of[kind[k]], blocks_of[kind[k]])
            m, next_m = next_m, m
        top = m[0]
        for c in range(columns):
            here[c] = top[c]
        if innovation[k] > 0:
            sure, spread, told = info[k], innovation[k], scores[k]
            for c in range(columns):
                lead[c] = (told[c] / sure - top[c]) / spread
            for i in range(n):
                g, one = rows[k, i], m[i]
                for c in range(columns):
                    one[c] += g * lead[c]
    r = np.zeros((n, columns))
    product = np.zeros(columns)
    for k in range(steps - 1, -1, -1):
        if k < steps - 1:
            row, blocks = row_of[kind[k + 1]], blocks_of[kind[k + 1]]
            top = r[0]
            for b in range(blocks.shape[0]):
                i = 2 + 2 * b
                b00, b01, b10, b11 = blocks[b, 0, 0], blocks[b, 0, 1], blocks[b, 1, 0], blocks[b, 1, 1]
                r0, r1, u, v = row[i], row[i + 1], r[i], r[i + 1]
                for c in range(columns):
                    first = r0 * top[c] + b00 * u[c] + b10 * v[c]
                    v[c] = r1 * top[c] + b01 * u[c] + b11 * v[c]
                    u[c] = first
            r0, r1, u = row[0], row[1], r[1]
            for c in range(columns):
                u[c] += r1 * top[c]
            for c in range(columns):
                top[c] = r0 * top[c]
        top, here = r[0], out[k]
        for c in range(columns):
            product[c] = 0.0
        for i in range(n):
            g, one = rows[k, i], r[i]
            for c in range(columns):
                product[c] += g * one[c]
        if innovation[k] > 0:
            spread, g, lead = innovation[k], rows[k, 0], surprise[k]
            for c in range(columns):
                into = lead[c] - product[c] / spread
                top[c] += into
                product[c] += g * into
        for c in range(columns):
            here[c] += product[c]
    return out
