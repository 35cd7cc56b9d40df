"""Clicks: made, found, numbered.

A click is four equal symmetric sweeps (low to high to low) and, after them, one sharp edge for the eye. Being symmetric in
time, a sweep keeps its matched-filter instant under a speed error. The three gaps between the sweeps spell the number of the
transfer (two digits, base 16) and whether this is its start or its end (in the check digit); the last gap is longer than the
others can be, so that a click played backwards spells nothing.

Conventions: the instant of a click is that of its third sweep (the reference); times in seconds, from the first sample (= 0);
speed_ratio = replay speed over record speed; polarity 1 or -1; levels in dBFS (peak of the sweeps).
"""

from typing import NamedTuple

import numpy as np

from bounceproof import at_once
from bounceproof.audio import resample
from bounceproof.quantities import amplitude_db
from bounceproof.transfer_layout import EDGE_AFTER_S, LAST_NUMBER

SWEEP_S = 0.040
REFERENCE_SWEEP = 2
_FADE_S = 0.004
_EDGE_DECAY_S = 0.0015
_GAP_S = (0.045, 0.045, 0.113)
_DIGIT_S = 0.004
_LEAST_LIKENESS = 0.38
_WORK_CHUNK_S = 24.0
_PIECE_SAMPLES = 1 << 13
_PATTERN_S = 0.45
# How far a sweep may lie from where its pattern, at the nearest speed of the grid, puts it: wow of 0.5 % over a click.
_TOLERANCE_S = 0.0015
# A damaged click can be read in several ways: how much likelier another transfer's number has to be than the one expected.
_EXPECTED_FAVOUR = 1.1
# A sweep this much less alike than the others was lost in a dropout.
_LOST_BELOW = 0.6
# Nor can one be this much weaker than the strongest: what then looks like a sweep is hiss beside one that belongs elsewhere.
_WEAKEST = 0.05
# How unsteadily a tape may run while a click passes: the change of speed per second that the fit of its four sweeps reckons with.
_SPEED_CHANGE_PER_S = 0.05


class ClickShape(NamedTuple):
    """A click ready to be mixed in: samples (peak 1), the places of its reference and of its edge in them."""

    samples: np.ndarray
    reference_sample: int
    edge_sample: int


class ClickHit(NamedTuple):
    """A click found: see the module's conventions. likeness = mean correlation of its four sweeps (1 = noiseless)."""

    instant_s: float
    number: int
    end: str
    polarity: int
    speed_ratio: float
    level_dbfs: float
    sigma_us: float
    likeness: float


def click_band(band_hz):
    """The sweeps' band for a medium that carries band_hz: inside it, and where any recorder still answers."""
    low_hz, high_hz = band_hz
    return max(low_hz, 300.0), min(0.95 * high_hz, 6000.0)


def sweep_times(number, end):
    """The four sweeps' instants in seconds from the first. Raises ValueError for an impossible number or end."""
    if not 1 <= number <= LAST_NUMBER:
        raise ValueError(f"transfers are numbered 1 to {LAST_NUMBER}; got {number}")
    first, second = divmod(number, 16)
    check = (5 * first + 3 * second + {"start": 0, "end": 8}[end]) % 16
    gaps = [base + _DIGIT_S * digit for base, digit in zip(_GAP_S, (first, second, check), strict=True)]
    return np.concatenate(([0.0], np.cumsum(gaps)))


def sweep(seconds, band_hz):
    """A sweep's value at `seconds` from its instant (array): from band_hz[0] at its ends to band_hz[1] in the middle."""
    low_hz, high_hz = band_hz
    away = np.abs(seconds)
    phase = 2 * np.pi * (high_hz * away - (high_hz - low_hz) * np.square(away) / SWEEP_S)
    fade = np.clip((SWEEP_S / 2 - away) / _FADE_S, 0.0, 1.0)
    return np.sin(np.pi / 2 * fade) ** 2 * np.cos(phase)


