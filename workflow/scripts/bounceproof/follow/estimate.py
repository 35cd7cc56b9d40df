"""From a coarse path to the map: Gauss-Newton steps, the speed process learned on the way, map and response jointly at the end.

Conventions: the map is return = a + b * sent + x, x in us at the bins' middles. Sources: the modules it calls.
"""

from functools import partial
from typing import NamedTuple

import numpy as np

from bounceproof import at_once
from bounceproof.runs import runs

from . import bending, constant, doubt, faint, joint, learn, response, riding, settle, slips, smoother, sweep
from .material import BIN, BIN_S, HOP, bin_times, blocks

# Settled once; again, so often at most, where that moved the map by more than this, which the response was not made for.
SETTLING, SETTLED_US = 3, 250.0
# So often at most with the level control's ride on what was sent.
RIDDEN_SETTLING = 2
# A coarse map that the steps move by more than this (rms) was too rough to tell the constant by.
ROUGH_US = 60.0
START_SD_US = (200.0, 500.0)
CLICK_SD_US = 40.0
# Faint stretches are looked at so often, and distrusted so far where that moved them.
FAINT_ROUNDS, FAINT_SD_US = 3, 60.0
# Steps before the response is solved jointly: at least until the speed process is learned twice, at most so many.
LEARN_AT = (0, 1)
MOST_STEPS = 9
# Whatever has not settled when so many are left is taken as it is: the constant is decided again, what bends and what is faint
# looked at.
LAST_STEPS = 4
# A step is the last when it moves the map by less than this share of its own standard deviation.
SETTLED_SHARE = 0.4
# Before the joint steps, which do the rest, larger moves will do.
NEARLY_SETTLED = 3.0
# Of a map that was too rough, the constant is decided again as soon as it moves by less than this.
FINE_ENOUGH = 6.0
# A map that has moved by more than this, counted so, since the speed process was learned from it has outgrown that.
OUTGROWN = 6.0
# Joint steps: at least two, then until the map and its constant stand still.
JOINT_STEPS = 8
# The constant stands still when it moves by less than these shares of its own and of the map's standard deviation.
CONSTANT_STILL, MAP_STILL = 0.5, 0.2
# A return of which no more than this share of power is not the stem itself came through no tape.
COPY_LEFT = 3e-6
# What the reading, the knots and a response that never stands quite still leave over however loud the music is.
FLOOR_US = 0.05
# The constant rests on one response for clicks and music; over simulated returns of basses it strays this much further than its
# covariance says, and by some hundredths of a microsecond however loud the music is.
OFFSET_DOUBT, OFFSET_FLOOR_US = 1.8, 0.08


class Estimate(NamedTuple):
    """x_us, variance, info, z_us: per bin; line: (a, b); theta and covariance of the response; model: the speed process.

    variance: of the map, the constant and all doubt included; doubt: what the leave-one-out residual says (Doubt);
    offset_sigma_us: standard deviation of the constant between music and anchor.
    """

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
    doubt: object
    offset_sigma_us: float


def knots(line, x_us):
    """Return time (s) at the bins' middles."""
    return line[0] + line[1] * bin_times(x_us.size) + 1e-6 * x_us


