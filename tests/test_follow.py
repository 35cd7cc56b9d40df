"""The follower's smoother and speed process against dense linear algebra (Gaussian conditioning; scipy's matrix exponential)."""

import numpy as np
import pytest
from bounceproof.follow import abreast, acquire, doubt, joint, jumps, smoother
from bounceproof.follow.smoother import gains, paced, smooth, smooth_columns, told_twice
from bounceproof.follow.speed import Line, Noise, SpeedModel, discretise
from hypothesis import given, settings
from hypothesis import strategies as st

STEPS = 200


@pytest.fixture(scope="module")
def case():
    random = np.random.default_rng(0)
    model = SpeedModel(100.0, (Noise(500.0, 30.0),), (Line(2.3, 1700.0, 0.03),))
    steps = discretise(model, 0.002, position_sd_us=100.0, mean_speed_sd_ppm=1000.0)
    info = np.where(random.random(STEPS) < 0.5, 1 / random.uniform(1, 9, STEPS), 0.0)
    return steps, random.normal(size=STEPS) * 10, info


def _transition(steps):
    transition = np.eye(steps.row.size)
    transition[0] = steps.row
    for b, block in enumerate(steps.blocks):
        transition[2 + 2 * b : 4 + 2 * b, 2 + 2 * b : 4 + 2 * b] = block
    return transition


def _covariance(steps):
    """Of the position at all steps, from the state space written out as a matrix."""
    transition = _transition(steps)
    state, out = steps.prior.copy(), np.zeros((STEPS, STEPS))
    for k in range(STEPS):
        if k:
            state = transition @ state @ transition.T + steps.noise
        column = state[:, 0].copy()
        out[k, k] = column[0]
        for j in range(k + 1, STEPS):
            column = transition @ column
            out[j, k] = out[k, j] = column[0]
    return out


def test_the_smoother_is_gaussian_conditioning(case):
    steps, z, info = case
    prior, on = _covariance(steps), info > 0
    measured = prior[np.ix_(on, on)] + np.diag(1 / info[on])
    mean = prior[:, on] @ np.linalg.solve(measured, z[on])
    variance = np.diag(prior - prior[:, on] @ np.linalg.solve(measured, prior[on]))
    loglik = -0.5 * (z[on] @ np.linalg.solve(measured, z[on]) + np.linalg.slogdet(measured)[1])
    found = smooth(z, info, steps)
    np.testing.assert_allclose(found.mean_us, mean, atol=1e-6)
    np.testing.assert_allclose(found.variance, variance, rtol=1e-6)
    assert found.log_likelihood == pytest.approx(loglik, abs=1e-5)
    ((mean_us, variance),) = abreast.smooth([(z, info, steps, None)])
    np.testing.assert_allclose(mean_us, mean, atol=1e-6)
    np.testing.assert_allclose(variance, np.diag(prior - prior[:, on] @ np.linalg.solve(measured, prior[on])), rtol=1e-6)
    assert abreast.log_likelihoods([(z, info, steps, None)])[0] == pytest.approx(loglik, abs=1e-5)


@pytest.mark.parametrize("count, long", [(2, 1 << 17), (5, 1 << 17), (9, 100)])
def test_runs_abreast_do_not_see_each_other(count, long, monkeypatch):
    monkeypatch.setattr(abreast, "_LONG", long)
    random, runs = np.random.default_rng(5), []
    for k in range(count):
        model = SpeedModel(50.0 + 30 * k, (Noise(500.0, 20.0 + k),), (Line(2.0 + k, 900.0, 0.03), Line(9.0, 300.0 + k, 0.05)))
        steps = discretise(model, 0.002, position_sd_us=100.0, mean_speed_sd_ppm=1000.0)
        info = np.where(random.random(STEPS) < 0.7, random.uniform(0.01, 1, STEPS), 0.0)
        # Nobody measures for a while; two of three jump, one of these twice at one step.
        info[40:50] = 0
        extra = None if k % 3 == 0 else (np.array([60, 60, 120 + k])[k % 3 - 1 :], *np.full((2, 3), 1e4)[:, k % 3 - 1 :])
        runs.append((random.normal(size=STEPS) * 10, info, steps, extra))
    for run, (mean_us, variance), loglik in zip(runs, abreast.smooth(runs), abreast.log_likelihoods(runs), strict=True):
        alone = smooth(*run[:3], extra=run[3])
        np.testing.assert_allclose(mean_us, alone.mean_us, atol=1e-6)
        np.testing.assert_allclose(variance, alone.variance, rtol=1e-6)
        assert loglik == pytest.approx(alone.log_likelihood, abs=1e-6)


