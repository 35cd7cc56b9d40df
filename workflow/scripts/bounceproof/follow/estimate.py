"""From a coarse path to the map: Gauss-Newton steps, the speed process learned on the way, map and response jointly at the end.

Conventions: the map is return = a + b * sent + x, x in us at the bins' middles. Sources: the modules it calls.
"""

from typing import NamedTuple

import numpy as np

from . import constant, joint, learn, response, settle, smoother, sweep
from .material import BIN_S, bin_times

SETTLING = 2
START_SD_US = (60.0, 400.0)
EARLY_STEPS = 5
LEARN_AFTER = (1, 3)
JOINT_STEPS = 2


class Estimate(NamedTuple):
    """x_us, variance, info, z_us: per bin; line: (a, b); theta and covariance of the response; model: the speed process."""

    x_us: np.ndarray
    variance: np.ndarray
    position_variance: np.ndarray
    info: np.ndarray
    z_us: np.ndarray
    line: tuple
    theta: np.ndarray
    theta_covariance: np.ndarray
    model: object
    explained: np.ndarray
    left_over: np.ndarray


def knots(line, x_us):
    """Return time (s) at the bins' middles."""
    return line[0] + line[1] * bin_times(x_us.size) + 1e-6 * x_us


def estimate(sent, back, line, x_us, anchor, *, click_spans=(), extra=None, model=learn.UNKNOWN, watch=None):
    """Refine the map x_us (per bin, about `line`); anchor fixes what counts as no delay. watch: called after each step."""
    for _ in range(SETTLING):
        theta = response.solve(first_normal(sent, back, knots(line, x_us)))
        correction, doubt = settle.settle(sent, back, knots(line, x_us), theta)
        x_us = x_us + correction
        if watch:
            watch("settled", x_us, np.ones(x_us.size), model)
    x_us, theta, within = _first_constant(sent, back, line, x_us, anchor, click_spans)
    distrust = np.clip(2 * doubt, *START_SD_US)
    for k in range(EARLY_STEPS):
        seen = sweep.look(sent, back, knots(line, x_us), theta, attenuate_us=distrust, want_response=True)
        z = measured(x_us, seen)
        if k in LEARN_AFTER:
            model = learn.learn(learn.Evidence(z, seen.info, BIN_S, extra=extra), model)
        if watch: watch('explained %.4f delay %.3f'%(seen.explained.sum()/(seen.explained.sum()+seen.left_over.sum()), anchor.delay(theta)[0]), x_us, np.ones(x_us.size), model)
        smoothed = smoother.smooth(z, seen.info, learn.start_steps(model, BIN_S), extra=extra)
        step = np.abs(smoothed.mean_us - x_us)
        distrust = np.sqrt(4 * smoothed.variance + step**2)
        theta = response.reshaped(response.solve(seen.normal), seen.normal, gain=seen.gain)
        x_us, theta = anchored(smoothed.mean_us, theta, seen.normal, anchor, line, within=within)
        if watch:
            watch(k, x_us, smoothed.variance, model)
    return _finish(sent, back, line, x_us, theta, anchor, model, extra, watch)


def _first_constant(sent, back, line, x_us, anchor, click_spans):
    """Map and response with the clicks and the music reconciled: (x_us, theta, how far the anchor may still move)."""
    clicks, polarity = constant.place(sent, back, knots(line, x_us), click_spans)
    if not clicks:
        normal = first_normal(sent, back, knots(line, x_us))
        return *anchored(x_us, response.solve(normal), normal, anchor, line), 4
    x_us, normal = constant.reconcile(sent, back, line, x_us, clicks, polarity, anchor)
    return *anchored(x_us, response.solve(normal), normal, anchor, line, within=3), 2


def _finish(sent, back, line, x_us, theta, anchor, model, extra, watch):
    pool = pool_for(x_us.size)
    for k in range(JOINT_STEPS):
        seen = sweep.look(sent, back, knots(line, x_us), theta, pool=pool)
        z = measured(x_us, seen)
        if k == 0:
            model = learn.learn(learn.Evidence(z, seen.info, BIN_S, extra=extra), model, lines=False, rounds=1)
        if watch: watch('explained %.4f delay %.3f'%(seen.explained.sum()/(seen.explained.sum()+seen.left_over.sum()), anchor.delay(theta)[0]), x_us, np.ones(x_us.size), model)
        smoothed = smoother.smooth(z, seen.info, learn.start_steps(model, BIN_S), extra=extra)
        both = joint.solve(seen, theta, anchor, x_us, smoothed.mean_us, model, pool=pool, extra=extra)
        x_us = smoothed.mean_us + joint.spread(both.pull_us, pool, x_us.size)
        added = joint.spread(both.variance, pool, x_us.size)
        theta = response.reshaped(both.theta, seen.normal, gain=seen.gain)
        x_us, theta = anchored(x_us, theta, seen.normal, anchor, line, within=2)
        if watch:
            watch(f"joint {k}", x_us, smoothed.variance + added, model)
    seen = sweep.look(sent, back, knots(line, x_us), theta)
    z = measured(x_us, seen)
    smoothed = smoother.smooth(z, seen.info, learn.start_steps(model, BIN_S), extra=extra)
    return Estimate(
        smoothed.mean_us, smoothed.variance + added, smoothed.variance, seen.info, z, line, theta, both.covariance, model,
        seen.explained, seen.left_over,
    )  # fmt: skip


def pool_for(bins):
    """How many bins a pooled one holds: more for long returns, so that memory stays bounded."""
    return 2 if bins < 200_000 else 4 if bins < 600_000 else 8


def measured(x_us, seen):
    """What each bin says about x, us (x itself where it says nothing)."""
    return x_us - np.divide(seen.score, seen.info, out=np.zeros_like(x_us), where=seen.info > 0)


def first_normal(sent, back, knots_u):
    """Normal equations of the response as the coarse path sees it: no gain or noise is known yet."""
    nothing = np.zeros(response.basis()[1].size)
    return sweep.look(sent, back, knots_u, nothing, want_response=True).normal


def anchored(x_us, theta, normal, anchor, line, *, within=None):
    """Move the response's delay into the map, so that the anchor has none."""
    delay, _ = anchor.delay(theta, within=within)
    return x_us + response.in_us(delay) * line[1], response.reshaped(theta, normal, delay_samples=-delay)