def estimate(
    sent, back, line, x_us, anchor, *, click_spans=(), polarity=None, extra=None, base_us=0.0, model=learn.UNKNOWN, watch=None
):
    """Refine the map x_us (per bin, about `line`); anchor fixes what counts as no delay. watch: called after each step.

    polarity: of the clicks, where it is known. base_us: a slow course, per bin, about which the speed process is at home
    (batteries that fade, a changed speed).
    """
    watch = watch or (lambda *_: None)
    theta = _plain_copy(sent, back, line)
    if theta is not None:
        return _finish(sent, back, line, np.zeros(x_us.size), theta, 0.5, anchor, None, extra, base_us, None, watch)
    spans = list(click_spans)
    x_us, sd_us, music = _settled(sent, back, line, x_us, spans, SETTLING, lambda x: watch("settled", x, np.ones(x.size), model))
    plain, ride = sent, riding.first(sent, back, knots(line, x_us))
    if ride is not None:
        sent = plain.ridden(ride)
        x_us, sd_us, music = _settled(
            sent, back, line, x_us, spans, RIDDEN_SETTLING, lambda x: watch("ridden", x, np.ones(x.size), model)
        )
    x_us, theta, within, clicks = _first_constant(sent, back, line, x_us, anchor, spans, polarity, music)
    distrust, replayed = np.clip(2 * sd_us, *START_SD_US), 0.5
    sure = np.zeros(x_us.size, dtype=bool)
    for click in clicks:
        # Found by matched filter, seconds of silence away from the music: the music's doubt is not theirs.
        sure[max(0, click.span[0] // BIN - 8) : click.span[1] // BIN + 8] = True
    distrust[sure] = CLICK_SD_US
    lineless, outgrown, rough, coarse_us, asking, leaping = None, False, False, x_us, FAINT_ROUNDS, True
    bend = None
    for k in range(MOST_STEPS):
        seen = sweep.look(
            sent,
            back,
            knots(line, x_us),
            theta,
            replayed=replayed,
            attenuate_us=distrust,
            want_response=True,
            want_gain=ride is not None,
        )
        replayed = seen.replayed
        z = measured(x_us, seen)
        learning = k in LEARN_AT or outgrown
        if learning:
            told = learn.Evidence(z - base_us, seen.info, BIN_S, extra=extra)
            if k == 0:
                model = lineless = learn.learn(told, model, turning=False)
            else:
                # The machine's lines are looked for once the map is good enough to show them, each time from none.
                model = learn.learn(told, lineless)
        smoothed, fitted = at_once.together(
            partial(_smoothed, z, seen.info, model, extra, base_us), partial(_fitted, seen.normal, seen.gain)
        )
        if learning:
            learned_us = smoothed.mean_us
        if k == LEARN_AT[-1]:
            rough = bool(clicks) and np.std(smoothed.mean_us - coarse_us) > ROUGH_US
        step = smoothed.mean_us - x_us
        distrust = np.sqrt(4 * smoothed.variance + step**2)
        x_us, slipped = smoothed.mean_us, False
        if k >= LEARN_AT[-1]:
            there = There(sent, back, line, theta, replayed, seen)
            x_us, distrust, slipped = _without_slips(x_us, z, model, distrust, extra, base_us, sure, there, ask=k > LEARN_AT[-1])
        x_us, theta = anchored(x_us, fitted, seen.normal, anchor, line, within=within)
        if ride is not None:
            ride = riding.refined(ride, seen)
            sent = changed(plain, ride, bend)
        watch(k, x_us, smoothed.variance, model)
        if k < LEARN_AT[-1]:
            continue
        outgrown = not _stands(x_us - learned_us, smoothed.variance, seen.info, OUTGROWN)
        patient, still = k < MOST_STEPS - LAST_STEPS, FINE_ENOUGH if rough else NEARLY_SETTLED
        if patient and not _stands(step, smoothed.variance, seen.info, still):
            continue
        if rough:
            # From so rough a map the constant could be several cycles off: decided again, now that it is fine. What slipped is
            # put right on the way.
            x_us, theta, within, clicks = _first_constant(sent, back, line, x_us, anchor, spans, polarity)
            watch("constant again", x_us, smoothed.variance, model)
            rough = False
        elif not outgrown and not (patient and slipped):
            there = There(sent, back, line, theta, replayed, seen)
            if bend is None:
                bend = bending.first(there, x_us)
                if bending.bends(bend):
                    sent = changed(plain, ride, bend)
                    continue
            moved_us, leapt = faint.look_again(there, x_us, z - base_us, model, extra, nearby=asking > 0, leaps=leaping)
            if moved_us is None:
                break
            asking, leaping = asking - 1, leaping and not leapt
            x_us, distrust = x_us + moved_us, np.where(moved_us, FAINT_SD_US, distrust)
            watch("faint", x_us, smoothed.variance, model)
    return _finish(sent, back, line, x_us, theta, replayed, anchor, model, extra, base_us, sure, watch, plain, ride, bend)


def changed(plain, ride, bend):
    """What was sent as the machine's level control rode it and its tape bent it (None or zeros: it did not)."""
    ridden = plain if ride is None else plain.ridden(ride)
    return ridden.bent(bend) if bending.bends(bend) else ridden


def _settled(sent, back, line, x_us, spans, rounds, watch):
    """(the map moved to the most likely cycles, its standard deviation, us per bin, the music's normal equations along it, as
    `constant` has them), as long as that pays: of maps that each have their own response, the one is better with which the stem
    explains more of the return."""

    def first_response(x_us):
        music = constant.normal(sent, back, knots(line, x_us), spans, inside=False)
        normal = constant.without_reach(music)
        theta = response.solve(normal)
        return theta, response.explained(normal, theta), music

    (theta, explained, music), sd_us = first_response(x_us), np.full(x_us.size, START_SD_US[1])
    for _ in range(rounds):
        correction, settled_sd_us = settle.settle(sent, back, knots(line, x_us), theta)
        moved = first_response(x_us + correction)
        if moved[1] < explained:
            break
        x_us, sd_us, (theta, explained, music) = x_us + correction, settled_sd_us, moved
        watch(x_us)
        if np.std(correction) < SETTLED_US:
            break
    return x_us, sd_us, music


def _plain_copy(sent, back, line):
    """The response of a plain copy (a wire, a digital loop), where the return read along `line` is one; else None.

    No fit starts as near to it as the copy itself, and none gets there where the stem is a few steady tones.
    """
    along = knots(line, np.zeros(sent.bins))
    heard = np.concatenate(at_once.each(lambda block: back.through(along, *block[:2]), blocks(sent.samples.size)))
    # Direct current is no sound, and of a capture it has been taken off.
    told = sent.samples - sent.samples.mean()
    heard -= heard.mean()
    power = float(np.dot(told, told))
    gain = float(np.dot(told, heard)) / max(power, 1e-30)
    left = np.subtract(heard, np.float32(gain) * told, out=heard)
    if not power or not gain or np.dot(left, left) > COPY_LEFT * gain**2 * power:
        return None
    return response.pulse(gain)


def _smoothed(z, info, model, extra, base_us, *, keep=False):
    smoothed = smoother.smooth(z - base_us, info, learn.start_steps(model, BIN_S), extra=extra, keep=keep)
    return smoothed._replace(mean_us=smoothed.mean_us + base_us)


def _fitted(normal, gain):
    """The response that fits best, the mean gain of the music (a Pass has it) taken into it."""
    return response.reshaped(response.solve(normal), normal, gain=gain)


class There(NamedTuple):
    """What a look at the music in other places takes, and the Pass there is."""

    sent: object
    back: object
    line: tuple
    theta: np.ndarray
    replayed: float
    seen: object


def _expected(x_us, z, model, extra, base_us, sure, there, *, ask):
    """The suspects of a slip and where the rest expects them (Rest, about base_us), or None.

    ask: without those that the music vouches for, which it can once the rest is known well.
    """
    rest = slips.expected(x_us - base_us, z - base_us, there.seen.info, model, extra=extra, sure=sure)
    if rest is None or not ask:
        return rest
    # Frames overlap, and the gain and the noise are smoothed over their neighbours: two more on both sides.
    spans = [(first * BIN - HOP, (last - 1) * BIN + 2 * HOP) for first, last in runs(rest.suspect)]
    elsewhere = sweep.look(
        there.sent,
        there.back,
        knots(there.line, slips.put_back(x_us - base_us, rest) + base_us),
        there.theta,
        replayed=there.replayed,
        keep=constant.frames_of(spans, there.sent.samples.size // HOP, inside=True),
    )
    lost = slips.evidence(there.seen) - slips.evidence(elsewhere)
    suspect = slips.not_vouched(rest.suspect, lost)
    return rest._replace(suspect=suspect) if suspect.any() else None


def _without_slips(x_us, z, model, distrust, extra, base_us, sure, there, *, ask):
    """Stretches on the wrong cycle put back where the rest expects them: (x_us, distrust, whether there were any)."""
    rest = _expected(x_us, z, model, extra, base_us, sure, there, ask=ask)
    if rest is None:
        return x_us, distrust, False
    wide = np.minimum(2 * rest.sd_us, START_SD_US[1])
    return slips.put_back(x_us - base_us, rest) + base_us, np.where(rest.suspect, wide, distrust), True


def _stands(step_us, variance, info, share=SETTLED_SHARE):
    """Whether the last step, its mean left out, was small against what is not known anyway."""
    step_us = step_us - np.average(step_us, weights=info + 1e-300)
    return np.sum(info * step_us**2) < share**2 * np.sum(info * variance)


def _first_constant(sent, back, line, x_us, anchor, spans, polarity, music=None):
    """Map and response with the clicks and the music reconciled: (x_us, theta, how far the anchor may still move, clicks).

    music: the normal equations of all but these spans along the map, where they are known.
    """
    along = knots(line, x_us)
    clicks, polarity = constant.place(sent, back, along, spans, polarity)
    found = [click.span for click in clicks]
    if music is None or found != spans:
        music = constant.normal(sent, back, along, found, inside=False)
    if not clicks:
        normal = constant.without_reach(music)
        return *anchored(x_us, response.solve(normal), normal, anchor, line), 4, []
    anchor.sign = polarity
    x_us, normal = constant.reconcile(sent, back, line, x_us, clicks, music, anchor)
    return *anchored(x_us, response.solve(normal), normal, anchor, line, within=3), 2, clicks


def _finish(
    sent, back, line, x_us, theta, replayed, anchor, model, extra, base_us, sure, watch, plain=None, ride=None, bend=None
):
    edges, bent, ahead = joint.groups(x_us.size, fine=sure), bending.bends(bend), joint.Ahead()
    for k in range(JOINT_STEPS):
        # The arrays of the step before are large.
        seen = equations = None
        seen = sweep.look(
            sent, back, knots(line, x_us), theta, replayed=replayed, edges=edges, want_gain=ride is not None, want_bend=bent
        )
        replayed = seen.replayed
        z = measured(x_us, seen)
        if k == 0:
            # Learned while the map was rough, if at all.
            model = learn.up_to_date(learn.Evidence(z - base_us, seen.info, BIN_S, extra=extra), model)
        # Where each bin is a group of its own, what the smoother keeps serves the equations too.
        smoothed = _smoothed(z, seen.info, model, extra, base_us, keep=edges.size > x_us.size)
        unknowns = np.append(theta, bend) if bent else theta
        equations = joint.Elimination(seen, unknowns, anchor, model, edges=edges, extra=extra, kept=smoothed.kept)
        step = equations.step(smoothed.mean_us - x_us)
        before, bent_before = x_us, bend
        x_us, unknowns = smoothed.mean_us + step.pull_us, step.unknowns
        if ride is None:
            x_us, unknowns = ahead.of(before, x_us, unknowns, seen.info)
        theta, bend = (unknowns[:-2], unknowns[-2:]) if bent else (unknowns, bend)
        if ride is not None:
            ride = riding.refined(ride, seen)
        if bent or ride is not None:
            sent = changed(plain, ride, bend)
        watch(f"joint {k}", x_us, smoothed.variance, model)
        moved = np.average(x_us - before, weights=seen.info + 1e-300)
        doubted = smoothed.variance + equations.offset_variance
        spread = np.average(doubted, weights=seen.info + 1e-300)
        still = np.sqrt(max(CONSTANT_STILL**2 * equations.offset_variance, MAP_STILL**2 * spread))
        stands = not bent or bending.stands(bend, bend - bent_before, np.abs(plain.samples).max())
        if k > 0 and stands and abs(moved) < still and _stands(x_us - before, doubted, seen.info):
            break
    there = There(sent, back, line, theta, replayed, seen)
    rest = _expected(smoothed.mean_us, z, model, extra, base_us, sure, there, ask=True)
    info = seen.info
    if rest is not None:
        info = np.where(rest.suspect, 0.0, info)
        smoothed = _smoothed(z, info, model, extra, base_us)
    uneven = doubt.unevenness(z, smoothed.mean_us, info, smoothed.variance, sweep.heard_power(sent, theta))
    if (uneven != 1).any():
        info = info / uneven
        smoothed = _smoothed(z, info, model, extra, base_us)
    checked = doubt.doubt(z, smoothed.mean_us, info, smoothed.variance)
    least_us = OFFSET_FLOOR_US if ride is None else riding.constant_doubt_us(plain, seen)
    known = equations.offset_variance * checked.inflation**2
    offset = OFFSET_DOUBT**2 * known + least_us**2
    # The doubt of the response holds what is known of the constant's already.
    variance = (smoothed.variance + equations.variance(smoothed.variance)) * checked.inflation**2 + FLOOR_US**2 + offset - known
    taps = equations.covariance[: theta.size, : theta.size]
    return Estimate(
        smoothed.mean_us + step.pull_us, variance, smoothed.variance, info, z + step.pull_us, line, theta, taps, model,
        seen.explained, seen.left_over, checked, float(np.sqrt(offset)),
    )  # fmt: skip


def measured(x_us, seen):
    """What each bin says about x, us (x itself where it says nothing)."""
    return x_us - np.divide(seen.score, seen.info, out=np.zeros_like(x_us), where=seen.info > 0)


def anchored(x_us, theta, normal, anchor, line, *, within=None):
    """Move the response's delay into the map, so that the anchor has none."""
    delay, _ = anchor.delay(theta, within=within)
    return x_us + response.in_us(delay) * line[1], response.reshaped(theta, normal, delay_samples=-delay)
