"""Pairs: whether two returns still add up like their stems.

Conventions: the relative delay is how much later the second return is than the first, beyond what the stems have, in us;
`loss_db` as in `pair_sum`. Returns are summed after `level_db`, before mix gain and pan. "aligned" is the alignment in use,
"clicks" what two clicks alone would have given.
"""

from functools import partial
from typing import NamedTuple

import numpy as np

from bounceproof import pair_delay
from bounceproof.condition.level import analysis_bands
from bounceproof.pair_delay import AIR_CM_PER_US
from bounceproof.pair_sum import SHARED_COHERENCE, BandSums, adds_up_from, adds_up_to, by_delays

# A loss that hiss makes uncertain by more than this share of what is allowed judges nothing.
_KNOWN_SHARE = 0.5


class Side(NamedTuple):
    """One way of laying the pair on the stems' time: the two returns' samples (first, second), level_db already applied."""

    first: np.ndarray
    second: np.ndarray


class Course(NamedTuple):
    """What the two time maps say at times of the song: sd of the relative delay (inf where unknown), and by how much two clicks
    would have put the second return later than the maps do (None where no two clicks were found), in us.
    """

    time_s: np.ndarray
    sd_us: np.ndarray
    clicks_later_us: np.ndarray | None

    def in_blocks(self, sounding):
        """(sd, clicks' lateness or None, weight) of each block of a `pair_delay.Sounding`: means while the two sound there."""
        known = np.isfinite(self.sd_us)
        unknown = np.interp(sounding.time_s, self.time_s, ~known) > 0
        variance = np.interp(sounding.time_s, self.time_s, np.where(known, self.sd_us, 0.0) ** 2)
        sd_us = np.sqrt(sounding.mean_in_blocks(np.where(unknown, np.inf, variance)))
        later_us = self.clicks_later_us
        if later_us is not None:
            later_us = sounding.mean_in_blocks(np.interp(sounding.time_s, self.time_s, later_us))
        return sd_us, later_us, sounding.in_blocks(~unknown)


class PairInput(NamedTuple):
    """stems, aligned, clicks: Side each; hiss_first, hiss_second: hiss power per band of each return, level_db applied; course:
    Course, None where the returns were laid through their clicks.
    """

    stems: Side
    aligned: Side
    clicks: Side
    hiss_first: np.ndarray
    hiss_second: np.ndarray
    course: Course | None = None


def check(pair, rate_hz, band_hz, *, kind, ok_db=1.0, poor_db=3.0):
    """(summary, rows) of a pair.

    pair: PairInput at rate_hz; band_hz: the medium's (low, high); kind: "one-source", "stereo" or "doubled". summary has a block
    `aligned` and a block `clicks`, alike, and the delays `through_time`; rows are third-octaves (IEC 61260-1).
    """
    bands = analysis_bands(rate_hz)
    ways = {"aligned": pair.aligned, "clicks": pair.clicks}
    if pair.aligned.first is pair.clicks.first and pair.aligned.second is pair.clicks.second:
        ways = {"aligned": pair.aligned}
    sums = BandSums(pair.stems, ways, rate_hz, bands, band_hz, [pair.hiss_first, pair.hiss_second])
    delays = {name: blocks for name, blocks in _delays(pair, ways, rate_hz, band_hz, sums).items() if name in ways}
    shared = sums.shared()
    summary = {"shared_bands": int(shared.sum())}
    for name in ways:
        summary[name] = {
            **_summed_up(delays[name], by="returns" if pair.course is None else "returns and maps"),
            **_reach(sums, name, shared, delays[name], kind, (ok_db, poor_db)),
            **_overall(sums, name, kind),
        }
    summary.setdefault("clicks", summary["aligned"])
    summary["stems_mono_db"] = sums.overall_db("aligned")[2] if kind == "stereo" else None
    summary["through_time"] = _through_time(delays)
    return summary, _rows(sums, shared, kind)


