"""Several takes of one stem averaged into one, partial ones joined.

Conventions: takes are aligned on the stem's time, brought to one level, polarity as sent. In every moment (85 ms, half
overlapping) and at every frequency a take counts by the inverse of its noise: its hiss, what its map's uncertainty costs there,
and more where it holds what the stem does not explain (a dropout, a clipped moment). The weights of all takes add up to one, so
that what they have in common comes out as it went in; where one take ends, the overlap of the moments fades it into the others.
The stem steers weights only: no sample of it enters.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition.explained import explain
from bounceproof.condition.level import inside
from bounceproof.quantities import power_db

SEGMENT_S = 0.085
# A moment that holds so many times the power that hiss and misfit explain is damaged; it loses weight with the square.
DAMAGED = 4.0
_MOMENT_S = 0.02
# Two recordings share next to nothing of their hiss, two replays of one recording all but the replays' own.
REPLAYED = 0.15
_LAG_S = 4e-4
_BLOCK_S = 0.25
_LEAST_S = 0.5
_FRAMES = 64


class Take(NamedTuple):
    """name; samples: (frames,) at one level; sigma_at: sd of its map in us at times in s, inf where it is not known; hiss,
    signal: mean squares per band at that level.
    """

    name: str
    samples: np.ndarray
    sigma_at: Callable
    hiss: np.ndarray
    signal: np.ndarray


class Averaged(NamedTuple):
    """samples: (frames,) float32; record: what was gained, from whom (for chosen.json); hiss: mean square per band; weight:
    (takes, moments) in the middle of the medium's band at time_s; sigma_us: sd of the average's map there.
    """

    samples: np.ndarray
    record: dict
    hiss: np.ndarray
    time_s: np.ndarray
    weight: np.ndarray
    sigma_us: np.ndarray


def average(stem, takes, rate_hz, bands, band_hz):
    """The Averaged of two or more Takes.

    stem: (frames,) at rate_hz; bands: of the Takes' powers; band_hz: the medium's (low, high).
    """
    segment = spectra.segment_samples(rate_hz, seconds=SEGMENT_S)
    time_s = np.arange(-(-len(stem) // (segment // 2)) + 1) * (segment // 2) / rate_hz
    heard = [_Heard(stem, take.samples, rate_hz, take.hiss, bands, band_hz) for take in takes]
    alike = _alike(heard)
    weights = _Weights(takes, heard, bands, spectra.bin_hz(segment, rate_hz), time_s)
    samples, noise = _blended(takes, weights, segment, alike)
    middle = int(np.argmin(np.abs(weights.freq_hz - np.sqrt(max(band_hz[0], 50.0) * band_hz[1]))))
    weight = weights.at(slice(None), bins=slice(middle, middle + 1))[:, :, 0]
    sigma_us = np.sqrt(np.sum((weight * np.where(weight > 0, weights.sigma_us, 0.0)) ** 2, axis=0))
    share = spectra.band_matrix(bands, segment, rate_hz)
    hiss, chosen = noise @ share, inside(bands, band_hz)
    single = np.mean([take.hiss[chosen].sum() for take in takes])
    record = {
        "takes": [
            {"take": take.name, "share_percent": 100.0 * float(part)}
            for take, part in zip(takes, weight.mean(axis=1), strict=True)
        ],
        "ten_lg_n_db": float(power_db(len(takes))),
        "expected_db": float(power_db(single / hiss[chosen].sum())) if hiss[chosen].sum() > 0 else None,
        **_gains(heard, _Heard(stem, samples, rate_hz, hiss, bands, band_hz)),
        "replays": [
            {"first": takes[i].name, "second": takes[j].name, "shared_hiss": float(alike[i, j])}
            for i, j in zip(*np.nonzero(np.triu(alike, 1)), strict=True)
        ],
    }
    return Averaged(samples, record, hiss, time_s, weight, np.where(weight.sum(axis=0) > 0, sigma_us, np.inf))


class _Heard:
    """What of a take its stem explains, and what is left, in cells of 2.5 ms."""

    def __init__(self, stem, samples, rate_hz, hiss, bands, band_hz):
        both = spectra.spectral_matrix([stem, samples], rate_hz)
        explained = explain(stem, samples, both, rate_hz, high_hz=band_hz[1])
        reach = np.array([band.high_hz < 0.45 * explained.rate_hz for band in bands])
        constant, share = explained.noise_per_sample(max(float(hiss[reach].sum()), 1e-14))
        self.rate_hz, self.cell, self.cell_s, self.own = explained.rate_hz, explained.cell, explained.cell_s, explained.own
        self.residual = explained.residual[:]
        count = len(self.own)
        self.left = np.square(self.residual[: count * self.cell]).reshape(count, self.cell).sum(axis=1)
        self.expected = self.cell * constant + share * self.own
        # Silent: the stem through the response lies 10 dB under the hiss.
        self.silent = self.own < 0.1 * self.cell * constant

    def excess(self, time_s):
        """How many times as much is left as was expected, in the worst 20 ms within 43 ms of each of the times."""
        from scipy.ndimage import maximum_filter1d, uniform_filter1d

        width = max(1, round(_MOMENT_S / self.cell_s))
        ratio = uniform_filter1d(self.left, width) / np.maximum(uniform_filter1d(self.expected, width), 1e-30)
        worst = maximum_filter1d(ratio, 2 * round(SEGMENT_S / 2 / self.cell_s) + 1)
        return np.interp(time_s, (np.arange(len(worst)) + 0.5) * self.cell_s, worst)


class _Weights:
    """The takes' weights by moment and bin."""

    def __init__(self, takes, heard, bands, freq_hz, time_s):
        self.freq_hz = freq_hz
        width_hz = freq_hz[1] - freq_hz[0]
        self.noise = np.array([spectra.density_at(take.hiss, bands, freq_hz) for take in takes]) * width_hz
        self.signal = np.array([spectra.density_at(take.signal, bands, freq_hz) for take in takes]) * width_hz
        self.noise = np.maximum(self.noise, 1e-9 * self.signal + 1e-30)
        self.sigma_us = np.array([take.sigma_at(time_s) for take in takes])
        self.damage = np.array([np.maximum(1.0, one.excess(time_s) / DAMAGED) ** 2 for one in heard])

    def at(self, moments, *, bins=slice(None)):
        """(takes, moments, bins), adding up to one over the takes; 0 where none is known."""
        inverse = []
        omega = 2e-6 * np.pi * self.freq_hz[bins]
        for noise, signal, sigma_us, damage in zip(
            self.noise[:, bins], self.signal[:, bins], self.sigma_us[:, moments], self.damage[:, moments], strict=True
        ):
            known = np.isfinite(sigma_us)
            turned = (omega * np.where(known, sigma_us, 0.0)[:, None]) ** 2
            # Timing that scatters by sigma leaves exp(-(omega sigma)^2) of the power in step; the rest is as good as noise.
            both = (noise + signal * -np.expm1(-turned)) * damage[:, None]
            inverse.append(known[:, None] / both)
        total = np.sum(inverse, axis=0)
        return np.array(inverse) / np.where(total > 0, total, 1.0)


