"""Foreign sounds in a return: another stem of the session that was not erased, the own stem from another layer of the reel
(print-through), and what is recorded on the tape's other side and heard backwards.

Conventions: level_db is the foreign sound's power, while it plays, re the own stem's in the return; delay_s > 0: the sound is
heard so much later than the song's own time says (backwards: its end is heard so much after the song's start), in the middle
of the stretch from start_s to end_s; drift_percent: by how much that delay grows with time. Nothing is claimed on power alone:
a sound is named only where its phase, too, goes with what the own stem leaves unexplained, far beyond what the same sound does
at delays where it is not.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import at_once, spectra
from bounceproof.audio import resample
from bounceproof.condition.explained import taps_of, through
from bounceproof.condition.suspects import LEFT_OUT_S, Search, Source, Suspect, excess
from bounceproof.sketches import hop_samples, sketch, sketch_bands
from bounceproof.sliced import Sliced

NOT_ERASED, PRINT_THROUGH, OTHER_SIDE = "not erased", "print-through", "other side"
# A longer song is gone through in portions of about this length: what one search holds and costs grows with the square of that.
_PORTION_S = 480.0
_WINDOW_S = 0.085
_LAG_S = 0.018
_STEP_LAGS = 2
_OFF_HOPS = 3
_CONTROLS = 18
_NEAREST_CONTROL_S = 0.5
_STANDS_SD = 8.0
_STANDS_OVER = 1.2
# A path through noise explains half a unit of power a segment, at most 1.4 in trials. Far more than that is no chance, and
# only has to be the best place: a loop that is heard is nearly as good a bar later.
_LEAST, _PLENTY = 1.5, 4.0
_PLENTY_SD = 3.5
# What the first sound named leaves over is like it in sound: a second one has to explain so much of what the first did.
_LESS = 0.3
# Sounds that repeat themselves, or share a beat, make strong suspects where they are not: of twenty sources the true one was up
# to the tenth by power in trials.
_MOST_TRIED = 24
# The own stem is told from itself by less than another is, so it is looked at sooner; print-through has the same motion.
_PRINT = {"beyond_s": 0.3, "within_s": 20.0, "least": 3.0, "most": 3, "drift": 0.001}
_ALIKE = 0.25
_FEWEST_CONTROLS = 6
# Where a slice is resampled, so much beside it (0.04 s) for the filter.
_ROOM_SAMPLES = 512
_LEAST_POWER = 1e-6
# Segments transformed at a time, a multiple of 48: short ones cost more to handle than to transform.
_AT_ONCE = 480


def find_foreign(explained, rate_hz, others, own_track, gain):
    """List of dicts, loudest first: track, kind ("not erased", "print-through", "other side"), level_db, level_sigma_db,
    delay_s, delay_sigma_s, drift_percent, start_s, end_s, strength_sd.

    explained: Explained with the ride on; rate_hz: the session's; others: {track: (sketch, function that gives its samples at
    rate_hz, or what slices into them)} of the session's other stems; gain: (bands of the sketch,) power response of the machine.
    Method: `suspects` by power, then the correlation of whitened segments of 85 ms along a path of lags that hardly moves, with
    what the own stem and the sounds already named explain taken off both sides; its error from the same sound at wrong delays. A
    long song is gone through in portions: there a sound from further away than a portion is not found.
    """
    factor = round(rate_hz / explained.rate_hz)
    hop, hops = hop_samples(rate_hz) // factor, round(_PORTION_S * rate_hz / hop_samples(rate_hz))
    count, rows = max(1, round(len(explained.stem) / hop / hops)), []
    own = sketch(explained.stem, rate_hz, factor=factor, kind=np.float32)
    for first in range(0, count * hops, hops):
        last = (first + hops) * hop if first + hops < count * hops else len(explained.stem)
        portion = _Portion(explained, first * hop, last)
        found = _in_portion(portion, first, rate_hz, Source(own_track, False, True, own), others, gain)
        rows += [row for row in found if not any(_same(row, other) for other in rows)]
    return sorted(rows, key=lambda row: np.inf if row["level_db"] is None else -row["level_db"])


def _in_portion(portion, first, rate_hz, own, others, gain):
    """The rows of `find_foreign` from a _Portion that starts `first` hops into the song; own: the return's stem as a Source."""
    hop_s, factor = hop_samples(rate_hz) / rate_hz, round(rate_hz / portion.rate_hz)
    residual, expected = (sketch(part, rate_hz, factor=factor, kind=np.float32) for part in (portion.residual, portion.expected))
    over = excess(residual, expected)
    if not over.level > 0:
        return []
    search, sources = Search(over, gain, hop_s), _sources(own, others, slice(first, first + len(residual)))
    found = at_once.each(lambda source: search.suspects(source, **(_PRINT if _echo(source) else {})), sources)
    suspects = sorted((one for some in found for one in some), key=lambda one: -one.strength)[:_MOST_TRIED]
    named = _named(suspects, _Bench(portion, over, gain), lambda source: portion.of(source, others, factor))
    if not named:
        return []
    levels_db = search.levels_db([portion.heard(tried.line(), others, rate_hz) for _, tried in named])
    return [_row(suspect, tried, level_db, first * hop_s) for (suspect, tried), level_db in zip(named, levels_db, strict=True)]


