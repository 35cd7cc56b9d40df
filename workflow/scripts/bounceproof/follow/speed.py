"""How a machine's speed wanders: a stochastic process, and the state space that a smoother runs on.

Conventions: position x in us (return time less a straight line), speeds in ppm = us per second, steps in seconds, variances
in the square of those. The speed is the sum of a random walk (drift), low-passed noise of second order (critically damped,
one or more corners) and lightly damped oscillators (capstan, pinch roller, motor). dx/dt = speed.
Source of the discretisation: C. Van Loan, IEEE Trans. Automatic Control 23 (1978) 395.
"""

from typing import NamedTuple

import numpy as np


class Noise(NamedTuple):
    """Low-passed random speed: standard deviation and corner (critically damped second order)."""

    level_ppm: float
    corner_hz: float


class Line(NamedTuple):
    """One rotating part: rate, standard deviation of its speed, half the width of its line."""

    rate_hz: float
    level_ppm: float
    half_width_hz: float


class SpeedModel(NamedTuple):
    """drift_ppm: standard deviation of the random walk of the speed after 1 s; noises: of Noise; lines: of Line."""

    drift_ppm: float
    noises: tuple
    lines: tuple = ()

    @property
    def states(self):
        return 2 + 2 * len(self.noises) + 2 * len(self.lines)

    @property
    def unsteady_ppm(self):
        """Standard deviation of the speed without the drift."""
        return float(np.sqrt(sum(part.level_ppm**2 for part in (*self.noises, *self.lines))))


class Steps(NamedTuple):
    """A SpeedModel over one step: position row, 2 x 2 blocks of the pairs, noise covariance, prior covariance.

    State: position, drift, then one pair for each noise and line.
    """

    row: np.ndarray
    blocks: np.ndarray
    noise: np.ndarray
    prior: np.ndarray


def discretise(model, step_s, *, position_sd_us, mean_speed_sd_ppm):
    """The model's exact discrete form (Van Loan) for steps of step_s, with the standard deviations it starts from."""
    n = model.states
    a, q, prior = np.zeros((n, n)), np.zeros((n, n)), np.zeros((n, n))
    a[0, 1] = 1.0
    q[1, 1] = model.drift_ppm**2
    prior[0, 0], prior[1, 1] = position_sd_us**2, mean_speed_sd_ppm**2
    for i, noise in enumerate(model.noises):
        _add_noise(a, q, prior, 2 + 2 * i, noise)
    for i, line in enumerate(model.lines):
        _add_line(a, q, prior, 2 + 2 * (len(model.noises) + i), line)
    transition, noise = _van_loan(a, q, step_s)
    blocks = np.array([transition[i : i + 2, i : i + 2] for i in range(2, n, 2)]).reshape(-1, 2, 2)
    return Steps(np.ascontiguousarray(transition[0]), blocks, noise, prior)


def _add_noise(a, q, prior, i, noise):
    w = 2 * np.pi * noise.corner_hz
    # The second state is the rate of change over w, so that both have the same variance.
    a[0, i] = 1.0
    a[i, i + 1] = w
    a[i + 1, i], a[i + 1, i + 1] = -w, -2 * w
    q[i + 1, i + 1] = 4 * w * noise.level_ppm**2
    prior[i, i] = prior[i + 1, i + 1] = noise.level_ppm**2


def _add_line(a, q, prior, i, line):
    w, g = 2 * np.pi * line.rate_hz, 2 * np.pi * line.half_width_hz
    a[0, i] = 1.0
    a[i : i + 2, i : i + 2] = [[-g, -w], [w, -g]]
    q[i, i] = q[i + 1, i + 1] = 2 * g * line.level_ppm**2
    prior[i, i] = prior[i + 1, i + 1] = line.level_ppm**2


def _van_loan(a, q, step_s):
    from scipy.linalg import expm

    n = len(a)
    big = expm(np.block([[-a, q], [np.zeros((n, n)), a.T]]) * step_s)
    transition = big[n:, n:].T
    noise = transition @ big[:n, n:]
    return transition, (noise + noise.T) / 2


def speed_density(model, rate_hz):
    """One-sided spectral density of the speed, ppm^2 per Hz, without the drift's part below the lowest rate given."""
    f = np.asarray(rate_hz, dtype=float)
    total = 2 * model.drift_ppm**2 / (2 * np.pi * np.maximum(f, 1e-9)) ** 2
    for noise in model.noises:
        w = 2 * np.pi * noise.corner_hz
        total = total + 8 * w**3 * noise.level_ppm**2 / (w**2 + (2 * np.pi * f) ** 2) ** 2
    for line in model.lines:
        g = line.half_width_hz
        total = total + line.level_ppm**2 * g / np.pi * (
            1 / (g**2 + (f - line.rate_hz) ** 2) + 1 / (g**2 + (f + line.rate_hz) ** 2)
        )
    return total
