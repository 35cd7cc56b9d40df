"""The gain that brings an aligned return to its stem's level.

Conventions: powers are mean squares per third-octave; `level_db` is what to add to the return. Only what stands over the hiss
counts, and only within the medium's nominal band, so that neither send level, capture gain nor hiss enter.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import at_once, spectra
from bounceproof.quantities import DB_PER_POWER_RATIO, power_db, power_from_db, third_octave_bands

LEAKAGE_BELOW_DB = 45.0


class Level(NamedTuple):
    """level_db: gain in dB, None where nothing stands over the hiss; sigma_db: its sd, None likewise; bands: how many carried
    it.
    """

    level_db: float | None
    sigma_db: float | None
    bands: int


def analysis_bands(rate_hz, *, low_hz=50.0, high_hz=16000.0):
    """The third-octave bands (IEC 61260-1) that a return is measured in at this rate."""
    return third_octave_bands(low_hz, min(high_hz, 0.42 * rate_hz))


def inside(bands, band_hz):
    """Which bands have their mid-band frequency inside the medium's nominal band; all of them where none has."""
    chosen = np.array([band_hz[0] <= band.mid_hz * 1.001 and band.mid_hz <= band_hz[1] * 1.001 for band in bands])
    return chosen if chosen.any() else np.ones(len(bands), dtype=bool)


def hiss_band_powers(quiet, rate_hz, bands):
    """Mean square per band of a stretch that holds hiss only; its mean is taken off first. Zeros for an empty stretch."""
    quiet = np.asarray(quiet, dtype=float)
    if len(quiet) < 64:
        return np.zeros(len(bands))
    segment = min(spectra.segment_samples(rate_hz), 2 ** int(np.log2(len(quiet))))
    # Whole segments only: one padded with zeros would read low.
    whole = (len(quiet) - segment) // (segment // 2) * (segment // 2) + segment
    piece = quiet[:whole] - quiet[:whole].mean()
    return spectra.band_powers([piece], rate_hz, bands, segment=segment)[:, 0].mean(axis=0)


def level_db(stem, aligned, rate_hz, band_hz, *, quiet=None, quiet_rate_hz=None):
    """Level of an aligned return against its stem.

    stem, aligned: one-dimensional, one time base, rate_hz; band_hz: (low, high) of the medium; quiet: a stretch of the capture
    without music or click, at quiet_rate_hz counted in the stem's time (the capture's rate over the speed ratio).
    Powers are compared, hiss taken off, where the stem plays: milliseconds of remaining timing error do not change
    them, as they would an H1 estimate.
    """
    bands = analysis_bands(rate_hz)
    frames = min(len(stem), len(aligned))
    one_by_one = at_once.each(lambda one: spectra.band_powers([one[:frames]], rate_hz, bands, kind=np.float32), (stem, aligned))
    powers = np.concatenate(one_by_one, axis=1, dtype=float)
    hiss = np.zeros(len(bands)) if quiet is None else hiss_band_powers(quiet, quiet_rate_hz or rate_hz, bands)
    quiet_s = 0.0 if quiet is None else len(quiet) / (quiet_rate_hz or rate_hz)
    return level_from_powers(played_powers(powers), hiss, bands, band_hz, rate_hz, quiet_s=quiet_s)


class Played(NamedTuple):
    """Per band, over the segments where the stem plays in it: mean powers of stem and return, and how long in seconds it
    plays.
    """

    stem: np.ndarray
    returned: np.ndarray
    segments: np.ndarray


def played_powers(powers, *, within_db=30.0):
    """Played from (segments, 2, bands) powers of stem and return."""
    mask = spectra.playing(powers[:, 0], within_db=within_db)
    counts = mask.sum(axis=0)
    means = [(powers[:, i] * mask).sum(axis=0) / np.maximum(counts, 1) for i in (0, 1)]
    return Played(means[0], means[1], counts)


def level_from_powers(played, hiss, bands, band_hz, rate_hz, *, quiet_s):
    """Level from band powers already measured; see `level_db`."""
    hop_s = spectra.segment_samples(rate_hz) / 2 / rate_hz
    signal = np.maximum(played.returned - hiss, 0.0)
    spread = signal_sd(signal, hiss, bands, played.segments * hop_s, quiet_s)
    # What a loud band leaks into its neighbours' spectra is no signal of theirs.
    clear = (played.stem > 0) & (signal > 2.0 * spread) & (signal > power_from_db(-LEAKAGE_BELOW_DB) * signal.max(initial=0.0))
    nominal = clear & inside(bands, band_hz)
    # A stem that plays outside the nominal band only is measured where it plays, if it stands well clear of the hiss there.
    clear = nominal if nominal.any() else clear & (signal > 4.0 * hiss) & (signal > 6.0 * spread)
    if not clear.any():
        return Level(None, None, 0)
    weight = clear * signal / np.maximum(signal + hiss, np.finfo(float).tiny)
    got = np.sum(weight * signal)
    random_db = DB_PER_POWER_RATIO * np.sqrt(np.sum((weight * spread) ** 2)) / got
    found_db, unweighted_db = (float(power_db(np.sum(by * played.stem) / np.sum(by * signal))) for by in (weight, clear))
    # Where the response is not flat, the level hangs on how bands are weighted, and that on the hiss.
    return Level(found_db, float(np.hypot(random_db, found_db - unweighted_db)), int(clear.sum()))


def signal_sd(signal, hiss, bands, played_s, quiet_s):
    """Sd of a signal power found as (signal + hiss) - hiss, from the products of bandwidth and time.

    var = (2 S N + N^2) / (B T_played) + N^2 / (B T_quiet), where half-overlapping segments make less of T_played.
    """
    width_hz = np.array([band.high_hz - band.low_hz for band in bands])
    played_bt = np.maximum(width_hz * played_s / spectra.OVERLAP_LOSS, 1e-9)
    quiet_bt = np.maximum(width_hz * quiet_s, 1.0)
    return np.sqrt((2.0 * signal * hiss + hiss**2) / played_bt + hiss**2 / quiet_bt)