def _in_longer_numbers(z, info, steps):
    """(mean, variance) by the equations of R. E. Kalman and G. J. Bierman with whole matrices, in numbers of 64 bits' mantissa.
    P. D. Joseph's form of the update; 1 less the gain of the position is (1 / info) / S."""
    kind = np.longdouble
    transition, (prior, noise) = _transition(steps).astype(kind), (one.astype(kind) for one in (steps.prior, steps.noise))
    m, p, gone = np.zeros(len(prior), kind), prior, []
    for k in range(z.size):
        if k:
            m, p = transition @ m, transition @ p @ transition.T + noise
        kept = np.eye(len(p), dtype=kind)
        gone.append((m, p[0], 0, 0, kept))
        if info[k] > 0:
            s, v = p[0, 0] + 1 / kind(info[k]), kind(z[k]) - m[0]
            gain = p[:, 0] / s
            kept[:, 0] -= gain
            kept[0, 0] = 1 / kind(info[k]) / s
            gone[-1] = (m, p[0], 1 / s, v / s, kept)
            m, p = m + gain * v, kept @ p @ kept.T + np.outer(gain, gain) / kind(info[k])
    r, w, mean, variance = np.zeros(len(p), kind), np.zeros(p.shape, kind), [], []
    for m, row, over, told, kept in gone[::-1]:
        r, w = kept.T @ r, kept.T @ w @ kept
        r[0], w[0, 0] = r[0] + told, w[0, 0] + over
        mean.append(m[0] + row @ r)
        variance.append(row[0] - row @ w @ row)
        r, w = transition.T @ r, transition.T @ w @ transition
    return np.array(mean[::-1], float), np.array(variance[::-1], float)


@pytest.mark.skipif(np.finfo(np.longdouble).nmant < 63, reason="this machine has no longer numbers")
def test_before_a_late_first_sound_the_smoother_knows_how_little_it_knows():
    """5 s in which nothing is measured let the unknown speed spread to half a second: an sd of 300 us is what is left of that."""
    model = SpeedModel(35.6, (Noise(327.1, 0.214), Noise(285.8, 120.0)), (Line(7.93, 504.5, 0.004), Line(0.697, 583.5, 0.004)))
    steps = discretise(model, 0.008, position_sd_us=1e4, mean_speed_sd_ppm=1e5)
    random = np.random.default_rng(7)
    info = random.uniform(10, 40, 1500)
    info[:642] = 0
    info[637:642] = np.geomspace(1e-4, 0.1, 5)
    info[700:720] = 0
    z = random.normal(size=info.size).cumsum()
    mean, variance = _in_longer_numbers(z, info, steps)
    alone = smooth(z, info, steps)
    for mean_us, found in ((alone.mean_us, alone.variance), *abreast.smooth([(z, info, steps, None)])):
        np.testing.assert_allclose(np.sqrt(found), np.sqrt(variance), rtol=0.05)
        np.testing.assert_array_less(np.abs(mean_us - mean), 1e-5 * np.sqrt(variance))


def test_columns_are_smoothed_like_single_measurements(case):
    steps, z, info = case
    columns = smooth_columns((info * z)[:, None] * np.array([1.0, -2.0]), info, gains(info, steps), steps)
    alone = smooth(z, info, steps).mean_us
    np.testing.assert_allclose(columns, alone[:, None] * np.array([1.0, -2.0]), atol=1e-9)