class _Portion:
    """Samples first .. last - 1 of an Explained, as if they were a song of their own."""

    def __init__(self, explained, first, last):
        self._explained, self._part = explained, slice(first, last)
        self.rate_hz = explained.rate_hz
        self.stem, self.expected, self.residual = (
            whole[self._part] for whole in (explained.stem, explained.expected, explained.residual)
        )

    @property
    def taps(self):
        return self._explained.taps

    def of(self, source, others, factor):
        """What of a source's samples lies in the portion, at the working rate, backwards where it is; Sliced, for a suspect is
        sought in twenty seconds of a song.
        """
        whole, rates = (self._explained.stem, 1) if source.own else (others[source.track][1](), factor)
        first, last = self._part.start * rates, min(self._part.stop * rates, len(whole))
        if source.backwards:
            first, last = len(whole) - last, len(whole) - first
        return _slower(whole, max(0, first), max(0, last), rates, backwards=source.backwards)

    def heard(self, suspect, others, rate_hz):
        """(sketch of a suspect through the response, as its line lays it, sketch of what the own stem does not explain of that):
        the response, fitted to the return, has taken along what of a foreign sound goes with the stem by chance.
        """
        factor = round(rate_hz / self.rate_hz)
        laid = _laid(suspect, through(self.of(suspect.source, others, factor)[:], self.taps), self.rate_hz)
        laid = Sliced(len(self.stem), laid)
        both = spectra.spectral_matrix([self.expected, laid], self.rate_hz, segment=spectra.segment_samples(self.rate_hz))
        own, cross = both.power(0), both.matrix[:, 0, 1]
        known = own > _LEAST_POWER * own.max()
        taken = through(self.expected, taps_of(np.where(known, cross / np.where(known, own, 1.0), 0.0), self.rate_hz))
        left = Sliced(len(self.stem), lambda first, last: laid[first:last] - taken[first:last])
        return tuple(sketch(part, rate_hz, factor=factor) for part in (laid, left))


def _slower(whole, first, last, rates, *, backwards):
    """Samples first .. last - 1 at 1 / rates of their rate, or these backwards: Sliced, read and resampled where they are."""
    # In a late portion of a long song this sound may have ended already.
    frames = max(0, round((last - first) / rates))

    def made(low, high):
        before = min(low, _ROOM_SAMPLES)
        samples = whole[first + (low - before) * rates : min(last, first + (high + _ROOM_SAMPLES) * rates)]
        if rates > 1:
            samples = resample(np.asarray(samples, dtype=np.float32), rates, 1)
        return samples[before : before + high - low]

    return Sliced(frames, (lambda low, high: made(frames - high, frames - low)[::-1]) if backwards else made)