def _blended(takes, weights, segment, alike):
    """(the weighted sum of the takes (float32), its noise power per bin), moment by moment through the spectrum."""
    from scipy import fft

    hop, frames = segment // 2, len(takes[0].samples)
    count = -(-frames // hop) + 1
    window = np.sqrt(np.hanning(segment + 1)[:-1])
    out = np.zeros((count + 1) * hop)
    noise, heard = np.zeros(hop + 1), 0
    level = np.sqrt(weights.noise)
    for first in range(0, count, _FRAMES):
        last = min(count, first + _FRAMES)
        weight = weights.at(slice(first, last))
        total = 0.0
        for take, part in zip(takes, weight, strict=True):
            total = total + part * fft.rfft(_moments(take.samples, first, last, hop) * window, axis=1)
        pieces = fft.irfft(total, segment, axis=1) * window
        for k in range(first, last):
            out[k * hop : k * hop + segment] += pieces[k - first]
        sized = weight * level[:, None]
        noise += np.einsum("itf,ij,jtf->f", sized, alike + np.eye(len(takes)), sized)
        heard += last - first
    return out[hop : hop + frames].astype(np.float32), noise / heard


def _moments(samples, first, last, hop):
    """(moments, segment): the moment k has its middle at sample k hop."""
    start, stop = (first - 1) * hop, last * hop
    piece = np.asarray(samples[max(0, start) : stop], dtype=float)
    piece = np.pad(piece, (max(0, -start), stop - max(0, start) - len(piece)))
    return np.lib.stride_tricks.sliding_window_view(piece, 2 * hop)[::hop]


def _alike(heard):
    """(takes, takes): correlation of what is left of two takes where the stem is silent, 0 where it stays under REPLAYED.

    Only there: what a recorder does to a loud sound it does every time. Lags of up to 0.4 ms are tried in every quarter of a
    second, because a map is less sure in a silence.
    """
    found = np.zeros((len(heard), len(heard)))
    silent = np.logical_and.reduce([one.silent for one in heard])
    if silent.sum() * heard[0].cell_s < _LEAST_S:
        return found
    size = max(1, round(_BLOCK_S / heard[0].cell_s)) * heard[0].cell
    mask = np.repeat(silent, heard[0].cell)
    points, reach = 8 * size, max(1, round(_LAG_S * 4 * heard[0].rate_hz))
    spectra_of = []
    for one in heard:
        left = one.residual[: len(mask)] * mask
        blocks = np.pad(left, (0, -len(left) % size)).reshape(-1, size)
        spectra_of.append((np.fft.rfft(blocks, 2 * size, axis=1), np.sum(blocks**2, axis=1)))
    for i, (one, power) in enumerate(spectra_of):
        for j in range(i):
            other, others_power = spectra_of[j]
            correlation = 4.0 * np.fft.irfft(np.conj(one) * other, points, axis=1)
            peak = np.concatenate((correlation[:, : reach + 1], correlation[:, -reach:]), axis=1).max(axis=1)
            whole = np.sqrt(np.sum(power) * np.sum(others_power))
            value = float(peak.sum() / whole) if whole > 0 else 0.0
            found[i, j] = found[j, i] = min(1.0, value) if value > REPLAYED else 0.0
    return found


def _gains(heard, averaged):
    """How far what the stem leaves lies under the takes' mean, dB: in silences and under music; None where too little was heard.

    Damaged moments of any take do not count: what the average spared there is no matter of hiss.
    """
    cells = min(len(one.left) for one in [*heard, averaged])
    time_s = (np.arange(cells) + 0.5) * averaged.cell_s
    sound = np.logical_and.reduce([one.excess(time_s) < DAMAGED for one in heard])
    silent, playing = averaged.silent[:cells], averaged.own[:cells] > averaged.expected[:cells]
    gains = {}
    for name, where in (("gain_silence_db", silent), ("gain_music_db", playing)):
        chosen = where & sound
        after = float(averaged.left[:cells][chosen].sum())
        before = float(np.mean([one.left[:cells][chosen].sum() for one in heard]))
        gains[name] = float(power_db(before / after)) if chosen.sum() * averaged.cell_s >= _LEAST_S and after > 0 else None
    return gains


def in_words(record):
    """One sentence about an average: what it gained, beside what separate recordings would give, and which takes are replays."""
    names = ", ".join(one["take"] for one in record["takes"])
    measured = [
        f"{record[key]:.1f} dB {where}"
        for key, where in (("gain_silence_db", "in silences"), ("gain_music_db", "under music"))
        if record[key] is not None
    ]
    text = f"the average of {names}: "
    text += f"hiss {' and '.join(measured)} under a single take's mean" if measured else "its gain could not be measured"
    text += f" (10 lg {len(record['takes'])} = {record['ten_lg_n_db']:.1f} dB"
    if record["replays"]:
        pairs = ", ".join(
            f"{one['first']} and {one['second']} ({100 * one['shared_hiss']:.0f} % of their hiss is the same)"
            for one in record["replays"]
        )
        text += f", for recordings of their own; {pairs} are replays of one recording: only the replays' own hiss averages out"
    return text + ")"
