"""Pairs: whether two returns still add up like their stems.

Conventions: the relative delay is how much later the second return is than the first, beyond what the stems have, in us.
`loss_db` is positive where the sum of the returns is weaker than the sum of the stems through the same responses; negative where
stronger. Returns are summed after `level_db`, before mix gain and pan. Powers are hiss-free: the hiss of each return is taken
off.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition.level import analysis_bands, inside
from bounceproof.quantities import power_db

AIR_CM_PER_US = 0.03432  # 343.2 m/s: dry air at 20 degrees Celsius (ISO 9613-1's formula)
# Short, so that wow does not smear a block: 0.3 % of speed moves 0.75 ms in a quarter of a second.
DELAY_SEGMENT_S = 0.085
BLOCK_S = 0.25
SEARCH_S = 0.025
SHARED_COHERENCE = 0.1
# Content is shared enough to compare the returns with each other when the mean coherence of the stems is at least this.
SHARED_ENOUGH = 0.3
# Bands whose response lies further under the best one are no part of the sum that anybody hears.
RESPONSE_FLOOR_DB = 20.0
CANCELLED = 0.1


class Side(NamedTuple):
    """One way of laying the pair on the stems' time: the two returns' samples (first, second), level_db already applied."""

    first: np.ndarray
    second: np.ndarray


class PairInput(NamedTuple):
    """stems, aligned, clicks: Side each; hiss_first, hiss_second: hiss power per band of each return, level_db applied."""

    stems: Side
    aligned: Side
    clicks: Side
    hiss_first: np.ndarray
    hiss_second: np.ndarray


def check(pair, rate_hz, band_hz, *, kind, ok_db=1.0, poor_db=3.0):
    """(summary, rows) of a pair.

    pair: PairInput at rate_hz; band_hz: the medium's (low, high), where delays are measured; kind: "one-source", "stereo" or
    "doubled". summary has a block `aligned` and a block `clicks`, alike; rows are third-octaves (IEC 61260-1).
    """
    bands = analysis_bands(rate_hz)
    ways = {"aligned": pair.aligned, "clicks": pair.clicks}
    if pair.aligned.first is pair.clicks.first and pair.aligned.second is pair.clicks.second:
        ways = {"aligned": pair.aligned}
    sums = _BandSums(pair, ways, rate_hz, bands, band_hz)
    shared = sums.shared()
    summary = {"shared_bands": int(shared.sum())}
    for name, side in ways.items():
        delay = relative_delay(pair.stems, side, rate_hz, band_hz, through_stems=kind == "doubled")
        summary[name] = {**delay, **_reach(sums, name, shared, kind, ok_db, poor_db)}
    summary.setdefault("clicks", summary["aligned"])
    return summary, sums.rows(shared, kind)


class _BandSums:
    """Powers of stems and returns per band, and their sums."""

    def __init__(self, pair, ways, rate_hz, bands, band_hz):
        segment = spectra.segment_samples(rate_hz)
        self.bands, self.names = bands, list(ways)
        self.mids = np.array([band.mid_hz for band in bands])
        self.inside = inside(bands, band_hz)
        signals = [*pair.stems, *(samples for side in ways.values() for samples in side)]
        stems = spectra.band_powers(list(pair.stems), rate_hz, bands).sum(axis=1)
        weights = spectra.bin_weights(spectra.playing(stems), bands, segment, rate_hz)
        self.spectra = spectra.spectral_matrix(signals, rate_hz, weights=weights)
        self.bin_share = spectra.band_matrix(bands, segment, rate_hz)
        self.hiss = np.array([pair.hiss_first, pair.hiss_second])
        self.averages = self.spectra.averages @ self.bin_share / np.maximum(self.bin_share.sum(axis=0), 1e-9)

    def _at(self, name):
        return 2 + 2 * self.names.index(name)

    def power(self, i):
        return self.spectra.power(i) @ self.bin_share

    def cross(self, i, j):
        return self.spectra.matrix[:, i, j].real @ self.bin_share

    def signal(self, name):
        """Power of each return without its hiss: (2, bands)."""
        at = self._at(name)
        return np.maximum(np.array([self.power(at), self.power(at + 1)]) - self.hiss, 0.0)

    def stands(self):
        """Bands in which both returns stand over their hiss by at least half of it, and the response is not 20 dB down."""
        signal = self.signal("aligned")
        response = self.responses("aligned")
        best = np.where(self.inside & (signal > 0.5 * self.hiss), response, 0.0).max(axis=1, keepdims=True)
        heard = response > best * 10.0 ** (-RESPONSE_FLOOR_DB / 10)
        return (heard & (signal > 0.5 * self.hiss) & (signal > 0)).all(axis=0)

    def responses(self, name):
        """Power ratio of each return over its stem: (2, bands)."""
        stems = np.array([self.power(0), self.power(1)])
        return self.signal(name) / np.where(stems > 0, stems, np.inf)

    def coherence(self, i, j):
        """Magnitude-squared coherence per band without bias: each bin counts by the power both signals have in it."""
        weight = np.sqrt(self.spectra.power(i) * self.spectra.power(j))
        bins = spectra.without_bias(self.spectra.coherence(i, j), self.spectra.averages, floor=-1.0)
        total = weight @ self.bin_share
        return np.clip(np.where(total > 0, (bins * weight) @ self.bin_share / np.where(total > 0, total, 1.0), 0.0), 0.0, 1.0)

    def zero_level(self):
        return spectra.zero_coherence_level(self.averages)

    def shared(self):
        """Bands in which the stems share content and both returns stand over their hiss."""
        return (self.coherence(0, 1) > np.maximum(self.zero_level(), SHARED_COHERENCE)) & self.stands()

    def _expected_cross(self, name):
        """The stems' cross power through both responses, per bin: Re S12 sqrt(P1 P2 / (S1 S2)), P less an even share of the
        band's hiss.
        """
        at, width = self._at(name), np.maximum(self.bin_share.sum(axis=0), 1e-9)
        hiss = self.bin_share @ (self.hiss / width).T
        returns = np.prod([np.maximum(self.spectra.power(at + i) - hiss[:, i], 0.0) for i in (0, 1)], axis=0)
        stems = self.spectra.power(0) * self.spectra.power(1)
        balance = np.sqrt(returns / np.where(stems > 0, stems, np.inf))
        return (self.spectra.matrix[:, 0, 1].real * balance) @ self.bin_share

    def loss_db(self, name):
        """10 lg(expected / got) of the sum's power; nan where a return is lost or the stems cancel."""
        at, alone = self._at(name), self.signal(name).sum(axis=0)
        expected = alone + 2.0 * self._expected_cross(name)
        got = alone + 2.0 * self.cross(at, at + 1)
        # Where the stems themselves cancel, what is left of them is no measure of the returns' sum.
        good = self.stands() & (expected > CANCELLED * alone)
        # A sum that cancels to nothing is told as 40 dB: below that lies only the error of the hiss.
        ratio = np.where(good, np.maximum(got, 1e-4 * expected), 1.0) / np.where(good, expected, 1.0)
        return np.where(good, -power_db(ratio), np.nan)

    def rows(self, shared, kind):
        """The rows of PAIR.tsv."""
        zero, stems, stands = self.zero_level(), self.coherence(0, 1), self.stands()
        after = {name: self.coherence(self._at(name), self._at(name) + 1) for name in self.names}
        loss = {name: self.loss_db(name) for name in self.names}
        rows = []
        for k, band in enumerate(self.bands):
            row = {
                "nominal_hz": band.nominal_hz,
                "stems_coherence": stems[k],
                "zero_coherence": zero[k],
                "shared": bool(shared[k]),
                "over_hiss": bool(stands[k]),
            }
            for name in ("clicks", "aligned"):
                own = name if name in self.names else "aligned"
                row[f"returns_coherence_{name}"] = after[own][k]
                row[f"loss_{name}_db"] = loss[own][k] if kind != "doubled" else None
            rows.append(row)
        return rows