def check_strangers(stems, course, rate_hz, band_hz):
    """(summary, rows) of a pair whose stems share nothing within the medium's band and above, from their time maps alone; None
    where they do share something.

    Far cheaper than `check`: for the many pairs that only stand in one group.
    """
    bands = analysis_bands(rate_hz)
    sums = BandSums(stems, {}, rate_hz, bands, band_hz, np.zeros((2, len(bands))))
    coherence, zero = sums.coherence(0, 1), sums.zero_level()
    if ((coherence > np.maximum(zero, SHARED_COHERENCE)) & (sums.mids * 1.001 >= band_hz[0])).any():
        return None
    times_s = pair_delay.block_times_s(len(stems.first), rate_hz)
    heard = pair_delay.Heard(bands, np.ones((2, len(bands))), np.zeros((2, len(bands))))
    sd_us, later_us, weight = course.in_blocks(pair_delay.sounding(stems, rate_hz, band_hz, heard))
    weight /= max(weight.max(), np.finfo(float).tiny)
    delays = {"aligned": pair_delay.Blocks(times_s, np.zeros(len(times_s)), sd_us, weight, None)}
    if later_us is not None:
        delays["clicks"] = delays["aligned"].later(later_us)
    nothing = dict.fromkeys(_REACH) | {"limit": "nothing shared", "sum_loss_db": None, "mono_db": None}
    summary = {"shared_bands": 0, **{name: {**_summed_up(blocks, by="maps"), **nothing} for name, blocks in delays.items()}}
    summary.setdefault("clicks", dict.fromkeys(summary["aligned"]))
    rows = [
        dict.fromkeys(PAIR_COLUMNS)
        | {"nominal_hz": band.nominal_hz, "stems_coherence": one, "zero_coherence": level, "shared": False}
        for band, one, level in zip(bands, coherence, zero, strict=True)
    ]
    return {**summary, "stems_mono_db": None, "through_time": _through_time(delays)}, rows


def _delays(pair, ways, rate_hz, band_hz, sums):
    """{way: Blocks}."""
    heard = pair_delay.Heard(sums.bands, sums.responses("aligned"), sums.hiss)
    sounding = pair_delay.sounding(pair.stems, rate_hz, band_hz, heard)
    prior, later_us, sound = (None, None, sounding.in_blocks()) if pair.course is None else pair.course.in_blocks(sounding)
    measured = partial(pair_delay.relative_delay, pair.stems, rate_hz=rate_hz, band_hz=band_hz, heard=heard, sound=sound)
    found = {"aligned": measured(returns=pair.aligned, prior_sd_us=prior)}
    if later_us is not None:
        # The same captures read through other maps: what lies between the maps is known better than it could be measured.
        found["clicks"] = found["aligned"].later(later_us)
    elif "clicks" in ways:
        found["clicks"] = measured(returns=pair.clicks)
    return found


def _summed_up(blocks, *, by):
    """The delay's figures over the song, blocks weighted by the sound in them.

    delay_us: mean; delay_sd_us: its sd; spread_us: rms about the mean; rms_us: rms about zero (what is not known of a block
    counts as spread); worst_us: 95 % of the time less; air_cm: the rms as a distance of air; first_notch_hz: 1 / (2 rms), None
    above 20 kHz; polarity: 1 or -1, None where it cannot be told; delay_by: "returns", "returns and maps" or "maps".
    """
    keys = ("delay_us", "delay_sd_us", "spread_us", "rms_us", "worst_us", "air_cm", "first_notch_hz")
    known = np.isfinite(blocks.sd_us) & (blocks.weight > 0)
    if not known.any():
        return {**dict.fromkeys(keys), "blocks": 0, "polarity": blocks.sign, "delay_by": by}
    delay_us, sd_us, weight = blocks.delay_us[known], blocks.sd_us[known], blocks.weight[known] / blocks.weight[known].sum()
    mean = float(np.sum(weight * delay_us))
    spread = float(np.sqrt(np.sum(weight * ((delay_us - mean) ** 2 + sd_us**2))))
    rms_us, size = float(np.hypot(mean, spread)), np.hypot(delay_us, sd_us)
    order = np.argsort(size)
    place = min(len(order) - 1, int(np.searchsorted(np.cumsum(weight[order]), 0.95)))
    return {
        "delay_us": mean,
        "delay_sd_us": _mean_sd_us(weight, sd_us, by),
        "spread_us": spread,
        "rms_us": rms_us,
        "worst_us": float(size[order][place]),
        "air_cm": rms_us * AIR_CM_PER_US,
        # A notch above 20 kHz is nobody's trouble.
        "first_notch_hz": 5e5 / rms_us if rms_us > 25.0 else None,
        "blocks": int(np.count_nonzero(known)),
        "polarity": blocks.sign,
        "delay_by": by,
    }


def _mean_sd_us(weight, sd_us, by):
    """Sd of the mean: that of separate measurements falls with their number; that of the maps hardly does, since a constant is
    most of what they do not know.
    """
    if by == "returns":
        return float(np.sqrt(np.sum((weight * sd_us) ** 2)))
    return float(min(sd_us.min(), np.sqrt(np.sum(weight * sd_us**2))))


_REACH = ("adds_up_to_hz", "adds_up_to_low_hz", "adds_up_to_high_hz", "adds_up_from_hz", "within_poor_to_hz")


