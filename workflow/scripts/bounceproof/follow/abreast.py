"""Several runs of `smoother`'s filter abreast, LANES at a time: what a processor does to one number it does to four as soon.

Conventions and sources: those of `smoother`. A run is (z, info, steps, extra) as `smoother.smooth` takes them, with Steps of its
own; all are equally long and have equally many states. In arrays the lane comes last. Covariances, and what goes backwards in
their place, are kept on and above the diagonal only. A step in pairs of states: the blocks A and B of the transition take the
block P of the covariance to A P B'.
"""

import itertools

import numpy as np

from bounceproof import at_once
from bounceproof.compiling import compiled

from . import smoother

LANES = 4
# Of each step a smoother keeps as many numbers as there are states: of longer runs than this, too many to keep side by side.
_LONG = 1 << 17


def log_likelihoods(runs):
    """The log-likelihood of the measurements of each of the runs."""
    return _in_shares(lambda *those: _forward(*those, False)[-1], runs)


def smooth(runs):
    """(mean in us, variance in us^2) of the position at each step, for each of the runs."""
    if len(runs[0][0]) > _LONG:
        return at_once.each(lambda run: smoother.smooth(*run[:3], extra=run[3])[:2], runs)
    return _in_shares(_smoothed, runs)


def _smoothed(z, info, row, blocks, *rest):
    rows, innovation, means, surprise, _ = _forward(z, info, row, blocks, *rest, True)
    return zip(*(one.T for one in _backward(means, surprise, rows, innovation, row, blocks)), strict=True)


