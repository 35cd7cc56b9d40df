"""What survived of a stem, per third-octave (IEC 61260-1), and where the stem plays.

Conventions: powers are mean squares; `response` is return over stem in dB, without hiss. Levels are averaged over those
segments in which the stem plays in that band (within 30 dB of its loudest there).
"""

import numpy as np

from bounceproof import spectra
from bounceproof.condition.level import LEAKAGE_BELOW_DB, signal_sd
from bounceproof.quantities import DB_PER_NEPER, DB_PER_POWER_RATIO, power_db, power_from_db
from bounceproof.runs import runs

KNOWN_SD_DB = 1.0
STEADY_RAD = 0.3
# Under this (17 dB under everything else in the band) bursts, which are few averages, pass for coherence.
LEAST_COHERENCE = 0.02
# Of a band's power in the stem so much has to be its own: on a slope the rest, which the window leaks from a partial beside the
# band, shows the response there.
_OWN_SHARE, _FINER = 0.7, 4
# What window and wow smear from band to band, beside the random error (tests/bench/intervals.py).
_SMEAR_SD_DB = 0.06
SILENT_UNDER_HISS_DB = 10.0


class Survival:
    """Per band, arrays of one length: stem, returned, hiss, signal (powers); signal_sd; coherence; h1 (power ratio); averages.

    timing_us: the alignment's remaining timing error (rms), None where it is not known; it decides where H1 may be trusted;
    own_share: as the function gives it.
    """

    def __init__(self, played, hiss, bands, rate_hz, quiet_s, coherence, h1, averages, *, timing_us=None, own_share=1.0):
        self.bands, self.played, self.hiss = bands, played, hiss
        self.coherence, self.h1, self.averages, self.own_share = coherence, h1, averages, own_share
        hop_s = spectra.segment_samples(rate_hz) / 2 / rate_hz
        above = np.maximum(played.returned - hiss, 0.0)
        total = above + hiss
        # The coherence that hiss alone leaves is S / (S + N): where it is reached, neither timing nor distortion took any.
        expected = np.where(total > 0, above / np.where(total > 0, total, 1.0), 0.0)
        self.strong = (above >= 4.0 * hiss) & _near_the_loudest(above, played.stem)
        steady, reached = self._steady(timing_us), (coherence >= 0.9 * expected) & (expected >= 0.5)
        # A strong band that lost half its coherence under a timing error said to be small: one of the two is wrong.
        self.contradicted = steady & self.strong & (coherence < 0.5 * expected)
        self.by_h1 = (reached | steady) & ~self.contradicted
        # Hiss that rises under the signal is in the power above the hiss, not in the coherent power.
        self.signal = np.where(self.by_h1, coherence * played.returned, above)
        coherent_sd = 2.0 * self.signal * np.where(coherence > 0, spectra.h1_relative_sd(coherence, averages), 0.0)
        powers_sd = signal_sd(above, hiss, bands, played.segments * hop_s, quiet_s)
        self.signal_sd = np.where(self.by_h1, coherent_sd, powers_sd)
        self.quiet_bt = np.maximum([(band.high_hz - band.low_hz) * quiet_s for band in bands], 1.0)

    def _steady(self, timing_us):
        """Where the timing error turns the phase so little (sd of 0.3 rad) that it takes under a tenth of the coherence."""
        mids = np.array([band.mid_hz for band in self.bands])
        return np.zeros(len(mids), dtype=bool) if timing_us is None else 2e-6 * np.pi * mids * timing_us < STEADY_RAD

    @property
    def stands(self):
        """Where a signal was measured at all: over two sd, and told from other sound.

        Without H1 only the power says so, and hiss rising under loud bands is power too: then 6 dB over the hiss are asked, and
        no more than 25 dB under the loudest band of the return, in the return and in the stem.
        """
        coherent = self.coherence > np.maximum(LEAST_COHERENCE, spectra.zero_coherence_level(self.averages))
        told = np.where(self.by_h1, coherent, self.strong & ~self.contradicted)
        return (self.signal > 0) & (self.signal > 2.0 * self.signal_sd) & told

    @property
    def response(self):
        """Power ratio of return over stem: H1 where that holds, else the powers less the hiss."""
        by_power = np.where(self.played.stem > 0, self.signal / np.where(self.played.stem > 0, self.played.stem, 1.0), 0.0)
        return np.where(self.by_h1, self.h1, by_power)

    @property
    def response_sd_db(self):
        """Sd in dB of `response`: Bendat and Piersol's for H1, else that of the signal power."""
        h1_sd = np.hypot(_SMEAR_SD_DB, DB_PER_NEPER * spectra.h1_relative_sd(self.coherence, self.averages))
        with np.errstate(divide="ignore", invalid="ignore"):
            power_sd = np.where(self.signal > 0, DB_PER_POWER_RATIO * self.signal_sd / self.signal, np.inf)
        return np.where(self.by_h1, h1_sd, power_sd)

    @property
    def known(self):
        """Where the response is known within 1 dB (sd) from a signal that was there, not leaked from a louder band."""
        faint = power_from_db(-LEAKAGE_BELOW_DB)
        told = self.stands & (self.response > 0) & (self.response_sd_db <= KNOWN_SD_DB)
        # What a louder band leaks would be told for a response: in the return, or where the machine passes next to nothing.
        told &= (self.signal > faint * self.signal.max(initial=0.0)) & (self.own_share >= _OWN_SHARE)
        return told & (self.response > faint * np.max(self.response, where=told, initial=0.0))

    @property
    def over_hiss_sd_db(self):
        """Sd in dB of signal over hiss; the hiss itself is only known from its own stretch."""
        with np.errstate(divide="ignore", invalid="ignore"):
            relative = np.sqrt((self.signal_sd / self.signal) ** 2 + 1.0 / self.quiet_bt)
        return np.where(self.signal > 0, DB_PER_POWER_RATIO * relative, np.inf)


