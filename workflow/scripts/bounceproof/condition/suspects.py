"""Where in what a stem does not explain another sound of the session might lie: by power in narrow bands, so that neither its
phase nor a little speed error matters. What is suspected here is proved or dropped by `foreign`.

Conventions: times in s; a suspect's delay is how much later its source is heard than the song's own time says; `drift` is by how
much that delay grows in a second (the other recording ran at another speed). Sketches as in `sketches`.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.quantities import DB_PER_POWER_RATIO, power_db
from bounceproof.spectra import jackknife_sd, squared

_BLOCK_S = 10.0
_DRIFT_STEP = 0.001
# The nearest to nought first: of drifts that match alike, it is taken.
_DRIFTS = _DRIFT_STEP * np.array(sorted(range(-10, 11), key=abs))
_REACH = 4
_STRETCH_BLOCKS = 2
_CAP = 5.0
BELIEVED = 3.3
_APART_S = 0.25
# Of what a source is worth at its best, so much has to be heard at a delay.
_LEAST_SHARE = 0.25
_AS_GOOD = 0.97
# A sound is like itself at delays at which its sketch has so much of what it has at none.
_LIKE_ITSELF = 0.3
# A sound this far under the stem is what the weights are made for: what would stand over the hiss then counts fully.
_FAINT = 10.0**-2.5
# Longer than most notes ring on.
LEFT_OUT_S = 0.7
# Bands with no more of a sound's power (all of them: .01 dB) cannot tell its level: it would be what rounding left there times
# what the hiss makes of that.
_LEAST_OF_SOUND = 1e-4


class Source(NamedTuple):
    """A sound that might be heard: track, backwards (bool), own (bool: the return's own stem), powers: its sketch, played
    forwards or backwards.
    """

    track: str
    backwards: bool
    own: bool
    powers: np.ndarray


class Suspect(NamedTuple):
    """source: Source; strength: how far it stands out, in sd of what other delays give; start_s, end_s: the stretch of song in
    which it stands out most; delay_s, drift: its delay in the middle of that stretch, and by how much that grows in a second.
    """

    source: Source
    strength: float
    start_s: float
    end_s: float
    delay_s: float
    drift: float


class Excess(NamedTuple):
    """over: (segments, bands) by how much the power stands over the noise that hiss and the own stem account for, relative to it;
    variance: of that, per band; floor, share: noise per band = floor + share x expected power; residual, expected: as handed
    in; level: power of the expected sound while it plays.
    """

    over: np.ndarray
    variance: np.ndarray
    floor: np.ndarray
    share: np.ndarray
    residual: np.ndarray
    expected: np.ndarray
    level: float


def excess(residual, expected):
    """The Excess of two sketches: what is not explained, and what the stem makes expect.

    Per band, noise = floor + share x expected power (hiss, and what rises with the signal), by weighted least squares; then what
    still goes with the expected power is taken off.
    """
    residual, expected = (np.asarray(part, dtype=float) for part in (residual, expected))
    tiny = 1e-6 * residual.mean(axis=0) + 1e-30
    noise = np.broadcast_to(residual.mean(axis=0), residual.shape) + tiny
    for _ in range(4):
        weight = 1.0 / noise**2
        floor, share = _straight(expected, np.minimum(residual, (1 + _CAP) * noise), weight)
        noise = floor + share * expected + tiny
    over = np.minimum(residual / noise - 1.0, _CAP)
    part = share * expected / noise
    for order in (0, 1, 2):
        shape = part**order
        over = over - shape * (np.sum(over * shape, axis=0) / np.maximum(np.sum(shape * shape, axis=0), 1e-12))
    return Excess(over, np.maximum(over.var(axis=0), 1e-3), floor + tiny, share, residual, expected, playing_power(expected))


def playing_power(powers):
    """Power of all bands together, over the segments within 30 dB of the loudest; 0 for silence."""
    return _mean_while_playing(powers.sum(axis=1))


def _mean_while_playing(powers):
    """Mean of powers (segments,) within 30 dB of the loudest; 0 for silence."""
    return float(powers[powers >= 1e-3 * powers.max()].mean()) if powers.any() else 0.0


def _playing_means(powers):
    """(bands,) mean powers over the segments in which all bands together are within 30 dB of the loudest."""
    whole = powers.sum(axis=1)
    return powers[whole >= 1e-3 * whole.max()].mean(axis=0) if whole.any() else np.zeros(powers.shape[1])


def _shares(parts, power, starts):
    """(blocks + 1, parts) factors of a power (segments,) made of (parts, segments): by all blocks of segments (their first ones:
    starts), then without each. Those under nought stand, or the others would be too low.
    """
    scale = np.maximum(parts.mean(axis=1), 1e-30)
    parts = parts / scale[:, None]
    found = np.zeros(len(parts))
    found[0] = power.mean()
    for _ in range(4):
        noise = np.maximum(np.maximum(found, 0.0) @ parts, 1e-6 * power.mean() + 1e-30)
        weighted = parts / noise**2
        normal = np.add.reduceat(weighted[:, None] * parts, starts, axis=2)
        target = np.add.reduceat(weighted * np.minimum(power, 8.0 * noise), starts, axis=1)
        some = normal.sum(axis=2)[None] - np.concatenate((np.zeros((1, *normal.shape[:2])), np.moveaxis(normal, 2, 0)))
        aimed = target.sum(axis=1) - np.concatenate((np.zeros((1, len(parts))), target.T))
        shares = np.linalg.solve(some + 1e-12 * np.eye(len(parts)), aimed[..., None])[..., 0]
        found = shares[0]
    return shares / scale


def _straight(x, y, weight):
    """(level, slope) >= 0 of weighted straight lines, one a column."""
    total = weight.sum(axis=0)
    mean_x, mean_y = ((weight * part).sum(axis=0) / total for part in (x, y))
    spread = (weight * (x - mean_x) ** 2).sum(axis=0)
    slope = np.where(spread > 0, (weight * (x - mean_x) * (y - mean_y)).sum(axis=0) / np.where(spread > 0, spread, 1.0), 0.0)
    slope = np.maximum(slope, 0.0)
    return np.maximum(mean_y - slope * mean_x, 0.1 * mean_y), slope


class Search:
    """The search in one return, in single precision. excess: Excess; gain: (bands,) power response of the machine; hop_s."""

    def __init__(self, excess, gain, hop_s):
        from scipy import fft

        self.excess, self.gain, self.hop_s = excess, gain, hop_s
        # What a source is multiplied by to be the power heard re the hiss.
        self.over_floor, self.variance = (part.astype(np.float32) for part in (gain / excess.floor, excess.variance))
        self.frames = len(excess.over)
        self.block = min(self.frames, max(8, round(_BLOCK_S / hop_s)))
        self.starts = np.arange(0, self.frames, self.block)
        self.size = fft.next_fast_len(self.frames + self.block, real=True)
        told = (excess.over / excess.variance).astype(np.float32)
        # (bins, blocks, bands)
        self.spectra = np.empty((self.size // 2 + 1, len(self.starts), told.shape[1]), np.complex64)
        for row, first in enumerate(self.starts):
            np.conj(fft.rfft(told[first : first + self.block], self.size, axis=0), out=self.spectra[:, row])

    def suspects(self, source, *, least=BELIEVED, most=1, within_s=None, beyond_s=0.0, drift=0.01):
        """The Suspects of a Source of at least this strength, strongest first; delays within within_s (by default any) and
        beyond_s at least, drifts up to `drift` (at most 0.01).

        Of the own sound as many again, of delays at which it is unlike itself: what the stem leaves unexplained goes with it, and
        looks like it a bar later.
        """
        weight = self._weight(source.powers)
        sums, worth = self._by_block(weight)
        drifts = _DRIFTS[np.abs(_DRIFTS) <= drift]
        scores = self._along(sums, worth, drifts)
        delays = np.arange(scores.shape[1]) - (self.frames - 1)
        delays_s = delays * self.hop_s
        allowed = np.isfinite(scores[0]) & (np.abs(delays_s) >= beyond_s)
        if within_s is not None:
            allowed &= np.abs(delays_s) <= within_s
        if allowed.sum() < 50:
            return []
        best = np.where(allowed, scores.max(axis=0), -np.inf)
        # Music repeats itself: what lies under the middle is free of delays that a beat makes alike.
        low, middle = np.percentile(best[allowed], (15.9, 50.0))
        spread = middle - low + 1e-9
        looked_through = [best]
        if source.own:
            looked_through.append(np.where(self._unlike_itself(weight), best, -np.inf))
        found = []
        for values in looked_through:
            wanted = len(found) + most
            # A little lower than `least`, for the rounding of a strength.
            high = np.flatnonzero(values > middle + 0.99 * least * spread)
            for k in high[np.argsort(-values[high], kind="stable")]:
                strength = float((values[k] - middle) / spread)
                if strength < least or len(found) == wanted:
                    break
                if all(abs(k - place) * self.hop_s > _APART_S for place, _ in found):
                    found.append((k, strength))
        return [Suspect(source, strength, *self._closer(sums, k, drifts[scores[:, k].argmax()], drift)) for k, strength in found]

    def _unlike_itself(self, weight):
        """Which delays (bool) take a source of this `_weight` to where it is not like itself."""
        from scipy import fft
        from scipy.ndimage import maximum_filter1d

        size = fft.next_fast_len(2 * self.frames, real=True)
        spectrum = fft.rfft(weight, size, axis=0)
        same = fft.irfft(np.sum(squared(spectrum), axis=1), size)[: self.frames]
        same = maximum_filter1d(np.concatenate((same[:0:-1], same)), 2 * _REACH + 1)
        return same < _LIKE_ITSELF * same.max()

    def _closer(self, sums, place, drift, most_drift):
        """(start_s, end_s, delay_s, drift) of the blocks in a row in which a delay stands out most, finely."""
        middles = self._middles()
        at = np.round(place + drift * (middles - 0.5 * self.frames)).astype(int)
        around = np.arange(-_REACH, _REACH + 1)
        near = np.array([row[np.clip(k + around, 0, len(row) - 1)] for row, k in zip(sums, at, strict=True)])
        count = min(len(near), _STRETCH_BLOCKS)
        best = near.max(axis=1)
        first = int(np.argmax([best[k : k + count].sum() for k in range(len(best) - count + 1)]))
        own = slice(first, first + count)
        middle = middles[own].mean()
        others = np.clip(drift + _DRIFT_STEP * np.arange(-2.0, 2.01, 0.25), -most_drift, most_drift)
        # (tries, blocks): each delay near by with each drift near by
        tried = np.tile(others, len(around))
        laid = np.repeat(place + drift * (middle - 0.5 * self.frames) + around, len(others))
        laid = laid[:, None] + tried[:, None] * (middles[own] - middle)
        offsets = np.clip(np.round(laid).astype(int), 0, sums.shape[1] - 1)
        score = sum(row[k] for row, k in zip(sums[own], offsets.T, strict=True))
        # Of lines that match alike, the one that drifts least.
        alike = score >= _AS_GOOD * score.max()
        chosen = int(np.where(alike, np.abs(tried), np.inf).argmin())
        delay, drift = laid[chosen].mean() - (self.frames - 1), tried[chosen]
        ends = self.starts[first], min(self.frames, self.starts[first + count - 1] + self.block)
        return ends[0] * self.hop_s, ends[1] * self.hop_s, float(delay * self.hop_s), float(drift)

    def _middles(self):
        return 0.5 * (self.starts + np.minimum(self.starts + self.block, self.frames))

    def _by_block(self, weight):
        """Two (blocks, delays) arrays: the match of a source of this `_weight` in each block of the song, and its variance."""
        from scipy import fft

        spectrum = fft.rfft(weight, self.size, axis=0)
        rows = fft.irfft((self.spectra @ spectrum[:, :, None])[:, :, 0].T, self.size)
        energy = np.cumsum(weight**2 @ (1.0 / self.variance), dtype=float)
        energy = np.pad(np.concatenate(([0.0], energy)), self.block, mode="edge")
        count, frames = 2 * self.frames - 1, self.frames
        sums, worth = (np.zeros((len(self.starts), count), np.float32) for _ in range(2))
        for row, (first, lags) in enumerate(zip(self.starts, rows, strict=True)):
            length = min(self.block, frames - first)
            # A source frame j of the block's first frame means a delay of first - j: the last delay's is first - frames + 1, and
            # only those from 1 - length to frames - 1 share anything with the block.
            lowest = first - frames + 1
            low, high = max(lowest, 1 - length), min(first + frames, frames)
            there = np.concatenate((lags[self.size + low :] if low < 0 else lags[:0], lags[max(low, 0) : high]))
            own = slice(first + frames - high, first + frames - low)
            sums[row, own] = there[::-1]
            ahead, behind = (energy[self.block + low + more : self.block + high + more] for more in (length, 0))
            worth[row, own] = (ahead - behind)[::-1]
        return sums, worth

    def _along(self, sums, worth, drifts):
        """(drifts, delays): matches summed along straight lines, re their sd; -inf where too little of the source is heard."""
        middles = self._middles() - 0.5 * self.frames
        out = np.full((len(drifts), sums.shape[1]), -np.inf, np.float32)
        # Between two drifts tried, a delay strays by half a step over half a song.
        reach = int(np.ceil(0.5 * _DRIFT_STEP * 0.5 * self.frames))
        sums, spans = _largest_near(sums, min(reach, _REACH)), self._spans(sums.shape[1])
        for row, drift in enumerate(drifts):
            shifts = np.round(drift * middles).astype(int).tolist()
            score, weight = _sheared(sums, spans, shifts), _sheared(worth, spans, shifts)
            enough = weight > _LEAST_SHARE * weight.max()
            out[row] = np.where(enough, score / np.sqrt(np.where(enough, weight, 1.0)), -np.inf)
        return np.where(np.isfinite(out).all(axis=0), out, -np.inf)

    def _spans(self, count):
        """[(first, last)] per block the delays, of so many, beyond which `_by_block` and `_largest_near` leave nought."""
        return [(max(0, at - _REACH), min(count, at + self.frames + self.block + _REACH)) for at in self.starts.tolist()]

    def levels_db(self, sounds):
        """[(level, its sd)] in dB of sounds that were proved: the power of each re the own stem's, each while it plays; None for
        what is not heard.

        sounds: of each the sketch as it lies in the song, and that of what the own stem does not explain of it. Per band the
        unexplained power is taken apart into hiss, a share of the expected power and a share of each sound's, by weighted least
        squares; phases do not enter, and bands with next to nothing of a sound do not count for it. What leaving 0.7 s out at a
        time makes of it is the error (jackknife).
        """
        means = np.array([_playing_means(laid) for laid, _ in sounds])
        counts = means > _LEAST_OF_SOUND * means.sum(axis=1, keepdims=True)
        starts = np.arange(0, self.frames, max(1, round(LEFT_OUT_S / self.hop_s)))
        totals = np.zeros((len(starts) + 1, len(sounds)))
        for band in range(len(self.gain)):
            parts = np.stack((np.ones(self.frames), self.excess.expected[:, band], *(left[:, band] for _, left in sounds)))
            shares = _shares(parts, self.excess.residual[:, band], starts)
            totals += np.where(counts[:, band], shares[:, 2:] * means[:, band], 0.0)
        whole, sd = totals[0], jackknife_sd(totals[1:])
        return [
            (float(power_db(total / self.excess.level)), float(DB_PER_POWER_RATIO * one / total)) if total > 0 else (None, None)
            for total, one in zip(whole, sd, strict=True)
        ]

    def _weight(self, powers):
        """What the source is worth: g / (1 + g), g its power re the hiss if it were faint; the mean per band taken off."""
        powers = _fitted(powers, self.frames)[:, : len(self.gain)]
        share = powers * (_FAINT * self.excess.level / max(_mean_while_playing(powers @ self.gain), 1e-30) * self.over_floor)
        weight = share / (1.0 + share)
        return weight - weight.mean(axis=0)


def _fitted(powers, count):
    powers = np.asarray(powers, dtype=np.float32)[:count]
    return np.pad(powers, ((0, count - len(powers)), (0, 0)))


def _largest_near(rows, reach):
    """Each value's largest neighbour in its row, up to `reach` places off."""
    if reach == 0:
        return rows
    around = np.full((len(rows), rows.shape[1] + 2 * reach), -np.inf, rows.dtype)
    around[:, reach:-reach] = rows
    # The largest of two neighbours, of twice as many, and so on; then of two such stretches that make up the whole together.
    width, whole = 1, 2 * reach + 1
    while 2 * width <= whole:
        around = np.maximum(around[:, :-width], around[:, width:])
        width *= 2
    return np.maximum(around[:, : rows.shape[1]], around[:, whole - width : whole - width + rows.shape[1]])


def _sheared(rows, spans, shifts):
    """The sum of rows[n][k + shifts[n]], nought beyond the ends; spans: per row, outside which places it is nought."""
    count = rows.shape[1]
    out = np.zeros(count, rows.dtype)
    for row, (first, last), shift in zip(rows, spans, shifts, strict=True):
        low, high = max(shift, first), min(count + shift, last)
        out[low - shift : high - shift] += row[low:high]
    return out