@pytest.mark.parametrize("at_once", [4096, 64])
def test_what_the_smoother_answers_is_summed_without_it(case, at_once, monkeypatch):
    steps, _, info = case
    monkeypatch.setattr(smoother, "_STEPS_AT_ONCE", at_once)
    on = info > 0
    prior = _covariance(steps)
    posterior = prior - prior[:, on] @ np.linalg.solve(prior[np.ix_(on, on)] + np.diag(1 / info[on]), prior[on])
    scores = np.random.default_rng(6).normal(size=(STEPS, 5)) * np.sqrt(info)[:, None]
    found = told_twice((scores[:, :2].astype(np.float32), scores[:, 2:]), info, gains(info, steps), steps)
    scores[:, :2] = scores[:, :2].astype(np.float32)
    np.testing.assert_allclose(found, scores.T @ posterior @ scores, rtol=1e-6, atol=1e-6)


def test_steps_that_creep_are_led_to_where_they_would_end():
    """A map that goes 0.3 of its way each time: to within 2 % of the end in 4 steps, in 11 without."""
    end, weight, ahead = np.linspace(-3, 5, 50), np.linspace(0.1, 1, 50), joint.Ahead()
    x, unknowns = np.zeros(50), np.zeros(1)
    for _ in range(4):
        x, unknowns = ahead.of(x, x + 0.3 * (end - x), unknowns + 0.3 * (7 - unknowns), weight)
    np.testing.assert_allclose(x, end, atol=0.1)
    assert unknowns[0] == pytest.approx(7, abs=0.14)


def test_steps_that_swing_are_not_led_further():
    ahead, x = joint.Ahead(), np.zeros(3)
    x, _ = ahead.of(x, x + 1.0, np.zeros(1), np.ones(3))
    y, _ = ahead.of(x, x - 0.5, np.zeros(1), np.ones(3))
    np.testing.assert_array_equal(y, x - 0.5)


def test_steps_of_several_lengths_are_the_short_ones_with_nothing_measured_between(case):
    _, z, info = case
    chosen = np.r_[0:40:4, 40:80, 80:160:2, 160:200]
    only = np.zeros(STEPS)
    only[chosen] = info[chosen]

    def of_length(step_s):
        model = SpeedModel(100.0, (Noise(500.0, 30.0),), (Line(2.3, 1700.0, 0.03),))
        return discretise(model, step_s, position_sd_us=100.0, mean_speed_sd_ppm=1000.0)

    steps = paced(0.002 * np.diff(chosen, prepend=-4), of_length)
    found = smooth_columns((only * z)[chosen, None], only[chosen], gains(only[chosen], steps), steps)[:, 0]
    np.testing.assert_allclose(found, smooth(z, only, of_length(0.002)).mean_us[chosen], atol=1e-6)


def _residuals(rise, *, seed=3, bins=20_000):
    """A map known exactly, strokes of 10 ms every 200, and what bins say whose noise is 1 + rise * power: (z, info, power,
    noise)."""
    random = np.random.default_rng(seed)
    power = np.where(np.arange(bins) % 100 < 5, 1.0, 0.02)
    noise = 1 + rise * power
    info = power / np.convolve(noise, np.ones(72) / 72, "same")
    return random.normal(size=bins) * np.sqrt(noise / power), info, power, noise


def test_noise_that_rises_with_each_stroke_is_told_from_the_residuals():
    z, info, power, _ = _residuals(4.0)
    found = doubt.unevenness(z, np.zeros(z.size), info, np.zeros(z.size), power)
    loud = power == 1.0
    assert np.average(found[loud]) / np.average(found[~loud]) == pytest.approx(5 / 1.08, rel=0.4)
    # What the bins are then said to be worth is what they are.
    assert np.mean(z[loud] ** 2 * info[loud]) > 2
    assert np.mean(z[loud] ** 2 * (info / found)[loud]) == pytest.approx(1.0, abs=0.3)


def test_steady_noise_is_not_called_uneven():
    z, info, power, _ = _residuals(0.0)
    assert (doubt.unevenness(z, np.zeros(z.size), info, np.zeros(z.size), power) == 1).all()


