"""Lines in a return's silences: mains hum, told by its family, and whine (a motor's or a squeal's tone).

Conventions: frequencies in Hz of the capture, where the mains is; levels are rms in dBFS at the capture's own level. A line is
hum only if others of its family (or the fundamental) stand there too: a lone tone at 780 Hz is no 13th harmonic.
"""

import numpy as np

from bounceproof import spectra
from bounceproof.quantities import power_db

HIGHEST_HZ = 8000.0
LOWEST_HZ = 25.0
FAMILIES_HZ = (50.0, 60.0)
_SEGMENT_S = 1.0
_SHORTEST_S = 0.5
_HIGHEST_ORDER = 20
# Mains and converter clocks together stay within this of their nominal values (common practice).
_FAMILY_WITHIN = 0.002
# About one false line in a hundred stretches of noise.
_FALSE_PER_BIN = 1e-6
_SIDE_BINS = 3
_AROUND_BINS = 25


def find_lines(pieces, rate_hz, speed_ratio):
    """List of lines by frequency, each a dict: frequency_hz, frequency_sigma_hz, level_dbfs, over_hiss_db (in its own bin), kind
    ("hum" or "whine"), family_hz, order, recorded (True: laid on the tape, so off by the speed; None where not told), notch_hz,
    notch_width_hz.

    pieces: stretches of the capture (one-dimensional) without music or click; those under 0.5 s are passed over.
    """
    pieces = [np.asarray(piece, dtype=float) for piece in pieces if len(piece) >= _SHORTEST_S * rate_hz]
    if not pieces:
        return []
    longest = max(pieces, key=len)
    segment = min(len(longest), round(_SEGMENT_S * rate_hz)) // 2 * 2
    freq_hz, power, number = _mean_power([piece - piece.mean() for piece in pieces if len(piece) >= segment], segment, rate_hz)
    hiss = _surroundings(power, number)
    weighted = _Weighted(longest)
    lines = [_line(freq_hz, power, hiss, *bins, weighted, rate_hz) for bins in _stretches(freq_hz, power, hiss, number)]
    return _named([line for line in lines if line], speed_ratio)


def _mean_power(pieces, segment, rate_hz):
    """(freq_hz, mean power per bin, independent segments) over whole segments of all pieces."""
    total, count, worth = 0.0, 0, 0.0
    for piece in pieces:
        whole = (len(piece) - segment) // (segment // 2) * (segment // 2) + segment
        for block in spectra.transforms([piece[:whole]], segment):
            total = total + np.sum(spectra.squared(block[:, :, 0]), axis=0)
        segments = spectra.segment_count(whole, segment)
        count, worth = count + segments, worth + (segments if segments == 1 else 0.945 * segments)
    return np.fft.rfftfreq(segment, 1.0 / rate_hz), total / count, worth


def _surroundings(power, number):
    """Mean power of the hiss around each bin: from the median, which lines do not move."""
    from scipy.ndimage import median_filter
    from scipy.special import gammainccinv

    return median_filter(power, 2 * _AROUND_BINS + 1, mode="nearest") * number / gammainccinv(number, 0.5)


def _stretches(freq_hz, power, hiss, number):
    """[(first, last)] bins of each line: bins, alone or seven together, that stand over the hiss further than noise would.

    The mean of n exponential values follows a gamma distribution; a Hann bin is worth half an independent one among its
    neighbours.
    """
    from scipy.special import gammainccinv

    span = (freq_hz >= LOWEST_HZ) & (freq_hz <= min(HIGHEST_HZ, 0.9 * freq_hz[-1])) & (hiss > 0)
    seven = np.convolve(power, np.ones(7) / 7, mode="same")
    worth = 7 * 0.5 * number
    high = span & (power > hiss * gammainccinv(number, _FALSE_PER_BIN) / number)
    high |= span & (seven > hiss * gammainccinv(worth, _FALSE_PER_BIN) / worth) & (power > hiss)
    found = []
    for bin_ in np.flatnonzero(high):
        # A motor's tone wanders: what lies within 1 % is one line.
        if found and bin_ - found[-1][1] <= max(2 * _SIDE_BINS, 0.01 * bin_):
            found[-1][1] = int(bin_)
        else:
            found.append([int(bin_), int(bin_)])
    return found


class _Weighted:
    """A piece of a capture under a Hann window: its samples, and the window's sum."""

    def __init__(self, piece):
        window = np.hanning(len(piece) + 2)[1:-1]
        self.samples, self.sum = (piece - piece.mean()) * window, window.sum()