def _same(one, other):
    """Whether two rows of different portions tell of one sound."""
    return all(one[key] == other[key] for key in ("track", "kind")) and (
        one["kind"] != PRINT_THROUGH or (one["delay_s"] > 0) == (other["delay_s"] > 0)
    )


def _sources(own, others, there):
    """Each Source, forwards and backwards, by the segments `there` of its sketch."""
    for source in (own, *(Source(track, False, False, np.asarray(powers)) for track, (powers, _) in others.items())):
        yield source._replace(powers=source.powers[there])
        yield source._replace(backwards=True, powers=source.powers[::-1][there])


def _echo(source):
    """Whether a source is the own stem as it was sent, so that only elsewhere in time it can be foreign."""
    return source.own and not source.backwards


def _named(suspects, bench, samples_of):
    """[(suspect, tried)] of those that stand, strongest first, each with the ones before it counted as known."""
    # One stretch of the song after the other: the bench keeps what it knows of the last.
    order = sorted(range(len(suspects)), key=lambda k: suspects[k].start_s)
    tried = at_once.each(lambda k: bench.try_(suspects[k], samples_of(suspects[k].source), []), order)
    alone = [one for _, one in sorted(zip(order, tried, strict=True), key=lambda one: one[0])]
    standing = [(tried.suspect, tried) for tried in alone if tried.stands]
    standing.sort(key=lambda one: -one[1].explained)
    named = standing[:1]
    for suspect, _ in standing[1:]:
        known = [bench.placed(one, samples_of(one.source), suspect) for one, _ in named]
        tried = bench.try_(suspect, samples_of(suspect.source), known)
        if tried.stands and tried.explained > _LESS * named[0][1].explained:
            named.append((tried.suspect, tried))
    return named


def _row(suspect, tried, level_db, from_s):
    """A row of `find_foreign`; level_db: (level, its sd); from_s: where the search's portion starts in the song."""
    source = suspect.source
    kind = OTHER_SIDE if source.backwards else PRINT_THROUGH if source.own else NOT_ERASED
    return {
        "track": str(source.track),
        "kind": kind,
        "level_db": level_db[0],
        "level_sigma_db": level_db[1],
        "delay_s": tried.delay_s,
        "delay_sigma_s": tried.delay_sigma_s,
        "drift_percent": 100.0 * tried.drift,
        "start_s": from_s + float(suspect.start_s),
        "end_s": from_s + float(suspect.end_s),
        "strength_sd": tried.strength_sd,
    }


class _Tried(NamedTuple):
    """suspect: as its phase lays it; stands: whether the sound is there; strength_sd: over what wrong delays give; explained:
    power of the whitened remainder that it explains; delay_s, delay_sigma_s: in the middle of the stretch; drift: by how much
    that grows in a second.
    """

    suspect: Suspect
    stands: bool
    strength_sd: float
    explained: float
    delay_s: float = 0.0
    delay_sigma_s: float = 0.0
    drift: float = 0.0

    def line(self):
        """The suspect on the straight line that its phase lies about."""
        return self.suspect._replace(delay_s=self.delay_s, drift=self.drift)


