"""The speed process of a machine, learned from one return.

Conventions: as in `speed` (us, ppm, Hz). z, info: measurements of the position and their information, one for each step.
Method: the likelihood that the Kalman filter gives (F. Schweppe, IEEE Trans. Information Theory 11 (1965) 61), climbed one
parameter after the other by parabolas in the logarithm; lines are proposed by `lines` and kept only where the likelihood gains
more than LINE_PRICE.
"""

import numpy as np

from . import abreast, lines
from .speed import Line, Noise, SpeedModel, discretise

LINE_PRICE = 8.0
# A model whose wandering, climbed once more, gains more than this was learned from quite another map: of fourteen varied
# returns one gained 230, the others 80 at most.
OUTDATED = 150.0
PIECE_S = 16.0
# Where nothing is known yet: between a pocket machine and a good deck, and free enough to follow both.
UNKNOWN = SpeedModel(150.0, (Noise(2500.0, 4.0), Noise(1000.0, 25.0)))
_LIMITS = {"drift": (1e-3, 3e4), "level": (1e-4, 5e4), "slow": (0.2, 8.0), "fast": (6.0, 120.0), "width": (0.004, 0.5)}
POSITION_SD_US, MEAN_SPEED_SD_PPM = 1e4, 1e5


class Evidence:
    """Measurements pooled to `pool` bins, and the likelihood of a model given them.

    The likelihood of a long return is taken over two pieces of it, where the music says most: the machine is the same throughout,
    and the cost does not grow with the song.
    """

    def __init__(self, z, info, step_s, *, pool=2, extra=None):
        count = z.size // pool * pool
        grouped = info[:count].reshape(-1, pool)
        self.info = grouped.sum(axis=1)
        self.z = (grouped * z[:count].reshape(-1, pool)).sum(axis=1) / np.maximum(self.info, 1e-300)
        self.step_s = step_s * pool
        self.extra = None if extra is None else (np.asarray(extra[0]) // pool, extra[1], extra[2])
        self._pieces = _telling_pieces(self.info, round(PIECE_S / self.step_s))

    def of(self, model):
        return self.of_each([model])[0]

    def of_each(self, models):
        """The likelihood of each of the models, which have equally many parts."""
        runs = [self._run(piece, start_steps(model, self.step_s)) for model in models for piece in self._pieces]
        values = np.reshape(abreast.log_likelihoods(runs), (len(models), -1)).sum(axis=1)
        return np.where(np.isfinite(values), values, -np.inf)

    def _run(self, piece, steps):
        return self.z[slice(*piece)], self.info[slice(*piece)], steps, self.extra_within(*piece)

    def extra_within(self, first, last):
        """The part of `extra` that falls into steps first .. last, counted from there."""
        if self.extra is None:
            return None
        at, position, speed = self.extra
        inside = (at >= first) & (at < last)
        return at[inside] - first, np.asarray(position)[inside], np.asarray(speed)[inside]


def _telling_pieces(info, length):
    """(first, last) of the two pieces, one in each half, in which the map is known best; all of it where it is short."""
    if info.size <= 2.5 * length:
        return [(0, info.size)]
    known = np.concatenate(([0.0], np.cumsum(np.sqrt(info))))
    gained = known[length:] - known[:-length]
    half = info.size // 2
    first = int(np.argmax(gained[: half - length + 1]))
    second = half + int(np.argmax(gained[half:]))
    return [(first, first + length), (second, second + length)]


def start_steps(model, step_s):
    """The model over steps of step_s, starting from nearly nothing known."""
    return discretise(model, step_s, position_sd_us=POSITION_SD_US, mean_speed_sd_ppm=MEAN_SPEED_SD_PPM)


def learn(evidence, model, *, rounds=2, turning=True):
    """The most likely SpeedModel, from `model` on; turning: with lines."""
    model = climb(evidence, model, rounds=rounds)
    if not turning:
        return model
    found = lines.propose(evidence, start_steps(model, evidence.step_s))
    if not found and not model.lines:
        return model
    with_lines = climb(evidence, model._replace(lines=_merged(model.lines, found)), rounds=rounds)
    return without_idle_lines(evidence, with_lines)


def _merged(old, new):
    apart = [line for line in new if all(abs(line.rate_hz - o.rate_hz) > 0.15 + 0.03 * o.rate_hz for o in old)]
    return tuple(list(old) + apart)[: lines.MOST]


def without_idle_lines(evidence, model):
    """Take out each line that the likelihood does not miss."""
    best = evidence.of(model)
    for line in sorted(model.lines, key=lambda one: one.level_ppm):
        fewer = model._replace(lines=tuple(one for one in model.lines if one != line))
        value = evidence.of(fewer)
        if value > best - LINE_PRICE:
            model, best = fewer, value
    return model


def up_to_date(evidence, model):
    """The model, unless the evidence speaks for quite another wandering: then, and where there is none, one learned anew."""
    if model and evidence.of(climb(evidence, model, rounds=1, with_lines=False)) < evidence.of(model) + OUTDATED:
        return model
    return learn(evidence, UNKNOWN)


def climb(evidence, model, *, rounds=2, with_lines=True):
    """Climb the likelihood in the logarithm of each parameter in turn."""
    values, limits, kinds = _unpack(model)
    climbed = values.size if with_lines else values.size - 3 * len(model.lines)
    best = evidence.of(model)
    steps = np.array([{"rate": 0.02, "width": 0.7}.get(kind, 0.9) for kind in kinds])
    steps = np.where([kind == "rate" for kind in kinds], 0.02 / np.exp(values), steps)
    for _ in range(rounds):
        for i in range(climbed):
            values, best, steps[i] = _climb_one(evidence, model, values, limits, best, i, steps[i])
    return _pack(model, values)


def _climb_one(evidence, model, values, limits, best, i, step):
    """One parabola through three values of parameter i; its top is tried and kept if it is better."""

    def at(x):
        moved = values.copy()
        moved[i] = np.clip(x, *limits[i])
        return moved

    up_values, down_values = at(values[i] + step), at(values[i] - step)
    up, down = evidence.of_each([_pack(model, up_values), _pack(model, down_values)])
    tried = [(best, values), (up, up_values), (down, down_values)]
    bend = up + down - 2 * best
    if bend < 0 and np.isfinite(bend):
        top = 0.5 * step * (down - up) / bend
        moved = at(values[i] + np.clip(top, -2.5 * step, 2.5 * step))
        tried.append((evidence.of(_pack(model, moved)), moved))
        step = np.clip(abs(top), 0.35 * step, step)
    best, values = max(tried, key=lambda pair: pair[0])
    return values, best, step


def _unpack(model):
    values, limits, kinds = [np.log(model.drift_ppm)], [_LIMITS["drift"]], ["drift"]
    for k, noise in enumerate(model.noises):
        values += [np.log(noise.level_ppm), np.log(noise.corner_hz)]
        limits += [_LIMITS["level"], _LIMITS["slow" if k == 0 else "fast"]]
        kinds += ["level", "corner"]
    for line in model.lines:
        values += [np.log(line.level_ppm), np.log(line.rate_hz), np.log(line.half_width_hz)]
        limits += [_LIMITS["level"], (0.2, 80.0), _LIMITS["width"]]
        kinds += ["level", "rate", "width"]
    return np.array(values), np.log(np.array(limits)), kinds


def _pack(model, values):
    numbers = iter(np.exp(values))
    drift = float(next(numbers))
    noises = tuple(Noise(float(next(numbers)), float(next(numbers))) for _ in model.noises)
    lines = tuple(Line(*(float(next(numbers)) for _ in range(3))) for _ in model.lines)
    # Line's own order is rate first; its values are kept level first.
    lines = tuple(Line(line.level_ppm, line.rate_hz, line.half_width_hz) for line in lines)
    return SpeedModel(drift, noises, lines)