def _line(freq_hz, power, hiss, first, last, weighted, rate_hz):
    step = freq_hz[1]
    peak = first + int(power[first : last + 1].argmax())
    # Lines of a steady family lie far apart; a stretch much wider than its peak is one that wanders.
    own = slice(max(1, first - _SIDE_BINS), last + _SIDE_BINS + 1)
    above = np.maximum(power[own] - hiss[own], 0.0)
    total, near = float(above.sum()), slice(max(1, peak - _SIDE_BINS), peak + _SIDE_BINS + 1)
    if total <= 0:
        return None
    strong = np.where(power[own] > 3 * hiss[own], above, 0.0) if (power[own] > 3 * hiss[own]).any() else above
    centre_hz = float(np.sum(strong * freq_hz[own]) / strong.sum())
    width_hz = float(np.sqrt(np.sum(strong * (freq_hz[own] - centre_hz) ** 2) / strong.sum()))
    peak_power = float(np.maximum(power[near] - hiss[near], 0.0).sum())
    sharp_hz, share = _sharp(weighted, freq_hz[peak], step, rate_hz, peak_power)
    # The window alone spreads a steady line over half a bin or so.
    width_hz = float(np.sqrt(max(width_hz**2 - (0.6 * step) ** 2, 0.0)))
    steady = share > 0.6 and peak_power > 0.5 * total
    total = peak_power if steady else total
    seconds = len(weighted.samples) / rate_hz
    wander_hz = width_hz / np.sqrt(max(seconds / 0.5, 1.0))
    # A notch has to hold the line and its wander; 2 Hz is about the narrowest that does not ring audibly (common practice).
    return {
        "frequency_hz": sharp_hz if steady else centre_hz,
        "frequency_sigma_hz": float(_steady_sigma_hz(total, hiss[peak] / step, seconds) if steady else wander_hz),
        "level_dbfs": float(power_db(total)),
        "over_hiss_db": float(power_db(total / 1.5 / hiss[peak])),
        "notch_width_hz": float(max(2.0, 4.0 * width_hz, (last - first) * step)),
    }


def _sharp(weighted, near_hz, step, rate_hz, total):
    """(frequency, share of the line's power) of the highest point of a _Weighted piece's own finely stepped spectrum near by."""
    samples = weighted.samples
    grid_hz = np.arange(near_hz - 1.5 * step, near_hz + 1.5 * step, 0.2 * rate_hz / len(samples))
    # Brought down to a few hertz first, so that the fine grid costs little.
    block = max(1, int(rate_hz / (16 * step)))
    rows = samples[: len(samples) // block * block].reshape(-1, block)
    turn = -2j * np.pi * near_hz / rate_hz
    within = np.exp(turn * np.arange(block))
    low = (rows @ within.real + 1j * (rows @ within.imag)) * np.exp(turn * block * np.arange(len(rows)))
    middles_s = (np.arange(len(low)) + 0.5) * block / rate_hz - 0.5 / rate_hz
    size = np.abs(np.exp(-2j * np.pi * np.outer(grid_hz - near_hz, middles_s)) @ low)
    best = int(size.argmax())
    shift = 0.0
    if 0 < best < len(size) - 1:
        left, mid, right = size[best - 1 : best + 2] ** 2
        bend = left - 2 * mid + right
        shift = 0.5 * (left - right) / bend if bend else 0.0
    power = 2.0 * (size[best] / weighted.sum) ** 2
    return float(grid_hz[best] + shift * (grid_hz[1] - grid_hz[0])), power / total


def _steady_sigma_hz(power, density, seconds):
    """Cramer-Rao bound of a tone's frequency, its Hann window (1.53 times the spread) in it; density: hiss per Hz.

    Source: Rife and Boorstyn 1974: var f = 3 / (2 pi^2 E T^2), E = tone's energy over the one-sided density.
    """
    energy = power * seconds / max(density, 1e-30)
    return 1.53 * np.sqrt(3.0 / (2.0 * np.pi**2 * energy)) / seconds


def _named(lines, speed_ratio):
    """The lines with kind, family, order and where they came in."""
    for line in lines:
        line.update(kind="whine", family_hz=None, order=None, recorded=None, notch_hz=line["frequency_hz"])
    told = abs(speed_ratio - 1.0) > 2 * _FAMILY_WITHIN
    for recorded in (False, True) if told else (False,):
        ratio = speed_ratio if recorded else 1.0
        free = [line for line in lines if line["kind"] == "whine"]
        members = {family_hz: _members(free, family_hz * ratio) for family_hz in FAMILIES_HZ}
        ranked = sorted(members, key=lambda family_hz: -_strength(members[family_hz]))
        for family_hz in ranked:
            family = [(line, order) for line, order in members[family_hz] if line["kind"] == "whine"]
            if _is_family(family):
                for line, order in family:
                    line.update(kind="hum", family_hz=family_hz, order=order, recorded=recorded if told else None)
    return lines


def _members(lines, fundamental_hz):
    """[(line, order)] of the lines that are whole multiples of a fundamental."""
    found = []
    for line in lines:
        order = round(line["frequency_hz"] / fundamental_hz)
        off_hz = abs(line["frequency_hz"] - order * fundamental_hz)
        if 1 <= order <= _HIGHEST_ORDER and off_hz <= _FAMILY_WITHIN * order * fundamental_hz + 2 * line["frequency_sigma_hz"]:
            found.append((line, order))
    return found


def _is_family(members):
    orders = {order for _, order in members}
    return 1 in orders or (len(orders & {2, 3, 4, 5, 6}) >= 1 and len(orders) >= 2) or orders == {2}


def _strength(members):
    return sum(10.0 ** (line["level_dbfs"] / 10) for line, _ in members)