PAIR_COLUMNS = (
    "nominal_hz",
    "stems_coherence",
    "zero_coherence",
    "shared",
    "over_hiss",
    "returns_coherence_clicks",
    "returns_coherence_aligned",
    "loss_clicks_db",
    "loss_aligned_db",
)


def _reach(sums, name, shared, kind, ok_db, poor_db):
    """How far up the pair adds up, within ok_db and within poor_db."""
    keys = ("adds_up_to_hz", "adds_up_from_hz", "within_poor_to_hz", "limit")
    if kind == "doubled":
        return dict.fromkeys(keys[:3]) | {"limit": "timing only"}
    loss = sums.loss_db(name)
    usable = shared & np.isfinite(loss)
    if not usable.any():
        return dict.fromkeys(keys[:3]) | {"limit": "nothing shared"}
    good_hz, ended = adds_up_to(sums.bands, loss, usable, ok_db)
    return {
        "adds_up_to_hz": good_hz,
        "adds_up_from_hz": sums.bands[int(np.argmax(usable))].low_hz,
        "within_poor_to_hz": adds_up_to(sums.bands, loss, usable, poor_db)[0],
        "limit": "loss" if ended else "nothing shared above",
    }


def adds_up_to(bands, loss_db, usable, limit_db):
    """(frequency up to which |loss| stays within limit_db, whether a loss ended it), going up through the usable bands.

    Between the last good band and the first bad one the crossing lies on a straight line over the logarithm of frequency; 0 Hz if
    the lowest usable band already fails.
    """
    last = None
    for k in np.flatnonzero(usable):
        size = abs(loss_db[k])
        if size > limit_db:
            if last is None:
                return 0.0, True
            before = abs(loss_db[last])
            share = (limit_db - before) / (size - before)
            return float(bands[last].mid_hz * (bands[k].mid_hz / bands[last].mid_hz) ** share), True
        last = k
    return float(bands[last].high_hz), False


