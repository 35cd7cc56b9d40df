"""Hiss under music: what the stem through the response (and the level's ride) does not explain, per third-octave.

Conventions: mean squares at the capture's own level, on the stem's time base, over the moments while the stem plays; bands
above the working rate's reach are None. What a remaining timing error, told by the alignment, leaves of the stem is taken off.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition.explained import response_taps, through
from bounceproof.quantities import DB_PER_POWER_RATIO, Band, power_db, power_weights, shares_within
from bounceproof.sliced import Sliced

# What each tap of a response takes of the hiss, re a least-squares fit: twice its taper (fourth root of Hann) less the square of
# that, which Hann segments overlapping by half make larger.
_TAKEN = 2 * 0.763 - spectra.OVERLAP_LOSS * 0.637
# So much of the song tells what a response by segments misses.
_ENOUGH_S = 60.0
# A period of 100 Hz.
_WAVE_S = 0.01


class Unexplained(NamedTuple):
    """band_powers: mean square per band (NaN beyond the working rate's reach); band_sd_db; flat_power, flat_sd_db: within the
    medium's band, None beyond that reach; seconds: time behind them; resting: hiss per band of the silences, as handed in.
    """

    band_powers: np.ndarray
    band_sd_db: np.ndarray
    flat_power: float | None
    flat_sd_db: float | None
    seconds: float
    resting: np.ndarray


def measure_unexplained(explained, sent, bands, band_hz, hiss_powers, noise, dropouts, *, timing_us, gain_sd):
    """The Unexplained of an Explained that has its ride on; None where the stem plays for less than a second.

    sent: (frames,) the stem with the ride on, or what slices into it; band_hz: the medium's (low, high); hiss_powers: hiss of
    the silences per band, zeros where there is none; noise: as the Explained's noise_per_sample gives it; timing_us: rms timing
    error left, None if unknown; gain_sd: relative sd of the ride, per sample (Sliced), None without one: a gain fitted to the
    return takes so much of the hiss along (the expectation of A. Dempster, N. Laird and D. Rubin, J. Royal Stat. Soc. B 39
    (1977) 1).
    """
    rate_hz = explained.rate_hz
    segment = spectra.segment_samples(rate_hz)
    within = np.array([band.high_hz <= 0.45 * rate_hz for band in bands])
    inner = [band for band, take in zip(bands, within, strict=True) if take]
    # The medium's band by its own edges: third-octaves only know how much of their width lies in it.
    columns = [*inner, Band(band_hz[0], band_hz[0], *band_hz)]
    parts = [explained.residual, explained.expected]
    if gain_sd is not None:
        parts.append(Sliced(len(explained.expected), lambda first, last: explained.expected[first:last] * gain_sd[first:last]))
    powers = spectra.band_powers(parts, rate_hz, columns, segment=segment)
    expected = powers[:, 1, :-1].sum(axis=1)
    plays = _plays(expected, hiss_powers[within].sum()) & ~_hurt(dropouts, len(powers), segment, rate_hz)
    seconds = float(plays.sum() * segment / 2 / rate_hz)
    if seconds < 1.0:
        return None
    left, expected, *taken = powers[plays].mean(axis=0)
    left = left + sum(taken)
    # A response fitted to the return itself takes its share of the hiss along, more of it where both are loud together.
    together = np.mean(powers[plays, 0] * powers[plays, 1], axis=0) / np.maximum(left * expected, 1e-30)
    left = left / (1.0 - np.minimum(0.5, _TAKEN * len(explained.taps) / rate_hz / seconds * together))
    timing = _timing(left[:-1], expected[:-1], inner, timing_us)
    timing = np.append(timing, shares_within(inner, band_hz) @ timing)
    missed = np.minimum(_missed(explained, sent, columns) * expected, 0.5 * (left - timing))
    hiss = left - timing - missed
    width_hz = np.array([band.high_hz - band.low_hz for band in inner])
    width_hz = np.append(width_hz, _worth_hz(shares_within(inner, band_hz) * hiss[:-1], shares_within(inner, band_hz) * width_hz))
    random_db = spectra.level_sd_db(width_hz / spectra.OVERLAP_LOSS / _swing(explained, noise), seconds)
    sd_db = np.hypot(random_db, 0.5 * DB_PER_POWER_RATIO * (timing + missed) / np.maximum(hiss, 1e-30))
    by_band = np.full((2, len(bands)), np.nan)
    by_band[:, within] = hiss[:-1], sd_db[:-1]
    reached = band_hz[1] <= 0.45 * rate_hz
    flat = (float(hiss[-1]), float(sd_db[-1])) if reached else (None, None)
    return Unexplained(*by_band, *flat, seconds, np.asarray(hiss_powers))


def _missed(explained, sent, bands):
    """Per band: the share of the expected power that a response by H1 misses, because what rings across a segment's ends, or
    leaks from a louder partial, is weighted otherwise in stem and return. Told by the same estimate of what is known: the
    expected sound itself.
    """
    frames = min(len(sent), round(_ENOUGH_S * explained.rate_hz))
    sent, expected = sent[:frames], explained.expected[:frames]
    segment = spectra.segment_samples(explained.rate_hz)
    taps = response_taps(spectra.spectral_matrix([sent, expected], explained.rate_hz, segment=segment), explained.rate_hz, 1)
    powers = spectra.band_powers([through(sent, taps) - expected, expected], explained.rate_hz, bands, segment=segment)
    missed, whole = powers.sum(axis=0)
    return missed / np.maximum(whole, 1e-30)


def _timing(left, expected, bands, timing_us):
    """Per band: the part of what is left that is timing error."""
    mids_hz = np.array([band.mid_hz for band in bands])
    late = (2e-6 * np.pi * mids_hz * (timing_us or 0.0)) ** 2
    # What the alignment says of its error is itself an estimate: never more than half is believed to be timing.
    return np.minimum(late * expected, 0.5 * left)


def _worth_hz(powers, widths_hz):
    """The width of an even noise that scatters like a sum of bands' powers."""
    return np.sum(powers) ** 2 / max(np.sum(powers**2 / np.maximum(widths_hz, 1e-9)), 1e-60)


def _swing(explained, noise):
    """Mean square of the noise's power through time over the square of its mean: noise that comes in bursts is fewer values.

    It is told by the sound's power over a while: the ups and downs of the wave itself are no bursts.
    """
    constant, share = noise
    wide = max(1, round(_WAVE_S / explained.cell_s))
    own = explained.own[: len(explained.own) // wide * wide].reshape(-1, wide).sum(axis=1)
    power = constant + share * own / (wide * explained.cell)
    return float(np.mean(power**2) / max(np.mean(power) ** 2, 1e-60))


def _plays(expected, hiss):
    """Segments in which the expected sound stands at least 10 dB under the hiss, or within 40 dB of its loudest without hiss."""
    return (expected > 0) & (expected >= max(0.1 * hiss, 1e-4 * expected.max()))


def _hurt(dropouts, count, segment, rate_hz):
    """Segments that a dropout reaches into."""
    times_s = (np.arange(count) * (segment // 2) + segment / 2) / rate_hz
    out = np.zeros(count, dtype=bool)
    for one in dropouts:
        out |= np.abs(times_s - one["time_s"]) < one["length_s"] + segment / 2 / rate_hz
    return out


def weighted_levels(band_powers, bands, band_hz):
    """flat_dbfs (within band_hz), a_weighted_dbfs, bs468_rms_dbfs of powers per band, each band weighted at its middle."""
    powers, weights = np.nan_to_num(band_powers), power_weights(bands, band_hz)
    return {f"{name}_dbfs": float(power_db(np.sum(weight * powers))) for name, weight in weights.items()}


def under_music_record(unexplained, hiss, bands, band_hz):
    """The entry `hiss_under_music` of condition.json: levels and their sd, and how far `flat` stands over the silences' hiss.

    The weighted levels are the silences' own, moved by what the bands' difference makes of each weighting: so that both are
    read with the same fineness. rise_db > 0: modulation noise; < 0: a level control had opened up in the silence. None without
    either.
    """
    if unexplained is None:
        return None
    filled = filled_powers(unexplained)
    ours = weighted_levels(filled, bands, band_hz)
    rest = weighted_levels(unexplained.resting, bands, band_hz)
    low = power_weights([band._replace(mid_hz=band.low_hz) for band in bands], band_hz)
    high = power_weights([band._replace(mid_hz=band.high_hz) for band in bands], band_hz)
    resting_sd_db = spectra.level_sd_db([band.high_hz - band.low_hz for band in bands], hiss.seconds)
    record = {"seconds": unexplained.seconds, "rise_db": None}
    for name, weights in power_weights(bands, band_hz).items():
        silent, level, resting = getattr(hiss, f"{name}_dbfs"), ours[f"{name}_dbfs"], rest[f"{name}_dbfs"]
        heard = silent is not None and np.isfinite(silent) and np.isfinite(resting)
        if name == "flat" and unexplained.flat_power:
            level, sigma_db = float(power_db(unexplained.flat_power)), unexplained.flat_sd_db
        else:
            # A weight that changes within a band meets the silences' own fine structure: the sd of an even spread.
            uneven = heard * (high[name] - low[name]) / np.maximum(weights, 1e-30) / np.sqrt(12.0)
            level = silent + level - resting if heard else level
            sigma_db = _weighted_sd_db(unexplained, weights * filled, uneven, resting_sd_db)
        record |= {f"{name}_dbfs": level, f"{name}_sigma_db": sigma_db}
        if name == "flat" and heard:
            record["rise_db"] = level - silent
    return record


def _weighted_sd_db(unexplained, powers, uneven, resting_sd_db):
    """Sd in dB of a weighted sum over bands: of those heard under music by themselves and by the mean rise that they lend to the
    others, which are known from the silences.

    powers: weighted, as `filled_powers` completes them; uneven: by how much the weight changes within a band; resting_sd_db: of
    the silences' hiss per band.
    """
    known = ~np.isnan(unexplained.band_powers)
    share = _shares(powers)
    lent = np.sum(share[~known])
    under_music = share * known + lent * _shares(np.where(known, unexplained.band_powers, 0.0))
    in_silence = np.array([share * ~known, share * uneven, lent * _shares(unexplained.resting * known)])
    doubts_db = np.array([under_music * np.nan_to_num(unexplained.band_sd_db), *(in_silence * resting_sd_db)])
    return float(np.sqrt(np.sum(doubts_db**2)))


def _shares(powers):
    return powers / max(np.sum(powers), 1e-30)


def filled_powers(unexplained):
    """Power per band under music; where it could not be measured, the silences' hiss moved by the mean rise."""
    known = ~np.isnan(unexplained.band_powers)
    rise = _ratio(np.sum(unexplained.band_powers[known]), np.sum(unexplained.resting[known]))
    return np.where(known, np.nan_to_num(unexplained.band_powers), unexplained.resting * rise)


def _ratio(over, under):
    return over / under if under > 0 else 1.0