def test_of_two_paths_that_agree_everywhere_the_one_without_leaps_is_kept_on_each_side():
    """A drum that repeats, a tape stopped in its middle: each path is right up to the stop from its own end."""
    count, stop, random = 400, 180, np.random.default_rng(5)
    sent_s = (np.arange(count) * acquire.HOP + acquire.WINDOW / 2) / acquire.RATE_HZ
    true_s = sent_s + np.where(np.arange(count) < stop, 0.5, 1.7)
    # In the wrong bar each hit lies some ms off where the right one would.
    early, late = np.arange(count) < stop - 4, np.arange(count) >= stop + 4
    wander_s = np.repeat(random.normal(0, 0.005, count // 8), 8)
    score, heard = np.full(count, 8.0), np.ones(count, bool)
    onward = acquire.Path(sent_s, true_s + np.where(late, 2.0 + wander_s, 0.0), score, heard)
    backward = acquire.Path(sent_s, true_s + np.where(early, -1.0 + wander_s, 0.0), score, heard)
    joined = acquire.from_both_ends(onward, backward, acquire.Search())
    wrong = np.abs(joined.return_s - true_s) > 1e-9
    assert np.count_nonzero(wrong) == 0


def _wavering(random, wow_percent, count=400):
    """(sent times, where they lie: a wow at 1 Hz and the scatter of the coarse path) of `count` windows."""
    sent_s = (np.arange(count) * acquire.HOP + acquire.WINDOW / 2) / acquire.RATE_HZ
    wow_s = 0.01 * wow_percent * np.sin(2 * np.pi * sent_s + random.uniform(0, 6)) / (2 * np.pi)
    return sent_s, 0.4 + 0.96 * sent_s + wow_s + random.normal(0, 1e-4, count)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**31), first=st.integers(40, 340), count=st.integers(1, 4), by_ms=st.floats(5.0, 12.0), up=st.booleans()
)
def test_windows_a_period_of_a_voice_off_are_no_jump(seed, first, count, by_ms, up):
    sent_s, return_s = _wavering(np.random.default_rng(seed), 0.5)
    return_s[first : first + count] += (1 if up else -1) * by_ms * 1e-3
    path = acquire.Path(sent_s, return_s, np.full(sent_s.size, 20.0), np.ones(sent_s.size, bool))
    taken_for = jumps.Event(sent_s[first - 1], sent_s[first], 1000 * by_ms, 0.0)
    path = jumps.without_strays(path, [taken_for])
    assert np.array_equal(np.flatnonzero(~path.heard), np.arange(first, first + count))
    assert jumps.events(path, np.ones(sent_s.size, bool)) == []


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**31), first=st.integers(40, 340), by_ms=st.floats(5.0, 12.0))
def test_a_lasting_jump_is_kept_with_all_its_windows(seed, first, by_ms):
    sent_s, return_s = _wavering(np.random.default_rng(seed), 0.3)
    return_s[first:] += by_ms * 1e-3
    path = acquire.Path(sent_s, return_s, np.full(sent_s.size, 20.0), np.ones(sent_s.size, bool))
    path = jumps.without_strays(path, jumps.events(path, np.ones(sent_s.size, bool)))
    assert path.heard.all()
    (event,) = jumps.events(path, np.ones(sent_s.size, bool))
    assert event.first_s - 0.2 < sent_s[first] < event.last_s + 0.2
    assert event.by_us == pytest.approx(1000 * by_ms, abs=2000)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 6), st.integers(1, 9), st.integers(0, 2**32 - 1), st.sampled_from([1e-3, 0.4, 3.0]), st.booleans())
def test_the_best_path_is_the_best_of_all_paths_and_of_equal_ones_the_one_said(steps, lags, seed, stiffness, equal):
    random, price = np.random.default_rng(seed), 5.0
    score = random.integers(0, 3, (steps, lags)).astype(float) if equal else random.normal(scale=4.0, size=(steps, lags))
    entry = random.integers(0, 3, lags).astype(float)
    total, came = acquire._viterbi(score, entry, stiffness, price)
    before = entry
    for k in range(steps):
        for j in range(lags):
            # A jump from the best one, or a change that costs less; of equal ones the jump, then the lowest lag.
            ways = [(before.max() - price, int(np.argmax(before)))]
            far = int(np.sqrt(price / stiffness)) + 1
            ways += [(before[i] - stiffness * (i - j) ** 2, i) for i in range(max(0, j - far), min(lags, j + far + 1))]
            best, where = max(ways, key=lambda way: way[0])
            assert total[k, j] == best + score[k, j]
            assert came[k, j] == where
        before = total[k]