def relative_delay(stems, returns, rate_hz, band_hz, *, through_stems=False):
    """Relative delay of two returns beyond their stems', through time.

    Blocks of a quarter of a second; each block's delay is the peak of the weighted cross-correlation nearest to zero, refined by
    the slope of the phase. Where the stems share content the returns are compared with each other, turned back by the stems' own
    cross phase; else (or through_stems) each return with its own stem. Returns dict: `delay_us` (weighted mean), `delay_sd_us`
    (of that mean, from the blocks' scatter), `spread_us` (weighted rms through time about the mean), `rms_us`, `worst_us` (95 %
    of the time less), `blocks`, `delay_by`, `air_cm`, `first_notch_hz` = 1 / (2 rms) (None above 20 kHz), `polarity` (1 or -1:
    the sign that most of the correlation's highest peaks have); None where nothing was comparable or the peaks disagree.
    """
    crosses = _block_crosses(stems, returns, rate_hz, band_hz)
    by_returns = not through_stems and crosses.shared >= SHARED_ENOUGH
    if by_returns:
        delays, weights, signs = _block_delays(crosses.between, crosses.freq_hz)
    else:
        first, first_weight, first_signs = _block_delays(crosses.first, crosses.freq_hz)
        second, second_weight, second_signs = _block_delays(crosses.second, crosses.freq_hz)
        delays, weights, signs = second - first, np.minimum(first_weight, second_weight), first_signs * second_signs
    summary = _summed_up(delays, weights)
    return {**summary, "polarity": _majority(signs, weights), "delay_by": "returns" if by_returns else "stems"}


def _majority(signs, weights, *, clear=0.5):
    """1 or -1 where the weighted signs agree by at least `clear` of -1 .. 1, else None."""
    agreement = np.sum(signs * weights) / weights.sum() if weights.sum() > 0 else 0.0
    return int(np.sign(agreement)) if abs(agreement) >= clear else None


class _Crosses(NamedTuple):
    """Per block, (blocks, bins) cross powers whose phase is the delay sought: between the returns, and of each with its stem."""

    freq_hz: np.ndarray
    between: np.ndarray
    first: np.ndarray
    second: np.ndarray
    shared: float