def make_click(number, end, *, rate_hz, band_hz):
    """The click of transfer `number` ("start" or "end") as a ClickShape with peak 1."""
    times = sweep_times(number, end)
    before = times[REFERENCE_SWEEP] + SWEEP_S / 2
    reference = int(np.ceil(before * rate_hz))
    edge = reference + round(EDGE_AFTER_S * rate_hz)
    seconds = (np.arange(edge + int(8 * _EDGE_DECAY_S * rate_hz)) - reference) / rate_hz
    samples = sum(sweep(seconds - (t - times[REFERENCE_SWEEP]), band_hz) for t in times)
    after = seconds[edge:] - seconds[edge]
    samples[edge:] += np.exp(-after / _EDGE_DECAY_S) * np.cos(2 * np.pi * 0.5 * sum(band_hz) * after)
    return ClickShape(samples / np.max(np.abs(samples)), reference, edge)


def find_clicks(
    samples, rate_hz, *, band_hz, speed_search_percent=12.0, speed_hint=None, number=None, from_s=0.0, to_s=None, steady=False
):
    """All clicks in one channel between from_s and to_s, as ClickHits in order of time.

    samples: an array, or what has a `size` and slices into arrays (a file read piece by piece). band_hz: the sweeps' band as
    sent. speed_hint: a speed ratio known to within 2 %; else +-speed_search_percent is searched; steady: only until a click is
    found, and then near its speed.
    number: of two readings of a damaged click, this transfer's is taken; only its clicks may lack a sweep, because three sweeps
    alone can spell another number too, or a click played backwards. Several (a tuple): any of these.
    Method: matched filter on a grid of speeds (steps of 0.5 %), normalised by the energy of the moment; the best of the
    2 x 255 patterns of gaps; then each sweep's own instant by climbing its continuous correlation.
    """
    to_s = samples.size / rate_hz if to_s is None else min(to_s, samples.size / rate_hz)
    hits = []
    first_s = max(0.0, from_s)
    while first_s < to_s:
        piece = samples[int(first_s * rate_hz) : int(np.ceil(min(to_s, first_s + _WORK_CHUNK_S) * rate_hz))]
        start_s = int(first_s * rate_hz) / rate_hz
        hint = hits[-1].speed_ratio if steady and hits else speed_hint
        speeds = _speed_grid(speed_search_percent, hint)
        for found in _find_in_piece(piece, rate_hz, band_hz, speeds, number):
            hits.append(found._replace(instant_s=found.instant_s + start_s))
        first_s += _WORK_CHUNK_S - 2 * _PATTERN_S
    return _without_twins(sorted(hits))


def _speed_grid(search_percent, hint):
    centre, reach = (1.0, search_percent / 100) if hint is None else (hint, 0.02)
    steps = int(np.ceil(reach / 0.005))
    return centre * (1.0 + 0.005 * np.arange(-steps, steps + 1))


def _without_twins(hits):
    """Neighbouring pieces overlap: of two readings within a click's length, the likelier stays."""
    kept = []
    for hit in hits:
        if kept and hit.instant_s - kept[-1].instant_s < _PATTERN_S:
            kept[-1] = max(kept[-1], hit, key=lambda one: one.likeness)
        else:
            kept.append(hit)
    return kept


class _Likeness(NamedTuple):
    """How alike the signal and a sweep are at each working sample, for one speed: envelope 0 .. 1, widened by the tolerance."""

    speed_ratio: float
    envelope: np.ndarray
    peaks: np.ndarray


def _find_in_piece(piece, rate_hz, band_hz, speeds, number):
    work_hz = _work_rate(rate_hz, band_hz, max(speeds))
    work = (
        resample(np.asarray(piece, dtype=np.float32), rate_hz, work_hz) if work_hz != rate_hz else np.asarray(piece, np.float32)
    )
    if work.size < SWEEP_S * work_hz or not np.any(work):
        return
    likenesses = sorted(_likenesses(work, work_hz, band_hz, speeds), key=_promise, reverse=True)[:4]
    taken, expected = [], (number,) if isinstance(number, int) else number or ()
    while True:
        best = max((_best_pattern(one, work_hz, taken, expected) for one in likenesses), key=lambda found: found[0])
        _, score, first_s, (code_number, end), speed = best
        if score < _LEAST_LIKENESS:
            return
        taken.append(first_s)
        least = 3 if code_number in expected else 4
        hit = _refined(piece, rate_hz, band_hz, first_s, code_number, end, speed, score, least)
        if hit is not None:
            yield hit