def _reach(sums, name, shared, blocks, kind, limits_db):
    """How far up the pair adds up, within the first limit (with its 95 % interval) and within the second.

    It is judged from the medium's lower edge up, band by band, where sums and phase (`pair_sum`) are known; where the lowest of
    these already fails, the delays tell from where on.
    """
    if kind == "doubled":
        return dict.fromkeys(_REACH) | {"limit": "timing only"}
    short, sd = sums.short_db(name)
    known = shared & np.isfinite(short) & (sd <= _KNOWN_SHARE * limits_db[0])
    judged = known & (sums.mids * 1.001 >= sums.low_hz)
    if not judged.any():
        return dict.fromkeys(_REACH) | {"limit": "nothing shared"}
    start = int(np.argmax(judged))
    if blocks.sign == -1:
        return dict.fromkeys(_REACH, 0.0) | {"adds_up_from_hz": None, "limit": "polarity"}
    size = np.nan_to_num(short)
    (good_hz, ended), (poor_hz, _) = (_up_to(sums, size, judged, limit, start, blocks) for limit in limits_db)
    margin = 1.96 * np.nan_to_num(sd)
    return {
        "adds_up_to_hz": good_hz,
        "adds_up_to_low_hz": min(good_hz, _up_to(sums, size + margin, judged, limits_db[0], start, blocks)[0]),
        "adds_up_to_high_hz": max(good_hz, _up_to(sums, np.maximum(size - margin, 0.0), judged, limits_db[0], start, blocks)[0]),
        "adds_up_from_hz": adds_up_from(sums.bands, size, known, limits_db[0], start) if good_hz > sums.mids[start] else None,
        "within_poor_to_hz": poor_hz,
        "limit": "loss" if ended else "nothing shared above",
    }


def _up_to(sums, size_db, judged, limit_db, start, blocks):
    found_hz, ended = adds_up_to(sums.bands, size_db, judged, limit_db)
    if found_hz == 0.0 and blocks.weight.any():
        found_hz = by_delays(blocks.delay_us, blocks.weight, limit_db, sums.bands[start].low_hz)
    return found_hz, ended


def _overall(sums, name, kind):
    """sum_loss_db: loss of the whole sum within the medium's band; mono_db: stereo legs summed, re both alone (3.01 dB where they
    are one, 0 where they are strangers).
    """
    loss_db, mono_db, _ = (None, None, None) if kind == "doubled" else sums.overall_db(name)
    return {"sum_loss_db": loss_db, "mono_db": mono_db if kind == "stereo" else None}


def _through_time(delays):
    """The delays of the blocks, for whoever wants to draw them."""
    first = next(iter(delays.values()))
    known = {name: np.isfinite(blocks.sd_us) & (blocks.weight > 0) for name, blocks in delays.items()}
    record = {
        "time_s": [round(float(t), 3) for t in first.time_s],
        "weight": [round(float(weight), 4) for weight in first.weight],
    }
    for name, blocks in delays.items():
        rows = zip(blocks.delay_us, blocks.sd_us, known[name], strict=True)
        told = [(round(float(delay), 2), round(float(sd), 2)) if there else (None, None) for delay, sd, there in rows]
        record[f"{name}_us"], record[f"{name}_sd_us"] = ([one[i] for one in told] for i in (0, 1))
    return record


def _rows(sums, shared, kind):
    """The rows of PAIR.tsv."""
    zero, stems, stands = sums.zero_level(), sums.coherence(0, 1), sums.stands()
    after = {name: sums.coherence(2 + 2 * k, 3 + 2 * k) for k, name in enumerate(sums.names)}
    loss = {name: sums.loss_db(name) for name in sums.names}
    kept = {name: sums.phase_kept(name) for name in sums.names}
    rows = []
    for k, band in enumerate(sums.bands):
        row = {
            "nominal_hz": band.nominal_hz,
            "stems_coherence": stems[k],
            "zero_coherence": zero[k],
            "shared": bool(shared[k]),
            "over_hiss": bool(stands[k]),
        }
        for name in ("clicks", "aligned"):
            own = name if name in sums.names else "aligned"
            row[f"returns_coherence_{name}"] = after[own][k]
            row[f"phase_kept_{name}"] = kept[own][k]
            for key, values in zip((f"loss_{name}_db", f"loss_{name}_sd_db"), loss[own], strict=True):
                row[key] = values[k] if kind != "doubled" and np.isfinite(values[k]) else None
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
    "phase_kept_clicks",
    "phase_kept_aligned",
    "loss_clicks_db",
    "loss_clicks_sd_db",
    "loss_aligned_db",
    "loss_aligned_sd_db",
)


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