def _near_the_loudest(returned, stem, *, within_db=25.0):
    """Bands within so many dB of the return's loudest one, in the return and in the stem."""
    loudest = int(returned.argmax())
    share = 10.0 ** (-within_db / 10)
    return (returned >= share * returned[loudest]) & (stem >= share * stem[loudest])


def own_share(stem, powers, rate_hz, bands):
    """Per band: power of the stem (one-dimensional) in segments four times as long, which leak less, re its band powers."""
    segment = _FINER * spectra.segment_samples(rate_hz)
    longer = spectra.band_powers([stem], rate_hz, bands, segment=segment, kind=np.float32)
    return _share(longer[:, 0].mean(axis=0), powers.mean(axis=0))


def coherent_output(stem, aligned, rate_hz, bands, mask):
    """Per band: coherence (coherent share of the return's power, bias taken off), H1 power ratio, effective averages; the
    SpectralMatrix of stem and return that they come from, and the return's `band_powers` (segments, bands).

    mask: (segments, bands), where the stem plays. Source: Bendat and Piersol, Random Data (coherent output power).
    """
    segment = spectra.segment_samples(rate_hz)
    weights = spectra.bin_weights(mask, bands, segment, rate_hz)
    matrix, returned = spectra.band_matrix(bands, segment, rate_hz), []
    both = spectra.spectral_matrix(
        [stem, aligned], rate_hz, weights=weights, seen=lambda powers: returned.append(powers[1] @ matrix)
    )
    coherence = spectra.without_bias(both.coherence(0, 1), both.averages, floor=-1.0)
    coherence = np.where(both.averages >= spectra.LEAST_AVERAGES, coherence, 0.0)
    explained = np.maximum((coherence * both.power(1)) @ matrix, 0.0)
    stem_power, return_power = both.power(0) @ matrix, both.power(1) @ matrix
    # Hann bins overlap: 1.5 bins wide each, so a band of k bins holds k / 1.5 independent ones.
    averages = np.maximum(1.0, matrix.sum(axis=0) / 1.5) * (both.averages @ matrix / np.maximum(matrix.sum(axis=0), 1e-9))
    return _share(explained, return_power), _share(explained, stem_power), averages, both, np.concatenate(returned)


def _share(over, under):
    return np.where(under > 0, over / np.where(under > 0, under, 1.0), 0.0)


def band_rows(survival):
    """The rows of bands.tsv; None where there is nothing to tell."""
    known, stands = survival.known, survival.stands
    rows = []
    for k, band in enumerate(survival.bands):
        over_db = power_db(survival.signal[k] / survival.hiss[k]) if stands[k] and survival.hiss[k] > 0 else None
        rows.append(
            {
                "nominal_hz": band.nominal_hz,
                "stem_dbfs": power_db(survival.played.stem[k]),
                "return_dbfs": power_db(survival.played.returned[k]),
                "hiss_dbfs": power_db(survival.hiss[k]),
                "signal_over_hiss_db": over_db,
                "sigma_db": survival.over_hiss_sd_db[k] if over_db is not None else None,
                "response_db": power_db(survival.response[k]) if known[k] else None,
                "response_sigma_db": survival.response_sd_db[k] if known[k] else None,
                "response_by": ("H1" if survival.by_h1[k] else "power") if known[k] else None,
                "coherence": survival.coherence[k],
                "known": bool(known[k]),
            }
        )
    return rows


BAND_COLUMNS = (
    "nominal_hz",
    "stem_dbfs",
    "return_dbfs",
    "hiss_dbfs",
    "signal_over_hiss_db",
    "sigma_db",
    "response_db",
    "response_sigma_db",
    "response_by",
    "coherence",
    "known",
    "hiss_under_music_dbfs",
    "hiss_under_music_sigma_db",
)


