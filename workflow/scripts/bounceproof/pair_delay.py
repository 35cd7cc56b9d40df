"""How much later the second of two returns is than the first, beyond what their stems have, through time.

Conventions: delays in us, positive where the second return comes late; blocks of a quarter of a second. Both stems are known, so
the returns' cross-spectrum is turned back by the stems' own phase segment by segment, and tells the delay whether or not the
stems share content. What the two time maps say comes in as prior knowledge: zero, as uncertain as the maps; the cross-spectrum
has to give evidence against it before another lag is believed.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra

AIR_CM_PER_US = 0.03432  # 343.2 m/s: dry air at 20 degrees Celsius (ISO 9613-1's formula)
# Short, so that wow does not smear a block: 0.3 % of speed moves 0.75 ms in a quarter of a second.
SEGMENT_S = 0.085
BLOCK_S = 0.25
SEARCH_S = 0.025
HIGHEST_HZ = 8000.0
_STEP_S = 4.2e-5
# Distortion and what a segment cuts off at its ends keep even a clean return from being explained better than by 20 dB.
_UNEXPLAINED = 0.01
# Log-likelihood that another lag, or a leap between two blocks, has to bring.
_EVIDENCE = 15.0
# By so many standard deviations the returns contradict the maps.
_DISAGREE = 5.0
# A block in which less of the expected correlation is found than this says nothing.
_HEARD = 0.2
# Half a per cent of speed between the two, over a block.
_WANDER_S = 0.00125
# Cells in which it is looked at when the two sound: long enough to keep a drum's lows out of the band, short beside a stroke.
_CELL_S = 0.02
# Hann segments that overlap by half hold half as many independent values as they have bins.
_INDEPENDENT = 0.5


class Blocks(NamedTuple):
    """Delay through time: middle of each block (s), delay and its sd (us), weight (0 .. 1, by the sound the two have there)."""

    time_s: np.ndarray
    delay_us: np.ndarray
    sd_us: np.ndarray
    weight: np.ndarray
    sign: int | None

    def later(self, by_us):
        """The same, later by so many us (one value a block)."""
        return self._replace(delay_us=self.delay_us + by_us)


class Heard(NamedTuple):
    """What is known of the two returns per band: response (2, bands; power ratio) and hiss (2, bands; mean square)."""

    bands: list
    response: np.ndarray
    hiss: np.ndarray


class Sounding(NamedTuple):
    """When the two sound together, in cells: middles (s), weight (mean square; what their sum owes to their phase), and the
    number of the block that each cell lies in."""

    time_s: np.ndarray
    weight: np.ndarray
    block: np.ndarray
    blocks: int

    def mean_in_blocks(self, values):
        """Weighted mean of values (one a cell) over the cells of each block in which they are finite; inf where none is.

        A block in which nothing sounds takes their plain mean.
        """
        known = np.isfinite(values)
        weight = (self.weight + 1e-9 * self.weight.max() + np.finfo(float).tiny) * known
        total = np.bincount(self.block, weight, self.blocks)
        summed = np.bincount(self.block, weight * np.where(known, values, 0.0), self.blocks)
        return np.where(total > 0, summed / np.where(total > 0, total, 1.0), np.inf)

    def in_blocks(self, known=True):
        """Weight of each block, of the cells that are known."""
        return np.bincount(self.block, self.weight * known, self.blocks)


def sounding(stems, rate_hz, band_hz, heard):
    """The Sounding of two stems (frames,) through their responses: the square root of both powers' product."""
    segment = spectra.segment_samples(rate_hz, seconds=_CELL_S)
    freq_hz = spectra.bin_hz(segment, rate_hz)
    chosen = _measured(freq_hz, rate_hz, band_hz)
    response = _response_at(heard, freq_hz[chosen])
    powers = [
        np.einsum("tfi,if->ti", np.abs(block[:, chosen]) ** 2, response) for block in spectra.transforms(list(stems), segment)
    ]
    frames, (long, per_block) = len(stems[0]), _sizes(rate_hz)
    time_s = spectra.segment_times_s(frames, segment, rate_hz)
    blocks = len(block_times_s(frames, rate_hz))
    block = np.clip((time_s * rate_hz / (long // 2) - 0.5) / per_block, 0, blocks - 1).astype(int)
    return Sounding(time_s, np.sqrt(np.concatenate(powers).prod(axis=1)), block, blocks)


def block_times_s(frames, rate_hz):
    """The middles of the blocks of signals of so many frames."""
    segment, per_block = _sizes(rate_hz)
    count = -(-spectra.segment_count(frames, segment) // per_block)
    return (np.arange(count) * per_block + (per_block - 1) / 2 + 1) * (segment // 2) / rate_hz


def _sizes(rate_hz):
    segment = spectra.segment_samples(rate_hz, seconds=SEGMENT_S)
    return segment, max(1, round(BLOCK_S * rate_hz / (segment // 2)))


def relative_delay(stems, returns, rate_hz, band_hz, heard, *, sound, prior_sd_us=None):
    """The Blocks of two returns.

    stems, returns: pairs of (frames,); band_hz: where delays are measured; heard: Heard; sound: how much of both sounds in each
    block (`Sounding.in_blocks`); prior_sd_us: sd of the delay by the time maps in each block, None where the returns were laid
    without knowing (then the whole course through time is found by dynamic programming).
    Method: maximum likelihood of the cross-spectrum's phase (Knapp and Carter 1976) with the noise of both returns known.
    """
    cross, information, freq_hz = _block_sums(stems, returns, rate_hz, band_hz, heard)
    times_s = block_times_s(len(stems[0]), rate_hz)
    omega = 2 * np.pi * freq_hz
    if not information.any():
        unknown = np.full(len(times_s), np.inf) if prior_sd_us is None else prior_sd_us
        return Blocks(times_s, np.zeros(len(times_s)), unknown, np.zeros(len(times_s)), None)
    lags_s, likelihood = _likelihoods(cross, freq_hz)
    found = [_course(sign * likelihood, lags_s, prior_sd_us) for sign in (1, -1)]
    sign = 1 if found[0][1] >= found[1][1] else -1
    start_s = lags_s[found[0 if sign == 1 else 1][0]]
    delay_s, precision, explained = _refined(sign * cross, information, omega, start_s)
    precision /= _inflation(delay_s, precision) ** 2
    clear = abs(found[0][1] - found[1][1]) > _EVIDENCE
    weight = sound * np.where(information.any(axis=1), explained, 0.0)
    delay_us = 1e6 * delay_s
    with np.errstate(divide="ignore"):
        sd_us = 1e6 / np.sqrt(precision)
    if prior_sd_us is not None:
        delay_us, sd_us = _beside_maps(delay_us, sd_us, np.asarray(prior_sd_us, dtype=float))
    return Blocks(times_s, delay_us, sd_us, weight / max(weight.max(), np.finfo(float).tiny), sign if clear else None)


def _block_sums(stems, returns, rate_hz, band_hz, heard):
    """Per block and bin: the cross powers of the returns turned by the stems' phase, and the information behind them.

    A bin of signal powers S1, S2 and noise powers N1, N2 has a phase error of variance r / 2, where
    r = N1/S1 + N2/S2 + N1 N2 / (S1 S2).
    """
    segment, per_block = _sizes(rate_hz)
    freq_hz = spectra.bin_hz(segment, rate_hz)
    chosen = _measured(freq_hz, rate_hz, band_hz)
    freq_hz = freq_hz[chosen]
    response = _response_at(heard, freq_hz)
    noise = np.array([spectra.density_at(one, heard.bands, freq_hz) for one in heard.hiss]) * (rate_hz / segment)
    crosses, information, carry = [], [], None
    for block in spectra.transforms([*stems, *returns], segment):
        first, second, third, fourth = np.moveaxis(block[:, chosen], -1, 0)
        power = [np.abs(first) ** 2 * response[0], np.abs(second) ** 2 * response[1]]
        both = power[0] * power[1]
        noises = [noise[i] + _UNEXPLAINED * power[i] for i in (0, 1)]
        under = noises[0] * power[1] + noises[1] * power[0] + noises[0] * noises[1]
        weight = _INDEPENDENT * both / np.maximum(under, np.finfo(float).tiny)
        turned = np.conj(third) * fourth * np.conj(np.conj(first) * second)
        scale = np.abs(first) * np.abs(second) * np.sqrt(both)
        turned = turned * (weight / np.maximum(scale, np.finfo(float).tiny))
        # A bin that came back far louder than its response allows holds something else.
        turned *= np.minimum(1.0, 2.0 * weight / np.maximum(np.abs(turned), np.finfo(float).tiny))
        rows = np.stack((turned, weight + 0j), axis=-1)
        rows = rows if carry is None else np.concatenate((carry, rows))
        whole = len(rows) // per_block * per_block
        sums = rows[:whole].reshape(-1, per_block, *rows.shape[1:]).sum(axis=1)
        crosses.append(sums[..., 0])
        information.append(sums[..., 1].real)
        carry = rows[whole:]
    if len(carry):
        crosses.append(carry[..., 0].sum(axis=0)[None])
        information.append(carry[..., 1].real.sum(axis=0)[None])
    return np.concatenate(crosses), np.concatenate(information), freq_hz


def _measured(freq_hz, rate_hz, band_hz):
    """The bins in which delays are measured."""
    return (freq_hz >= band_hz[0]) & (freq_hz <= min(band_hz[1], HIGHEST_HZ, 0.42 * rate_hz))


def _response_at(heard, freq_hz):
    """(2, bins): the returns' power responses."""
    mids = np.log([band.mid_hz for band in heard.bands])
    return np.array([np.interp(np.log(freq_hz), mids, one) for one in heard.response])


def _likelihoods(cross, freq_hz):
    """(lags_s, (blocks, lags) log-likelihood of each lag): Re sum X exp(i omega tau)."""
    step_hz = freq_hz[1] - freq_hz[0]
    first = round(freq_hz[0] / step_hz)
    points = 2 ** int(np.ceil(np.log2(max(1.0 / (_STEP_S * step_hz), first + len(freq_hz)))))
    padded = np.zeros((len(cross), points), dtype=complex)
    padded[:, first : first + len(freq_hz)] = cross
    likelihood = np.fft.ifft(padded, axis=1).real * points
    reach = min(points // 2 - 1, int(SEARCH_S * points * step_hz))
    places = np.arange(-reach, reach + 1)
    return places / (points * step_hz), likelihood[:, places % points]


def _course(likelihood, lags_s, prior_sd_us):
    """(place of the likeliest lag per block, log-likelihood of the whole course)."""
    if prior_sd_us is not None:
        sd_s = np.maximum(1e-6 * np.asarray(prior_sd_us), _STEP_S)[:, None]
        whole = likelihood + np.maximum(-0.5 * (lags_s / sd_s) ** 2, -_EVIDENCE)
        places = whole.argmax(axis=1)
        return places, float(np.take_along_axis(whole, places[:, None], axis=1).sum())
    step_s = lags_s[1] - lags_s[0]
    reach = min(len(lags_s) - 1, int(4 * _WANDER_S / step_s))
    moves = np.arange(-reach, reach + 1)
    costs = 0.5 * (moves * step_s / _WANDER_S) ** 2
    total, back = likelihood[0].copy(), []
    for row in likelihood[1:]:
        padded = np.pad(total, reach, constant_values=-np.inf)
        seen = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1) - costs
        came = seen.argmax(axis=1)
        best = np.take_along_axis(seen, came[:, None], axis=1)[:, 0]
        came = came - reach + np.arange(len(total))
        leap = int(total.argmax())
        leaps = total[leap] - _EVIDENCE > best
        back.append(np.where(leaps, leap, came))
        total = np.where(leaps, total[leap] - _EVIDENCE, best) + row
    places = [int(total.argmax())]
    for came in reversed(back):
        places.append(int(came[places[-1]]))
    return np.array(places[::-1]), float(total.max())


def _refined(cross, information, omega, start_s):
    """(delay_s, precision in 1/s^2, share of the expected correlation that is there: 0 .. 1) of each block from its phase about a
    lag, by Newton's steps.
    """
    delay_s, step_limit = start_s.copy(), _STEP_S
    expected = (information * omega**2).sum(axis=1)
    for _ in range(4):
        turned = cross * np.exp(1j * omega * delay_s[:, None])
        slope = -(turned.imag * omega).sum(axis=1)
        curvature = np.maximum((turned.real * omega**2).sum(axis=1), 0.1 * expected)
        delay_s += np.clip(np.where(curvature > 0, slope / np.where(curvature > 0, curvature, 1.0), 0.0), -step_limit, step_limit)
    turned = cross * np.exp(1j * omega * delay_s[:, None])
    explained = (turned.real * omega**2).sum(axis=1) / np.maximum(expected, np.finfo(float).tiny)
    # Where little of it came back (a dropout, a stretch that is not known) the phase says nothing.
    explained = np.where(explained > _HEARD, np.minimum(explained, 1.0), 0.0)
    return delay_s, expected * np.maximum(explained**2, 1e-9), explained


def _inflation(delay_s, precision):
    """By how much the blocks scatter more than the hiss explains, from neighbour to neighbour; at least 1."""
    good = precision > 0.05 * precision.max()
    both = good[1:] & good[:-1]
    if both.sum() < 8:
        return 1.0
    # Twice the step is the third difference's worth of noise, and slow wander falls out of a median of neighbours.
    steps = np.diff(delay_s)[both] ** 2 / (1.0 / precision[1:][both] + 1.0 / precision[:-1][both])
    return float(max(1.0, np.sqrt(np.median(steps) / 0.455)))


def _beside_maps(delay_us, sd_us, prior_sd_us):
    """(delay, sd) by the maps, zero and as uncertain as they are, where the returns do not contradict them; else as measured.

    The maps were fitted to the same returns: what is left between these hugs zero whatever the maps' own error is, so that
    agreement adds nothing to what the maps know. A constant that all blocks have in common is looked for first: its sum over the
    song is far better known than one block.
    """
    known = np.isfinite(prior_sd_us) & (sd_us < 1e3)
    constant_us = 0.0
    if known.any():
        weights = 1.0 / sd_us[known] ** 2
        mean_us, mean_sd_us = np.sum(weights * delay_us[known]) / weights.sum(), weights.sum() ** -0.5
        if abs(mean_us) > _DISAGREE * np.hypot(mean_sd_us, prior_sd_us[known].min()):
            constant_us = mean_us
    agree = np.isfinite(prior_sd_us) & (np.abs(delay_us - constant_us) <= _DISAGREE * np.hypot(sd_us, prior_sd_us))
    return np.where(agree, constant_us, delay_us), np.where(agree, prior_sd_us, sd_us)