def _in_shares(work, runs):
    """What `work` makes of each run, from the arguments of `_forward` for equal shares of LANES runs at most."""
    count = -(-len(runs) // LANES)
    shares = [runs[k * len(runs) // count : (k + 1) * len(runs) // count] for k in range(count)]
    found = at_once.each(lambda some: list(work(*_side_by_side(some)))[: len(some)], shares)
    return list(itertools.chain.from_iterable(found))


def _side_by_side(some):
    """The arguments of `_forward`; lanes without a run of their own go along with the first."""
    some = [*some, *some[:1] * (LANES - len(some))]
    z, info, steps, extras = zip(*some, strict=True)
    row, blocks, noise, prior = (_lanes(part) for part in zip(*steps, strict=True))
    jumps = [(at, lane, *by) for lane, one in enumerate(extras) if one is not None for at, *by in zip(*one, strict=True)]
    return _lanes(z), _lanes(info), row, blocks, noise, prior, np.array(sorted(jumps), dtype=float).reshape(-1, 4)


def _lanes(arrays):
    return np.stack(arrays, axis=-1, dtype=np.float64)


# Numbers of LANES lanes. The compiler puts them side by side where none is stored before all are loaded.
@compiled()
def _at(x):
    return x[0], x[1], x[2], x[3]


@compiled()
def _put(x, v):
    x[0], x[1], x[2], x[3] = v


@compiled()
def _sum(x, y):
    return x[0] + y[0], x[1] + y[1], x[2] + y[2], x[3] + y[3]


@compiled()
def _product(a, x):
    return a[0] * x[0], a[1] * x[1], a[2] * x[2], a[3] * x[3]


@compiled()
def _two(a, x, b, y):
    """a x + b y."""
    return a[0] * x[0] + b[0] * y[0], a[1] * x[1] + b[1] * y[1], a[2] * x[2] + b[2] * y[2], a[3] * x[3] + b[3] * y[3]


@compiled()
def _more(t, a, x):
    """t + a x."""
    return t[0] + a[0] * x[0], t[1] + a[1] * x[1], t[2] + a[2] * x[2], t[3] + a[3] * x[3]


@compiled()
def _less(t, a, x):
    """t - a x."""
    return t[0] - a[0] * x[0], t[1] - a[1] * x[1], t[2] - a[2] * x[2], t[3] - a[3] * x[3]


@compiled()
def _times(p, x, first, out):
    """out = p x, of the symmetric p; of x only what comes from `first` on."""
    n = x.shape[0]
    for j in range(n):
        total = (0.0, 0.0, 0.0, 0.0)
        for i in range(first, j):
            total = _more(total, _at(x[i]), _at(p[i, j]))
        for i in range(max(first, j), n):
            total = _more(total, _at(x[i]), _at(p[j, i]))
        _put(out[j], total)


@compiled()
def _dot(x, y):
    total = (0.0, 0.0, 0.0, 0.0)
    for i in range(x.shape[0]):
        total = _more(total, _at(x[i]), _at(y[i]))
    return total


@compiled()
def _turned(p, i, j, a, b):
    """A P B', row by row, P the block at i, j of the symmetric p; a, b: A and B, row by row."""
    e, f, g, h = _at(p[i, j]), _at(p[i, j + 1]), _at(p[i + 1, j]), _at(p[i + 1, j + 1])
    if i == j:
        g = f
    e, g = _two(a[0], e, a[1], g), _two(a[2], e, a[3], g)
    f, h = _two(a[0], f, a[1], h), _two(a[2], f, a[3], h)
    return _two(b[0], e, b[1], f), _two(b[2], e, b[3], f), _two(b[0], g, b[1], h), _two(b[2], g, b[3], h)


@compiled()
def _predict(m, p, row, blocks, noise, work):
    """m, p one step on, in place: first row dense, below it 1 for the drift and 2 x 2 blocks for the pairs."""
    top = _dot(row, m)
    _times(p, row, 0, work)
    _put(p[0, 0], _sum(_dot(work, row), _at(noise[0, 0])))
    _put(p[0, 1], _sum(_at(work[1]), _at(noise[0, 1])))
    _put(p[1, 1], _sum(_at(p[1, 1]), _at(noise[1, 1])))
    for b in range(blocks.shape[0]):
        j, along = 2 + 2 * b, blocks[b]
        b00, b01, b10, b11 = _at(along[0, 0]), _at(along[0, 1]), _at(along[1, 0]), _at(along[1, 1])
        x, y = _at(m[j]), _at(m[j + 1])
        _put(m[j], _two(b00, x, b01, y))
        _put(m[j + 1], _two(b10, x, b11, y))
        x, y = _at(work[j]), _at(work[j + 1])
        _put(p[0, j], _sum(_two(b00, x, b01, y), _at(noise[0, j])))
        _put(p[0, j + 1], _sum(_two(b10, x, b11, y), _at(noise[0, j + 1])))
        x, y = _at(p[1, j]), _at(p[1, j + 1])
        _put(p[1, j], _sum(_two(b00, x, b01, y), _at(noise[1, j])))
        _put(p[1, j + 1], _sum(_two(b10, x, b11, y), _at(noise[1, j + 1])))
        for a in range(b + 1):
            i, across = 2 + 2 * a, blocks[a]
            a00, a01, a10, a11 = _at(across[0, 0]), _at(across[0, 1]), _at(across[1, 0]), _at(across[1, 1])
            e, f, g, h = _turned(p, i, j, (a00, a01, a10, a11), (b00, b01, b10, b11))
            _put(p[i, j], _sum(e, _at(noise[i, j])))
            _put(p[i, j + 1], _sum(f, _at(noise[i, j + 1])))
            _put(p[i + 1, j], _sum(g, _at(noise[i + 1, j])))
            _put(p[i + 1, j + 1], _sum(h, _at(noise[i + 1, j + 1])))
    _put(m[0], top)


@compiled()
def _forward(z, info, row, blocks, noise, prior, jumps, keep):
    """(first rows of the predicted covariances, innovations' variances, 0 for none, predicted positions, surprises,
    log-likelihoods). jumps: (step, lane, position variance, speed variance), in order; keep: what is of each step, all but the
    last."""
    steps, n = z.shape[0], row.shape[0]
    kept = steps if keep else 1
    rows, means = np.empty((kept, n, LANES)), np.empty((kept, LANES))
    innovation, surprise = np.zeros((kept, LANES)), np.zeros((kept, LANES))
    m, p, work = np.zeros((n, LANES)), prior.copy(), np.zeros((n, LANES))
    loglik, over, told = np.zeros(LANES), np.zeros(LANES), np.zeros(LANES)
    next_jump = 0
    for k in range(steps):
        if k > 0:
            _predict(m, p, row, blocks, noise, work)
        while next_jump < jumps.shape[0] and jumps[next_jump, 0] <= k:
            lane = int(jumps[next_jump, 1])
            p[0, 0, lane] += jumps[next_jump, 2]
            p[1, 1, lane] += jumps[next_jump, 3]
            next_jump += 1
        at = k if keep else 0
        first = rows[at]
        for i in range(n):
            _put(first[i], _at(p[0, i]))
        _put(means[at], _at(m[0]))
        for lane in range(LANES):
            over[lane], told[lane] = 0.0, 0.0
            if info[k, lane] > 0:
                s, v = p[0, 0, lane] + 1.0 / info[k, lane], z[k, lane] - m[0, lane]
                innovation[at, lane], surprise[at, lane] = s, v
                over[lane], told[lane] = 1.0 / s, v
                loglik[lane] -= 0.5 * (v * v / s + np.log(s))
        if over.any():
            into, by = _at(told), _at(over)
            for j in range(n):
                gain = _product(_at(first[j]), by)
                _put(m[j], _more(_at(m[j]), gain, into))
                for i in range(j + 1):
                    _put(p[i, j], _less(_at(p[i, j]), gain, _at(first[i])))
    return rows, innovation, means, surprise, loglik


@compiled()
def _undo(r, w, row, blocks, along, spread):
    """r = transition' r and w = transition' w transition, in place.

    With D the transition without its first row, h = D' (first column of w), q = w[0, 0] row + h: q row' + row h' + D' w D.
    along (n): h; spread (n): q.
    """
    corner, top = _at(w[0, 0]), _at(r[0])
    _put(along[0], (0.0, 0.0, 0.0, 0.0))
    _put(along[1], _at(w[0, 1]))
    _put(r[1], _more(_at(r[1]), _at(row[1]), top))
    for b in range(blocks.shape[0]):
        j, down = 2 + 2 * b, blocks[b]
        b00, b01, b10, b11 = _at(down[0, 0]), _at(down[0, 1]), _at(down[1, 0]), _at(down[1, 1])
        x, y = _at(w[0, j]), _at(w[0, j + 1])
        _put(along[j], _two(b00, x, b10, y))
        _put(along[j + 1], _two(b01, x, b11, y))
        x, y = _at(r[j]), _at(r[j + 1])
        _put(r[j], _more(_two(b00, x, b10, y), _at(row[j]), top))
        _put(r[j + 1], _more(_two(b01, x, b11, y), _at(row[j + 1]), top))
    _put(r[0], _product(_at(row[0]), top))
    for i in range(row.shape[0]):
        _put(spread[i], _more(_at(along[i]), corner, _at(row[i])))
    _put(w[0, 0], _product(_at(spread[0]), _at(row[0])))
    _put(w[0, 1], _both(row, along, spread, 0, 1))
    _put(w[1, 1], _sum(_at(w[1, 1]), _both(row, along, spread, 1, 1)))
    for b in range(blocks.shape[0]):
        j, down = 2 + 2 * b, blocks[b]
        b00, b01, b10, b11 = _at(down[0, 0]), _at(down[0, 1]), _at(down[1, 0]), _at(down[1, 1])
        _put(w[0, j], _both(row, along, spread, 0, j))
        _put(w[0, j + 1], _both(row, along, spread, 0, j + 1))
        x, y = _at(w[1, j]), _at(w[1, j + 1])
        _put(w[1, j], _sum(_two(b00, x, b10, y), _both(row, along, spread, 1, j)))
        _put(w[1, j + 1], _sum(_two(b01, x, b11, y), _both(row, along, spread, 1, j + 1)))
        for a in range(b + 1):
            i, across = 2 + 2 * a, blocks[a]
            a00, a01, a10, a11 = _at(across[0, 0]), _at(across[0, 1]), _at(across[1, 0]), _at(across[1, 1])
            e, f, g, h = _turned(w, i, j, (a00, a10, a01, a11), (b00, b10, b01, b11))
            _put(w[i, j], _sum(e, _both(row, along, spread, i, j)))
            _put(w[i, j + 1], _sum(f, _both(row, along, spread, i, j + 1)))
            _put(w[i + 1, j], _sum(g, _both(row, along, spread, i + 1, j)))
            _put(w[i + 1, j + 1], _sum(h, _both(row, along, spread, i + 1, j + 1)))


@compiled()
def _both(row, along, spread, i, j):
    return _two(_at(spread[i]), _at(row[j]), _at(row[i]), _at(along[j]))


@compiled()
def _backward(means, surprise, rows, innovation, row, blocks):
    """(mean, variance) of the position at each step."""
    steps, n = rows.shape[:2]
    mean, variance = np.empty((steps, LANES)), np.empty((steps, LANES))
    r, w, seen, also = np.zeros((n, LANES)), np.zeros((n, n, LANES)), np.zeros((n, LANES)), np.zeros((n, LANES))
    over, left = np.zeros(LANES), np.zeros(LANES)
    for k in range(steps - 1, -1, -1):
        if k < steps - 1:
            _undo(r, w, row, blocks, seen, also)
        gain = rows[k]
        # What lies beside the position apart, as in `smoother`.
        _times(w, gain, 1, seen)
        rest, spread, corner = _dot(gain[1:], r[1:]), _dot(gain[1:], seen[1:]), _at(seen[0])
        for lane in range(LANES):
            s, p = innovation[k, lane], gain[0, lane]
            over[lane], left[lane] = 0.0, 1.0
            if s > 0:
                over[lane], left[lane] = 1.0 / s, (s - p) / s
                r[0, lane] = r[0, lane] * left[lane] + (surprise[k, lane] - rest[lane]) / s
            mean[k, lane] = means[k, lane] + rest[lane] + p * r[0, lane]
            known = spread[lane] + p * (2 * corner[lane] + p * w[0, 0, lane])
            variance[k, lane] = max(p * left[lane] - known * left[lane] * left[lane], 0.0)
        if over.any():
            by, share = _at(over), _at(left)
            total = _less(_product(_at(w[0, 0]), share), corner, by)
            total = _sum(_product(total, share), by)
            for j in range(1, n):
                beside = _less(_product(_at(w[0, j]), share), _at(seen[j]), by)
                _put(w[0, j], beside)
                total = _less(total, _product(_at(gain[j]), beside), by)
            _put(w[0, 0], total)
    return mean, variance
