"""Hiss under music: what the stem through the response (and the level's ride) does not explain, per third-octave.

Conventions: mean squares at the capture's own level, on the stem's time base, over the moments while the stem plays; bands
above the working rate's reach are None. What a remaining timing error, told by the alignment, leaves of the stem is taken off.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition.explained import Sliced
from bounceproof.quantities import DB_PER_POWER_RATIO, power_db, power_weights

# A response from Hann segments that overlap by half, cut to its taps, has the variance of one fitted to 1.89 times the sound.
_FITTED_TO = 1.89


class Unexplained(NamedTuple):
    """band_powers: mean square per band (NaN beyond the working rate's reach); band_sd_db; seconds: time behind them;
    resting: hiss per band of the silences, as handed in.
    """

    band_powers: np.ndarray
    band_sd_db: np.ndarray
    seconds: float
    resting: np.ndarray


def measure_unexplained(explained, bands, hiss_powers, dropouts, *, timing_us, gain_sd):
    """The Unexplained of an Explained that has its ride on; None where the stem plays for less than a second.

    hiss_powers: hiss of the silences per band, zeros where there is none; timing_us: rms timing error left, None if unknown;
    gain_sd: relative sd of the ride, per sample (Sliced), None without one: a gain fitted to the return takes so much of the hiss
    along (the expectation of A. Dempster, N. Laird and D. Rubin, J. Royal Stat. Soc. B 39 (1977) 1).
    """
    rate_hz = explained.rate_hz
    segment = spectra.segment_samples(rate_hz)
    within = np.array([band.high_hz <= 0.45 * rate_hz for band in bands])
    inner = [band for band, take in zip(bands, within, strict=True) if take]
    parts = [explained.residual, explained.expected]
    if gain_sd is not None:
        parts.append(Sliced(len(explained.expected), lambda first, last: explained.expected[first:last] * gain_sd[first:last]))
    powers = spectra.band_powers(parts, rate_hz, inner, segment=segment)
    plays = _plays(powers[:, 1].sum(axis=1), hiss_powers[within].sum()) & ~_hurt(dropouts, len(powers), segment, rate_hz)
    seconds = float(plays.sum() * segment / 2 / rate_hz)
    if seconds < 1.0:
        return None
    left, expected, *taken = powers[plays].mean(axis=0)
    left = left + sum(taken)
    # Each tap of a response fitted to the return itself takes its share of the hiss along.
    left = left / (1.0 - min(0.5, len(explained.taps) / rate_hz / (_FITTED_TO * seconds)))
    mids_hz = np.array([band.mid_hz for band in inner])
    late = (2e-6 * np.pi * mids_hz * (timing_us or 0.0)) ** 2
    # What the alignment says of its error is itself an estimate: never more than half is believed to be timing.
    timing = np.minimum(late * expected, 0.5 * left)
    noise = left - timing
    width_hz = np.array([band.high_hz - band.low_hz for band in inner])
    full, sd = np.full(len(bands), np.nan), np.full(len(bands), np.nan)
    full[within] = noise
    scatter = powers[plays, 0].std(axis=0) / np.maximum(left, 1e-30) / np.sqrt(0.945 * plays.sum())
    sd[within] = np.hypot(
        DB_PER_POWER_RATIO * scatter, np.maximum(spectra.level_sd_db(width_hz, seconds), 2.17 * timing / np.maximum(noise, 1e-30))
    )
    return Unexplained(full, sd, seconds, np.asarray(hiss_powers))


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
    """The entry `hiss_under_music` of condition.json: levels, and how far each stands over the silences' hiss.

    The weighted levels are the silences' own, moved by what the bands' difference makes of each weighting: so that both are
    read with the same fineness. rise_db > 0: modulation noise; < 0: a level control had opened up in the silence. None without
    either.
    """
    if unexplained is None:
        return None
    filled = filled_powers(unexplained)
    ours = weighted_levels(filled, bands, band_hz)
    rest = weighted_levels(unexplained.resting, bands, band_hz)
    known = ~np.isnan(unexplained.band_powers)
    weight = filled * known / max(np.sum(filled * known), 1e-30)
    sigma_db = float(np.sqrt(np.sum((weight * np.nan_to_num(unexplained.band_sd_db)) ** 2)))
    record = {"seconds": unexplained.seconds, "sigma_db": sigma_db, "rise_db": None}
    for name, level in ours.items():
        silent = getattr(hiss, name)
        heard = silent is not None and np.isfinite(silent) and np.isfinite(rest[name])
        record[name] = silent + level - rest[name] if heard else level
        if name == "flat_dbfs" and heard:
            record["rise_db"] = level - rest[name]
    return record


def filled_powers(unexplained):
    """Power per band under music; where it could not be measured, the silences' hiss moved by the mean rise."""
    known = ~np.isnan(unexplained.band_powers)
    rise = _ratio(np.sum(unexplained.band_powers[known]), np.sum(unexplained.resting[known]))
    return np.where(known, np.nan_to_num(unexplained.band_powers), unexplained.resting * rise)


def _ratio(over, under):
    return over / under if under > 0 else 1.0