def _block_crosses(stems, returns, rate_hz, band_hz):
    segment = spectra.segment_samples(rate_hz, seconds=DELAY_SEGMENT_S)
    freq_hz = spectra.bin_hz(segment, rate_hz)
    per_block = max(1, round(BLOCK_S * rate_hz / (segment // 2)))
    chosen = (freq_hz >= band_hz[0]) & (freq_hz <= min(band_hz[1], 0.42 * rate_hz))
    rows = [_block_sums(block[:, chosen]) for block in spectra.transforms([*stems, *returns], segment)]
    products = np.concatenate(rows)
    count = -(-len(products) // per_block)
    padded = np.concatenate((products, np.zeros((count * per_block - len(products), *products.shape[1:]), dtype=complex)))
    blocks = padded.reshape(count, per_block, *products.shape[1:]).sum(axis=1)
    stems_cross, returns_cross, first, second, one, other = np.moveaxis(blocks, -1, 0)
    phase = np.conj(stems_cross) / np.maximum(np.abs(stems_cross), np.finfo(float).tiny)
    whole = np.abs(stems_cross.sum(axis=0)), np.sqrt(one.real.sum(axis=0) * other.real.sum(axis=0))
    shared = float(np.sum(whole[0]) / whole[1].sum()) ** 2 if whole[1].sum() > 0 else 0.0
    # Where the stems do not agree in a bin, the returns' cross power there says nothing: it counts by the stems' coherence.
    agree = np.abs(stems_cross) ** 2 / np.maximum(one.real * other.real, np.finfo(float).tiny)
    return _Crosses(freq_hz[chosen], returns_cross * phase * agree, first, second, shared)


def _block_sums(block):
    a, b, u, v = np.moveaxis(block, -1, 0)
    return np.stack(
        (np.conj(a) * b, np.conj(u) * v, np.conj(a) * u, np.conj(b) * v, np.abs(a) ** 2 + 0j, np.abs(b) ** 2 + 0j), axis=-1
    )


def _block_delays(crosses, freq_hz):
    """(delay in us, weight, sign) of each block of cross powers."""
    size = np.abs(crosses).sum(axis=1)
    weights = np.where(size > 1e-3 * size.max(), size, 0.0) if size.size and size.max() > 0 else np.zeros(len(crosses))
    found = np.array(
        [_one_delay_s(cross, freq_hz) if weight > 0 else (0.0, 1.0) for cross, weight in zip(crosses, weights, strict=True)]
    )
    return found[:, 0] * 1e6, weights, found[:, 1]


def _one_delay_s(cross, freq_hz):
    """(delay, sign) of one cross power: correlation peak nearest to zero (90 % of the highest will do), then the phase's
    slope.
    """
    lags_s, correlation = _correlation(cross, freq_hz)
    size = np.abs(correlation)
    peaks = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] >= size[2:])) + 1
    if not len(peaks):
        return 0.0, 1.0
    high = peaks[size[peaks] >= 0.9 * size[peaks].max()]
    near = high[np.abs(lags_s[high]).argmin()]
    turned = np.sign(correlation[near]) * cross * np.exp(2j * np.pi * freq_hz * lags_s[near])
    return lags_s[near] - _phase_slope_s(turned, freq_hz), np.sign(correlation[peaks[size[peaks].argmax()]])


def _correlation(cross, freq_hz, *, oversample=4):
    """(lags_s, real correlation) within +-SEARCH_S; whitened by half, so that a loud low line does not hide the rest."""
    step = freq_hz[1] - freq_hz[0]
    first = round(freq_hz[0] / step)
    points = 2 ** int(np.ceil(np.log2(2 * oversample * (first + len(cross)))))
    padded = np.zeros(points, dtype=complex)
    padded[first : first + len(cross)] = np.conj(cross) / np.sqrt(np.maximum(np.abs(cross), np.finfo(float).tiny))
    # A delay tau has the phase -2 pi f tau; the conjugate puts its peak at +tau.
    correlation = np.fft.fft(padded).real
    lags_s = np.fft.fftfreq(points, d=step) * 1.0
    keep = np.abs(lags_s) <= SEARCH_S
    order = np.argsort(lags_s[keep])
    return lags_s[keep][order], correlation[keep][order]


def _phase_slope_s(cross, freq_hz):
    """Least-squares slope of the remaining phase through zero, in seconds, iterated so that wrapped phases come in."""
    slope = 0.0
    for _ in range(3):
        turned = cross * np.exp(-2j * np.pi * freq_hz * slope)
        weight = np.abs(cross) * (np.cos(np.angle(turned)) > 0)
        under = 2 * np.pi * np.sum(weight * freq_hz**2)
        slope += np.sum(weight * freq_hz * np.angle(turned)) / under if under > 0 else 0.0
    return slope


def _summed_up(delays_us, weights):
    keys = ("delay_us", "delay_sd_us", "spread_us", "rms_us", "worst_us", "air_cm", "first_notch_hz")
    total = weights.sum()
    if not total > 0:
        return {**dict.fromkeys(keys), "blocks": 0}
    mean = float(np.sum(weights * delays_us) / total)
    spread = float(np.sqrt(np.sum(weights * (delays_us - mean) ** 2) / total))
    effective = total**2 / np.sum(weights**2)
    rms_us = float(np.hypot(mean, spread))
    order = np.argsort(np.abs(delays_us))
    reached = np.cumsum(weights[order]) / total
    return {
        "delay_us": mean,
        "delay_sd_us": spread / np.sqrt(max(1.0, effective - 1.0)),
        "spread_us": spread,
        "rms_us": rms_us,
        "worst_us": float(np.abs(delays_us[order])[np.searchsorted(reached, 0.95)]),
        "air_cm": rms_us * AIR_CM_PER_US,
        # A notch above 20 kHz is nobody's trouble.
        "first_notch_hz": 5e5 / rms_us if rms_us > 25.0 else None,
        "blocks": int(np.count_nonzero(weights)),
    }


def pair_state(first, first_alignment, second, second_alignment):
    """state ("measured", "waiting", "rejected", "no level"), reason, simulated and the methods of a pair, from both alignments.

    first, second: track names; an alignment is None while its track waits.
    """
    both = ((first, first_alignment), (second, second_alignment))
    waiting = [track for track, alignment in both if alignment is None]
    rejected = [f"{track}: {a.get('reason')}" for track, a in both if a is not None and a["state"] != "aligned"]
    unlevelled = [track for track, a in both if a is not None and a["state"] == "aligned" and a.get("level_db") is None]
    there = [alignment for _, alignment in both if alignment is not None]
    common = {"simulated": any(a.get("simulated") for a in there), "methods": [a.get("method") if a else None for _, a in both]}
    if waiting:
        return {"state": "waiting", "reason": f"no return yet of {' and '.join(waiting)}", **common}
    if rejected:
        return {"state": "rejected", "reason": "; ".join(rejected), **common}
    if unlevelled:
        return {"state": "no level", "reason": f"nothing of {' and '.join(unlevelled)} stands over its hiss", **common}
    return {"state": "measured", "reason": None, **common}