def _work_rate(rate_hz, band_hz, fastest):
    """The lowest of a few rates that holds the sweeps played at the fastest speed."""
    for work_hz in (12000, 16000, 24000):
        if work_hz < rate_hz and 2.2 * band_hz[1] * fastest <= work_hz:
            return work_hz
    return rate_hz


def _likenesses(work, work_hz, band_hz, speeds):
    from scipy import fft

    length = fft.next_fast_len(work.size + int(SWEEP_S * 1.3 * work_hz), real=False)
    spectrum = fft.fft(work, length)
    freq_hz = fft.fftfreq(length, 1 / work_hz)
    # Only what lies in the sweeps' band counts as company, so that hum and direct current do not lower the likeness.
    low_hz, high_hz = band_hz[0] * min(speeds), band_hz[1] * max(speeds)
    inside = (np.abs(freq_hz) >= low_hz) & (np.abs(freq_hz) <= high_hz)
    spectrum = np.where(inside, spectrum, 0)
    company = np.square(fft.ifft(spectrum).real[: work.size].astype(np.float64))
    analytic = fft.ifft(np.where(freq_hz > 0, 2 * spectrum, 0).astype(np.complex64))[: work.size]
    # In pieces (overlap-save) that stay in the processor's cache while sweeps of many speeds are held against them.
    reach = int(np.ceil(SWEEP_S / 2 / min(speeds) * work_hz))
    size = fft.next_fast_len(max(_PIECE_SAMPLES, 4 * reach), real=False)
    step = size - 2 * reach
    count = -(-work.size // step)
    laid = np.pad(analytic, (reach, count * step + reach - work.size))
    pieces = fft.fft(np.lib.stride_tricks.sliding_window_view(laid, size)[::step], axis=1)
    passed = np.concatenate(([0.0], np.cumsum(company)))

    def likeness(speed):
        half = int(np.ceil(SWEEP_S / 2 / speed * work_hz))
        template = sweep(np.arange(-half, half + 1) * speed / work_hz, band_hz)
        ring = np.zeros(size, np.float32)
        ring[: half + 1], ring[-half:] = template[half:], template[:half]
        matched = np.abs(fft.ifft(pieces * np.conj(fft.fft(ring)), axis=1)[:, reach : reach + step]).ravel()[: work.size]
        around = _between(passed, half)
        floor = 1e-7 * np.max(around) + 1e-30
        envelope = matched / np.sqrt(np.sum(np.square(template)) * (around + floor)).astype(np.float32)
        return _Likeness(speed, envelope, _peaks(envelope))

    return at_once.each(likeness, speeds)


def _between(passed, half):
    """Sum of what lies up to `half` to both sides of each sample, from the running sum that starts with 0."""
    ends = np.pad(passed, (half, half), mode="edge")
    return ends[2 * half + 1 :] - ends[: -2 * half - 1]


def _peaks(envelope, *, most=48, least=0.25):
    inner = envelope[1:-1]
    places = np.flatnonzero((inner > least) & (inner >= envelope[:-2]) & (inner > envelope[2:])) + 1
    return places[np.argsort(-envelope[places], kind="stable")[:most]]


def _promise(one):
    """Sum of the four best likenesses: the right speed has the highest."""
    return float(np.sum(one.envelope[one.peaks[:4]]))


def _patterns():
    codes = [(number, end) for number in range(1, LAST_NUMBER + 1) for end in ("start", "end")]
    return codes, np.array([sweep_times(*code) for code in codes])


_CODES, _CODE_TIMES = _patterns()


def _best_pattern(one, work_hz, taken, expected):
    """The best (favoured score, score, time of the first sweep, code, speed): each peak is tried as each sweep of each code."""
    from scipy.ndimage import maximum_filter1d

    reach = max(1, round(_TOLERANCE_S * work_hz))
    near = maximum_filter1d(one.envelope, 2 * reach + 1)
    peaks = [p for p in one.peaks if all(not -_PATTERN_S < p / work_hz - t < 2 * _PATTERN_S for t in taken)]
    favour = np.ones((len(_CODES), 1))
    for number in expected:
        favour[[2 * number - 2, 2 * number - 1]] = _EXPECTED_FAVOUR
    best = (0.0, 0.0, 0.0, _CODES[0], one.speed_ratio)
    for peak in peaks:
        places = np.rint((_CODE_TIMES[:, None, :] - _CODE_TIMES[:, :, None]) / one.speed_ratio * work_hz).astype(int) + peak
        inside = (places >= 0) & (places < near.size)
        scores = np.mean(np.where(inside, near[np.clip(places, 0, near.size - 1)], 0.0), axis=2)
        liked = scores * favour
        code, role = np.unravel_index(np.argmax(liked), liked.shape)
        if liked[code, role] > best[0]:
            first_s = peak / work_hz - _CODE_TIMES[code, role] / one.speed_ratio
            best = (float(liked[code, role]), float(scores[code, role]), first_s, _CODES[code], one.speed_ratio)
    return best


def _refined(piece, rate_hz, band_hz, first_s, number, end, speed, likeness, least):
    """Each sweep's own instant, then a slightly bent line through them; None where they disagree or are fewer than `least`."""
    times = sweep_times(number, end)
    parts = [_around(piece, rate_hz, band_hz, first_s + t / speed, speed) for t in times]
    polarity = _polarity(parts)
    instants = np.array([_climb(part, rate_hz, band_hz, speed, polarity) for part in parts])
    fit = _fit_instants(instants, times - times[REFERENCE_SWEEP], band_hz, least)
    if fit is None:
        return None
    instant_s, speed, sigma_s, amplitude = fit
    return ClickHit(
        float(instant_s), number, end, polarity, float(speed), float(amplitude_db(amplitude)), 1e6 * sigma_s, likeness
    )


class _Part(NamedTuple):
    """The samples around one sweep, their times, the trial instants and the correlation with a sweep at each."""

    samples: np.ndarray
    seconds: np.ndarray
    trials: np.ndarray
    values: np.ndarray


def _around(piece, rate_hz, band_hz, near_s, speed):
    """One sweep's surroundings, or None where they reach over an end. Trials lie an eighth of the top frequency's period apart.

    The sweep is computed afresh for each trial instant, so that the instant has no grid but the one it is climbed from.
    """
    reach = int(np.ceil(1.1 * _TOLERANCE_S * 8 * band_hz[1]))
    trials = near_s + 0.125 / band_hz[1] / speed * np.arange(-reach, reach + 1)
    half = SWEEP_S / 2 / speed
    first, last = int(np.floor((trials[0] - half) * rate_hz)), int(np.ceil((trials[-1] + half) * rate_hz)) + 1
    if first < 0 or last > piece.size:
        return None
    seconds = np.arange(first, last) / rate_hz
    samples = np.asarray(piece[first:last], dtype=float)
    samples = samples - samples.mean()
    return _Part(samples, seconds, trials, np.array([samples @ sweep((seconds - t) * speed, band_hz) for t in trials]))


def _polarity(parts):
    """The sign in which the four sweeps together stand out most, each allowed its own instant."""
    up = sum(max(0.0, part.values.max()) for part in parts if part is not None)
    down = sum(max(0.0, -part.values.min()) for part in parts if part is not None)
    return 1 if up >= down else -1


def _climb(part, rate_hz, band_hz, speed, polarity):
    """One sweep's (instant, amplitude, likeness), or NaNs where there is no peak of this polarity inside the trials."""
    if part is None:
        return np.nan, np.nan, np.nan
    best = int(np.argmax(polarity * part.values))
    if best in (0, part.trials.size - 1):
        return np.nan, np.nan, np.nan
    instant = _newton(part.samples, part.seconds, band_hz, part.trials[best], speed, part.trials[1] - part.trials[0])
    model = sweep((part.seconds - instant) * speed, band_hz)
    energy = model @ model
    amplitude = polarity * (part.samples @ model) / energy
    likeness = amplitude * np.sqrt(energy / max(_in_band_energy(part.samples, rate_hz, band_hz, speed), 1e-30))
    return instant, amplitude, likeness


def _newton(part, seconds, band_hz, instant, speed, step_s):
    h = step_s / 4
    for _ in range(4):
        low, mid, high = (part @ sweep((seconds - instant - shift) * speed, band_hz) for shift in (-h, 0.0, h))
        bend = low - 2 * mid + high
        if bend == 0:
            break
        move = 0.5 * h * (low - high) / bend
        instant += float(np.clip(move, -step_s, step_s))
        h = max(h / 4, step_s / 64)
    return instant


def _in_band_energy(part, rate_hz, band_hz, speed):
    from scipy import fft

    spectrum = fft.rfft(part)
    freq_hz = fft.rfftfreq(part.size, 1 / rate_hz)
    inside = (freq_hz >= band_hz[0] * speed) & (freq_hz <= band_hz[1] * speed)
    return 2 * np.sum(np.square(np.abs(spectrum[inside]))) / part.size


def _fit_instants(instants, times, band_hz, least):
    """Reference instant, speed, the instant's standard deviation in s, mean amplitude; None where the sweeps disagree.

    Least squares of instant = t + time / speed + bend x time^2 / 2, the bend held by a prior. What the tape's unsteadiness
    leaves over counts against the three outer sweeps: the more they stray, the more the reference sweep stands alone.
    """
    good = np.isfinite(instants[:, 0])
    likenesses = np.where(good, instants[:, 2], 0.0)
    good &= likenesses > _LOST_BELOW * np.sort(likenesses)[-2]
    good &= instants[:, 1] > _WEAKEST * np.max(instants[good, 1], initial=0.0)
    if good.sum() < least:
        return None
    where, amplitude, likeness = instants[good].T
    sigma = _sweep_sigma_s(np.mean(likeness), band_hz)
    solution, covariance, stray = _bent_line(where, times[good], np.full(good.sum(), sigma))
    if np.max(np.abs(stray)) > 0.0012:
        return None
    unsteady2 = max(0.0, np.sum(np.square(stray)) - sigma**2) * 4
    outer = np.where(times[good] == 0, sigma, np.sqrt(sigma**2 + unsteady2))
    solution, covariance, _ = _bent_line(where, times[good], outer)
    return solution[0], 1.0 / solution[1], float(np.sqrt(covariance[0, 0])), float(np.mean(amplitude))


def _bent_line(where, times, sigmas):
    design = np.column_stack((np.ones(times.size), times, 0.5 * np.square(times)))
    precision = np.diag([0.0, 0.0, _SPEED_CHANGE_PER_S**-2.0])
    weighted = design / np.square(sigmas)[:, None]
    covariance = np.linalg.inv(design.T @ weighted + precision)
    solution = covariance @ (weighted.T @ where)
    return solution, covariance, where - design @ solution


def _sweep_sigma_s(likeness, band_hz):
    """Cramer-Rao bound of one sweep's instant: (1 - r^2) / r^2 / (2 B T (2 pi f_rms)^2) with likeness r, band B, length T."""
    low_hz, high_hz = band_hz
    rms_square_hz2 = (high_hz**2 + high_hz * low_hz + low_hz**2) / 3
    likeness = min(max(likeness, 0.05), 0.99995)
    noise = (1 - likeness**2) / likeness**2
    return float(np.sqrt(noise / (2 * (high_hz - low_hz) * SWEEP_S * 4 * np.pi**2 * rms_square_hz2)))