def bands_of_role(mids_hz, wanted):
    """Which third-octaves (bool) make up a band of a role: those whose middles lie in it, else the one that it lies in."""
    inner = (mids_hz >= wanted["low_hz"]) & (mids_hz <= wanted["high_hz"])
    if not inner.any():
        inner[np.abs(np.log(mids_hz / np.sqrt(wanted["low_hz"] * wanted["high_hz"]))).argmin()] = True
    return inner


def role_rows(survival, role_bands, level_db):
    """The bands that matter to a role: each with `signal_over_hiss_db`, `boost_db` (what would bring it back to the stem's
    level after level_db) and `hiss_brought_dbfs` (its hiss after level_db and that boost).

    Powers are summed over the third-octaves whose mid-band frequency lies in the role's band; None where nothing there is known.
    """
    mids = np.array([band.mid_hz for band in survival.bands])
    rows = []
    for wanted in role_bands:
        inner = survival.stands & bands_of_role(mids, wanted)
        signal, hiss, stem = (float(power[inner].sum()) for power in (survival.signal, survival.hiss, survival.played.stem))
        over_db = power_db(signal / hiss) if hiss > 0 and signal > 0 else None
        boost_db = power_db(stem / signal) - level_db if signal > 0 and level_db is not None else None
        brought_db = None if boost_db is None or not hiss > 0 else power_db(hiss) + level_db + boost_db
        rows.append(
            {
                **{key: wanted.get(key) for key in ("name", "low_hz", "high_hz", "importance")},
                "signal_over_hiss_db": over_db,
                "boost_db": boost_db,
                "hiss_brought_dbfs": brought_db,
            }
        )
    return rows


def band_edges(survival, band_hz, *, down_db=10.0):
    """Where the response has fallen by down_db under its middle: dict of low_hz, high_hz and their sd in octaves, or None each.

    The middle is the median of the known responses within band_hz; an edge lies on the straight line (over the logarithm of
    frequency) between the last known band above the limit and the next known one below it.
    """
    mids = np.array([band.mid_hz for band in survival.bands])
    known = survival.known
    within = known & (mids >= band_hz[0]) & (mids <= band_hz[1])
    edges = {
        "down_db": down_db,
        "middle_db": None,
        "low_hz": None,
        "low_sd_octaves": None,
        "high_hz": None,
        "high_sd_octaves": None,
    }
    if not within.any():
        return edges
    db = np.where(known, power_db(np.maximum(survival.response, 1e-30)), np.nan)
    middle_db = float(np.median(db[within]))
    edges["middle_db"] = middle_db
    start = int(np.flatnonzero(within)[len(np.flatnonzero(within)) // 2])
    for name, order in (("low", range(start, -1, -1)), ("high", range(start, len(mids)))):
        edge = _edge(mids, db - (middle_db - down_db), survival.response_sd_db, order)
        edges[f"{name}_hz"], edges[f"{name}_sd_octaves"] = edge
    return edges


def _edge(mids, over_db, sd_db, order):
    """(frequency, sd in octaves) where over_db first passes zero along `order`, skipping unknown bands; (None, None) if never."""
    last = None
    for k in order:
        if not np.isfinite(over_db[k]):
            continue
        if last is not None and over_db[k] < 0 <= over_db[last]:
            slope = (over_db[k] - over_db[last]) / np.log2(mids[k] / mids[last])
            octaves = -over_db[last] / slope
            return float(mids[last] * 2.0**octaves), float(np.hypot(sd_db[k], sd_db[last]) / abs(slope))
        last = k
    return None, None


def playing_spans(powers, response, hiss, chosen, segment, rate_hz):
    """Spans [start_s, end_s] in which the stem, through the response, is less than 10 dB under the hiss.

    powers: (segments, bands) of the stem; response, hiss: per band; chosen: bands that count. No hiss: wherever the stem is not
    zero.
    """
    expected = powers[:, chosen] @ response[chosen]
    plays = (expected > 0) & (expected >= hiss[chosen].sum() * 10.0 ** (-SILENT_UNDER_HISS_DB / 10))
    hop_s = segment / 2 / rate_hz
    # A segment stands for the hop around its middle: from a quarter to three quarters of it.
    return [[float(a * hop_s + hop_s / 2), float(b * hop_s + hop_s / 2)] for a, b in runs(plays)]


def filled_response(survival):
    """The response per band with unknown bands taken from the nearest known one; ones where none is known."""
    known = np.flatnonzero(survival.known)
    if not len(known):
        return np.ones(len(survival.bands))
    places = np.arange(len(survival.bands))
    nearest = known[np.abs(places[:, None] - known[None, :]).argmin(axis=1)]
    return survival.response[nearest]
