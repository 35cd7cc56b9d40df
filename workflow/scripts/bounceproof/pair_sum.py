"""How two returns add up, per third-octave, against the sum of their stems through the same responses.

Conventions: `loss_db` is positive where the sum of the returns is weaker than the sum of the stems through the same responses,
negative where stronger; powers are mean squares without the returns' hiss; bands after IEC 61260-1.
"""

import numpy as np

from bounceproof import spectra
from bounceproof.condition.level import inside
from bounceproof.quantities import DB_PER_POWER_RATIO, power_db

SHARED_COHERENCE = 0.1
# Bands whose response lies further under the best one are no part of the sum that anybody hears.
RESPONSE_FLOOR_DB = 20.0
CANCELLED = 0.1
# Hiss is known from so many seconds of silence.
HISS_S = 2.0


class BandSums:
    """Powers of two stems and of their returns per band, and their sums.

    stems: (first, second), each (frames,); ways: {name: (first, second)}; the first way is the one in use; bands: list of Band;
    band_hz: the medium's; hiss: (2, bands) mean squares of the returns' hiss.
    """

    def __init__(self, stems, ways, rate_hz, bands, band_hz, hiss):
        segment = spectra.segment_samples(rate_hz)
        self.bands, self.names = bands, list(ways)
        self.mids = np.array([band.mid_hz for band in bands])
        self.widths = np.array([band.high_hz - band.low_hz for band in bands])
        self.inside = inside(bands, band_hz)
        self.low_hz = band_hz[0]
        signals = [*stems, *(samples for side in ways.values() for samples in side)]
        powers = spectra.band_powers(list(stems), rate_hz, bands).sum(axis=1)
        weights = spectra.bin_weights(spectra.playing(powers), bands, segment, rate_hz)
        self.spectra = spectra.spectral_matrix(signals, rate_hz, weights=weights)
        self.bin_share = spectra.band_matrix(bands, segment, rate_hz)
        self.hiss = np.asarray(hiss)
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
        name = self.names[0]
        signal, response = self.signal(name), self.responses(name)
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

    def expected(self):
        """Power per band of the stems' sum through both responses: P1 + P2 + 2 Re S12 sqrt(P1 P2 / (S1 S2)).

        The responses are those of the first way for all ways: they do not depend on how the returns are laid, and where two
        clicks leave the speed wrong, a return's partials lie beside its stem's.
        """
        name = self.names[0]
        return self.signal(name).sum(axis=0) + 2.0 * self._balanced(name, self.spectra.matrix[:, 0, 1].real) @ self.bin_share

    def _balanced(self, name, stems_cross):
        """A cross power of the stems per bin as both responses would make it, by the powers less an even share of the band's
        hiss.
        """
        at, width = self._at(name), np.maximum(self.bin_share.sum(axis=0), 1e-9)
        hiss = self.bin_share @ (self.hiss / width).T
        returns = np.prod([np.maximum(self.spectra.power(at + i) - hiss[:, i], 0.0) for i in (0, 1)], axis=0)
        stems = self.spectra.power(0) * self.spectra.power(1)
        return stems_cross * np.sqrt(returns / np.where(stems > 0, stems, np.inf))

    def sums(self, name):
        """(alone, expected, got): powers per band of both returns each for itself, of their sum as the stems have it and as it
        is.
        """
        at, alone = self._at(name), self.signal(name).sum(axis=0)
        return alone, self.expected(), alone + 2.0 * self.cross(at, at + 1)

    def loss_db(self, name):
        """(10 lg(expected / got) of the sum's power, its sd by hiss); nan where a return is lost or the stems cancel."""
        alone, expected, got = self.sums(name)
        # Where the stems themselves cancel, what is left of them is no measure of the returns' sum.
        good = self.stands() & (expected > CANCELLED * alone)
        # A sum that cancels to nothing is told as 40 dB: below that lies only the error of the hiss.
        got = np.where(good, np.maximum(got, 1e-4 * expected), 1.0)
        expected = np.where(good, expected, 1.0)
        noise, count = self.hiss.sum(axis=0), np.maximum(1.0, self.bin_share.sum(axis=0) / 1.5) * self.averages
        # Powers of a steady sound S in noise N: var = (2 S N + N^2) / n; that of the hiss taken off: N^2 / (B T).
        variances = [(2 * power * noise + noise**2) / count + noise**2 / (self.widths * HISS_S) for power in (got, expected)]
        relative = np.sqrt(variances[0] / got**2 + variances[1] / expected**2)
        return np.where(good, -power_db(got / expected), np.nan), np.where(good, DB_PER_POWER_RATIO * relative, np.nan)

    def phase_kept(self, name):
        """How far the returns keep the stems' phase between them, per band: 1 as sent, 0 any phase, -1 upside down."""
        at, stems = self._at(name), self.spectra.matrix[:, 0, 1]
        returns = self.spectra.matrix[:, at, at + 1]
        size = np.abs(stems)
        turned = (returns * np.conj(stems)).real / np.where(size > 0, size, 1.0) @ self.bin_share
        whole = self._balanced(name, size) @ self.bin_share
        return np.clip(np.where(whole > 0, turned / np.where(whole > 0, whole, 1.0), 0.0), -1.0, 1.0)

    def short_db(self, name):
        """By how much a band fails to add up, in dB: its loss (either way), or what two equal sounds would lose that keep their
        phase as these do, if that is more; nan where the loss is not known. A sum can keep its level by chance.
        """
        loss_db, sd_db = self.loss_db(name)
        equal_db = -power_db(np.maximum(1e-4, 0.5 + 0.5 * self.phase_kept(name)))
        return np.maximum(np.abs(loss_db), equal_db), sd_db

    def overall_db(self, name):
        """(loss of the whole sum within the medium's band, sum of the returns re both alone, the same of the stems), dB; None
        where nothing stands over its hiss.
        """
        alone, expected, got = (part[self.inside & self.stands()].sum() for part in self.sums(name))
        if not alone > 0:
            return None, None, None
        got, expected = (max(part, 1e-4 * alone) for part in (got, expected))
        return float(power_db(expected / got)), float(power_db(got / alone)), float(power_db(expected / alone))


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


def adds_up_from(bands, loss_db, usable, limit_db, start):
    """Lower edge of the run of usable bands within limit_db that goes down from the band `start`."""
    lowest = start
    while lowest > 0 and usable[lowest - 1] and abs(loss_db[lowest - 1]) <= limit_db:
        lowest -= 1
    return float(bands[lowest].low_hz)


def by_delays(delay_us, weight, limit_db, highest_hz):
    """Frequency up to which two equal sounds with these delays (us, weighted) would add up within limit_db; at most highest_hz.

    Their sum loses -10 lg((1 + mean of cos(2 pi f d)) / 2).
    """
    freq_hz = np.geomspace(5.0, highest_hz, 400)
    mean = np.cos(2e-6 * np.pi * freq_hz[:, None] * np.asarray(delay_us)) @ (weight / np.sum(weight))
    short = mean < 2.0 * 10.0 ** (-limit_db / 10) - 1.0
    return float(freq_hz[max(0, int(short.argmax()) - 1)]) if short.any() else float(highest_hz)