class _Bench:
    """A return's remainder, against which sounds are held, in single precision."""

    def __init__(self, explained, over, gain):
        self.explained = explained
        self.rate_hz = explained.rate_hz
        self.segment = 2 * round(0.5 * _WINDOW_S * self.rate_hz)
        self.hop_s = 0.5 * self.segment / self.rate_hz
        self.freq_hz = np.fft.rfftfreq(self.segment, 1.0 / self.rate_hz)
        bands = sketch_bands(self.rate_hz)
        mids_hz = np.array([band.mid_hz for band in bands])
        width_hz = np.array([band.high_hz - band.low_hz for band in bands])
        floor = np.interp(self.freq_hz, mids_hz, over.floor * self.freq_hz[1] / width_hz)
        self.floor, self.share = (part.astype(np.float32) for part in (floor, np.interp(self.freq_hz, mids_hz, over.share)))
        self.inside = (self.freq_hz >= bands[0].low_hz) & (self.freq_hz <= bands[-1].high_hz)
        self.stretch = None
        self.response = self.inside * np.sqrt(np.interp(self.freq_hz, mids_hz, gain)) * _turn(explained.taps, self.segment)

    def try_(self, suspect, samples, found):
        """The _Tried of a suspect; found: segments of sounds already named, as `placed` gives them."""
        samples = self._read_once(suspect, samples)
        sound, rest, noise = self._stretch(suspect, samples, found)
        off_s = self._off(sound, rest)
        if abs(off_s) > 0.3 * _LAG_S:
            suspect = suspect._replace(delay_s=suspect.delay_s + off_s)
            sound, rest, noise = self._stretch(suspect, samples, found)
        sums, path = self._match(sound, rest, [0])
        score, others = sums[0], []
        explained = float(score**2 / np.sum(spectra.squared(sound) / noise))
        plenty = explained > _PLENTY * len(sound)
        if explained < _LEAST * len(sound):
            return _Tried(suspect, False, 0.0, explained)
        controls = self._controls(sound, noise, suspect)
        if len(controls) < _FEWEST_CONTROLS:
            return _Tried(suspect, False, 0.0, explained)
        for shifts in np.array_split(controls, 3):
            others += self._match(sound, rest, shifts)[0]
            # Where a few wrong delays gather as much, no further ones are needed.
            if score < (1.0 if plenty else _STANDS_OVER) * max(others):
                break
        strength = float((score - np.mean(others)) / np.std(others, ddof=1))
        clear = strength > _STANDS_SD and score > _STANDS_OVER * max(others)
        stands = clear or (plenty and strength > _PLENTY_SD and score > max(others))
        if not stands:
            return _Tried(suspect, False, strength, explained)
        return _Tried(suspect, True, strength, explained, *self._delay(suspect, np.conj(sound) * rest, path / self.rate_hz))

    def _read_once(self, suspect, samples):
        """A suspect's samples, Sliced, of which those about its line are read now: it is laid anew where `_off` puts it."""
        zero, step = _line(suspect, self.rate_hz)
        room = _ROOM_SAMPLES + (_OFF_HOPS + 1) * self.segment // 2
        low, high = (
            int(np.clip(zero + step * at_s * self.rate_hz + more, 0, len(samples)))
            for at_s, more in ((suspect.start_s, -room), (suspect.end_s, room))
        )
        piece = samples[low:high]
        return Sliced(len(samples), lambda first, last: piece[max(first - low, 0) : max(last - low, 0)])

    def _delay(self, suspect, products, path_s):
        """(delay in the middle of the stretch, its sd, drift) of a sound that stands; products: conj(sound) remainder per segment
        and bin; path_s: per segment, beside the suspect's own line.

        About the path, whose lags are whole samples, the correlation of all segments is brought to its top; what leaving 0.7 s
        out at a time makes of that is the error (jackknife).
        """
        times_s = (np.arange(len(path_s)) + 1) * self.hop_s - 0.5 * (suspect.end_s - suspect.start_s)
        turning = 2.0 * np.pi * self.freq_hz
        products = products * np.exp(1j * np.outer(path_s, turning))
        heard = products.sum(axis=1).real
        heard = np.maximum(heard * np.sign(heard.sum()), 0.0)
        drift = float(np.polyfit(times_s, path_s, 1)[0])
        starts = np.arange(0, len(path_s), max(1, round(LEFT_OUT_S / self.hop_s)))
        summed = [np.add.reduceat(part, starts) for part in (heard, heard * (path_s - drift * times_s), products)]
        weight, laid, products = (np.concatenate(([part.sum(axis=0)], part.sum(axis=0) - part)) for part in summed)
        shift_s = np.zeros(len(products))
        for _ in range(3):
            turned = products * np.exp(1j * np.outer(shift_s, turning))
            shift_s = shift_s - (turned.imag @ turning) / (turned.real @ turning**2)
        found = laid / np.maximum(weight, 1e-30) + shift_s
        return float(suspect.delay_s + found[0]), float(spectra.jackknife_sd(found[1:])), suspect.drift + drift

    def placed(self, named, samples, suspect):
        """Segments of a sound already named, in another suspect's stretch and there along its own path of lags."""
        later_s = 0.5 * (suspect.start_s + suspect.end_s - named.start_s - named.end_s)
        span = {"start_s": suspect.start_s, "end_s": suspect.end_s}
        moved = named._replace(**span, delay_s=named.delay_s + named.drift * later_s)
        sound, rest, _ = self._stretch(moved, samples, [])
        path = self._match(sound, rest, [0])[1]
        return sound * np.exp(-2j * np.pi * np.outer(path / self.rate_hz, self.freq_hz)).astype(np.complex64)

    def _stretch(self, suspect, samples, found):
        """(sound, rest, noise): segments of a suspect's sound as its line lays it and of the whitened remainder, both without
        what the known sounds (the own stem first) explain; and the remainder's noise.
        """
        first, last = (int(at_s * self.rate_hz) for at_s in (suspect.start_s, suspect.end_s))
        last = min(last, len(self.explained.stem))
        zero, step = _line(suspect, self.rate_hz)
        laid, late = _evenly(samples, zero + step * first, step, last - first)
        on_time = np.exp(-2j * np.pi * late / self.rate_hz * self.freq_hz)
        sound = self._segments(laid) * (self.response * on_time).astype(np.complex64)
        stretch = self._known_of(first, last)
        known = [stretch.own]
        for part in found:
            known.append(_Known(_without(known, part), stretch.noise))
        rest = _whitened(_without(known[1:], stretch.rest), stretch.noise, self.inside) if found else stretch.whitened
        return _without(known, sound), rest, stretch.noise

    def _known_of(self, first, last):
        """The _Stretch of samples first .. last - 1; the last one made is kept, though another thread may just have put its own
        there.
        """
        kept = self.stretch
        if kept is None or kept.ends != (first, last):
            own, rest = (self._segments(part[first:last]) for part in (self.explained.expected, self.explained.residual))
            noise = self.floor + self.share * spectra.squared(own)
            own = _Known(own, noise)
            rest = self.inside * own.taken_off(rest)
            self.stretch = kept = _Stretch((first, last), own, rest, noise, _whitened(rest, noise, self.inside))
        return kept

    def _off(self, sound, rest):
        """By how much later in s than laid the sound is heard, at most by some 0.15 s: where the squared correlations of all
        segments add up to most. Power alone tells a delay no better where notes die away slowly.
        """
        from scipy.ndimage import uniform_filter1d

        half, turned = self.segment // 4, np.conj(sound)
        lags, sums = [], []
        for shift in range(-_OFF_HOPS, _OFF_HOPS + 1):
            one = self._correlated(turned, rest, shift)
            lags.append(shift * (self.segment // 2) + np.arange(-half, half))
            sums += [np.sum(part**2, axis=0) for part in (one[:, -half:], one[:, :half])]
        sums = uniform_filter1d(np.concatenate(sums), 2 * round(1e-3 * self.rate_hz) + 1)
        return float(np.concatenate(lags)[sums.argmax()] / self.rate_hz)

    def _controls(self, sound, noise, suspect):
        """Shifts, in segments, at which the sound is not, in an order that mixes near and far: where it is least like itself
        (a loop is alike a bar later), and not near the own stem's own place.
        """
        count, nearest = len(sound), round(_NEAREST_CONTROL_S / self.hop_s)
        shifts = np.unique(np.linspace(nearest, count - nearest, 3 * _CONTROLS).round().astype(int))
        if _echo(suspect.source):
            home = np.mod(-suspect.delay_s / self.hop_s, count)
            shifts = shifts[np.abs(shifts - home) * self.hop_s > 0.15]
        alike = self._alike(sound / np.sqrt(noise), shifts)
        shifts = shifts[alike < _ALIKE]
        alike = alike[alike < _ALIKE]
        shifts = shifts[np.argsort(alike, kind="stable")[:_CONTROLS]]
        return np.random.default_rng(0).permutation(np.sort(shifts))

    def _alike(self, whitened, shifts):
        """How much a sound is like itself (0 to 1) within the reach of lags at each shift, taken round its end."""
        reach, hop = round(_LAG_S * self.rate_hz), self.segment // 2
        pieces = np.fft.irfft(whitened, self.segment, axis=1)
        whole = np.zeros(len(pieces) * hop + hop)
        for half in (0, 1):
            whole[half * hop : half * hop + len(pieces) * hop] += pieces[:, half * hop : (half + 1) * hop].ravel()
        whole = whole[: len(pieces) * hop]
        same = np.abs(np.fft.irfft(np.abs(np.fft.rfft(whole)) ** 2, len(whole)))
        lags = (shifts[:, None] * hop + np.arange(-reach, reach + 1)) % len(whole)
        return same[lags].max(axis=1) / max(same[0], 1e-30)

    def _segments(self, samples):
        blocks = spectra.transforms([samples], self.segment, kind=np.float32, together=_AT_ONCE)
        return np.concatenate(list(blocks))[:, :, 0]

    def _correlated(self, turned, rest, shift):
        """(segments, lags) correlations of a sound, so many segments later, with the remainder; turned: the sound's conjugate."""
        from scipy import fft

        shift, products = shift % len(rest), np.empty_like(rest)
        np.multiply(turned[: len(rest) - shift], rest[shift:], out=products[shift:])
        np.multiply(turned[len(rest) - shift :], rest[:shift], out=products[:shift])
        return fft.irfft(products, self.segment, axis=1, overwrite_x=True)

    def _match(self, sound, rest, shifts):
        """(largest sums of correlations along a path of lags that hardly moves, one a shift of the sound and at whichever
        polarity is more; the first one's path).
        """
        reach, turned = round(_LAG_S * self.rate_hz), np.conj(sound)
        lags = []
        for shift in shifts:
            one = self._correlated(turned, rest, shift)
            one = np.concatenate((one[:, -reach:], one[:, : reach + 1]), axis=1) * (0.5 * self.segment)
            lags += [one, -one]
        totals = _gathered(np.stack(lags, axis=1))
        best = totals[-1].max(axis=1)
        return np.maximum(best[::2], best[1::2]).tolist(), _path(totals[:, int(best[1] > best[0])]) - reach


def _gathered(lags):
    """(segments, sounds, lags): the most that a path ending there gathers of (segments, sounds, lags)."""
    count, totals = lags.shape[2], np.empty_like(lags)
    totals[0] = lags[0]
    wide = np.full((lags.shape[1], count + 2 * _STEP_LAGS), -np.inf, dtype=lags.dtype)
    pairs, fours = (np.empty((lags.shape[1], count + more), lags.dtype) for more in (2 * _STEP_LAGS - 1, 1))
    for k in range(1, len(lags)):
        wide[:, _STEP_LAGS : _STEP_LAGS + count] = totals[k - 1]
        # The largest of five neighbours, by twos.
        np.maximum(wide[:, :-1], wide[:, 1:], out=pairs)
        np.maximum(pairs[:, :-2], pairs[:, 2:], out=fours)
        np.maximum(fours[:, :-1], wide[:, 2 * _STEP_LAGS :], out=totals[k])
        totals[k] += lags[k]
    return totals


def _path(totals):
    """Index per segment of the path behind the largest of the last (segments, lags) totals."""
    place = int(totals[-1].argmax())
    path = [place]
    for before in totals[-2::-1]:
        low = max(0, place - _STEP_LAGS)
        place = low + int(before[low : place + _STEP_LAGS + 1].argmax())
        path.append(place)
    return np.array(path[::-1])


def _line(suspect, rate_hz):
    """(the sample of a suspect that its line lays on the song's first, how many of its samples lie on one of the song's)."""
    return (0.5 * (suspect.start_s + suspect.end_s) * suspect.drift - suspect.delay_s) * rate_hz, 1.0 - suspect.drift


def _evenly(samples, start, step, count):
    """(count samples that lie `step` apart, the first within half a step of `start`, by which part of a step they are late);
    silence lies beyond the ends. Not a Reader: for the seconds in which a suspect is tried, that is compiled no sooner.
    """
    low, high = (int(np.floor(edge)) for edge in (start - _ROOM_SAMPLES, start + count * step + _ROOM_SAMPLES))
    piece = np.asarray(samples[max(low, 0) : max(high, 0)], dtype=np.float32)
    before = min(max(-low, 0), high - low)
    piece = np.pad(piece, (before, high - low - before - len(piece)))
    first = round((start - low) / step)
    return resample(piece, step, 1.0)[first : first + count], first - (start - low) / step


def _laid(suspect, samples, rate_hz):
    """A function that gives a suspect's samples as its line lays them, from first to last - 1 of the song's."""
    from bounceproof.reading import TAPS, Reader

    zero, step = _line(suspect, rate_hz)

    def laid(first, last):
        at = zero + step * np.arange(first, last)
        low, high = (max(0, round(edge)) for edge in (at.min() - TAPS, at.max() + TAPS))
        return Reader(samples[low:high]).at(at - low)

    return laid


def _turn(taps, segment):
    """Unit phase of a response (middle tap = no delay) at a segment's bins; none where the response is not known."""
    size = segment * -(-len(taps) // segment)
    placed = np.zeros(size)
    placed[: len(taps)] = taps
    whole = np.fft.rfft(np.roll(placed, -(len(taps) // 2)))[:: size // segment]
    return np.where(np.abs(whole) > 1e-3 * np.abs(whole).max(), np.exp(1j * np.angle(whole)), 1.0)


class _Known:
    """A known sound (segments, bins), and what of others it explains: bin by bin, by least squares weighted with the noise."""

    def __init__(self, part, noise):
        self.part, self.told = part, np.conj(part) / noise
        power = np.einsum("sf,sf->f", self.told, part).real
        self.heard, self.power = power > 0, np.where(power > 0, power, 1.0)

    def taken_off(self, part):
        """What of (segments, bins) this sound does not explain."""
        cross = np.einsum("sf,sf->f", self.told, part)
        return part - self.part * np.where(self.heard, cross / self.power, 0.0)


class _Stretch(NamedTuple):
    """What a bench knows of a stretch from one sample to another (ends): own (the stem's expected sound, _Known), rest (what it
    leaves of the return), noise, and the rest whitened.
    """

    ends: tuple
    own: _Known
    rest: np.ndarray
    noise: np.ndarray
    whitened: np.ndarray


def _whitened(rest, noise, inside):
    """A remainder over its noise; a moment that is loud for another reason counts no more than others."""
    loud = np.sum(spectra.squared(rest) / noise, axis=1) / np.float32(inside.sum())
    return rest / (noise * np.sqrt(np.maximum(loud, 1.0))[:, None])


def _without(known, part):
    """What of (segments, bins) none of the known sounds explains."""
    for one in known:
        part = one.taken_off(part)
    return part
