"""A recorder measured from the return of the calibration transfer.

Conventions: levels of tones are peaks of sines in dBFS, of hiss rms; `send_db` at the output, everything else in the capture as
it came; frequencies count as sent, at the recorder's mean speed; each figure has its standard deviation beside it, with `_sigma`
before the unit. r(f), p(f): response in dB against the ladder's tone before the tape and behind it, see `before_tape`.
"""

from typing import NamedTuple

import numpy as np

from bounceproof import audio
from bounceproof.aligning.channels import choose_channel
from bounceproof.clicks import find_clicks
from bounceproof.condition.hiss import measure_hiss
from bounceproof.condition.lines import find_lines
from bounceproof.follow import flutter
from bounceproof.planning import level_law, sweeps, tones
from bounceproof.planning.before_tape import before_tape, third_ratio
from bounceproof.quantities import SINE_CREST_DB, amplitude_db, amplitude_from_db, third_octave_bands
from bounceproof.reading import read_through
from bounceproof.timemap import TimeMap

# Of each step of the ladder: left out at its start (a level control's attack, the tape's wander) and at its end.
_SETTLE_S, _MARGIN_S = 0.22, 0.06
_HISS_S, _LATE_S = 2.5, 0.15
_DOWN_DB = (3.0, 10.0)
_ENVELOPE_S = 0.004
# Converters bend too: a third harmonic is never known better than this.
_LEAST_THIRD_SD = 3e-5
# A sweep whose third harmonic is beyond this has bent too far for the cube law.
_MOST_THIRD = 0.08


class Sent(NamedTuple):
    """The calibration as it came back: samples on the transfer's own time (float32) at rate_hz, its facts, the map's line, the
    capture's channel and rate.
    """

    samples: np.ndarray
    rate_hz: int
    facts: dict
    start_s: float
    slope: float
    capture: np.ndarray
    capture_rate_hz: int

    def section(self, one, *, before_s=0.0, after_s=0.0):
        """A section's samples, with so much before and after it."""
        first = one["first_sample"] - round(before_s * self.rate_hz)
        return self.samples[max(0, first) : one["first_sample"] + one["samples"] + round(after_s * self.rate_hz)]

    def captured(self, one, *, skip_s=0.0):
        """A section as it stands in the capture, `skip_s` left out at both ends."""
        at_s = [one["first_sample"] / self.rate_hz + skip_s, (one["first_sample"] + one["samples"]) / self.rate_hz - skip_s]
        first, last = (round((self.start_s + self.slope * s) * self.capture_rate_hz) for s in at_s)
        return self.capture[max(0, first) : max(0, last)]

    def sections(self, kind):
        return [one for one in self.facts["sections"] if one["kind"] == kind]


def measure_recorder(capture, facts, *, medium, speed_search_percent):
    """Plain values about the recorder, as recorder.json holds them.

    capture: an Audio; facts: the calibration transfer's; medium: the session's (nominal band, tape speed, track width).
    Raises AudioProblem with a sentence where the capture does not hold the calibration.
    """
    sent = _laid(capture, facts, speed_search_percent)
    band_hz = (medium["band_low_hz"], medium["band_high_hz"])
    response, thirds, used = _responses(sent)
    tone_db = response.level_near(facts["tone_hz"])
    shape = response._replace(level_db=response.level_db - tone_db)
    before = before_tape(shape, thirds, facts["tone_hz"])
    up, down = (_ladder(sent, kind, shape, before) for kind in ("ladder up", "ladder down"))
    control = level_law.find_control(up)
    replay_sigma_db = _replay_db(shape, before, facts["tone_hz"])[1]
    full = level_law.find_full([up, down], replay_sigma_db)
    hiss, lines = _hiss(sent, band_hz)
    steady = sent.captured(sent.sections("flutter")[0], skip_s=0.3)
    speed = flutter.of_tone(steady, sent.capture_rate_hz, tone_hz=facts["flutter_tone_hz"])
    return {
        "tone_hz": facts["tone_hz"],
        "peak_dbfs": float(amplitude_db(np.max(np.abs(sent.capture)))),
        **_motion(speed, facts),
        **_levels(full, control, hiss, band_hz),
        "hiss": _hiss_values(hiss),
        "lines": lines,
        "level_control": _control_values(control, sent),
        "edges": [_edges(shape, facts["tone_hz"], down_db) for down_db in _DOWN_DB],
        "response": _response_values(shape, before),
        "treble": _treble(shape, facts["tone_hz"], medium, sent),
        "ladder": _ladder_values(up, down),
        "harmonics_by_sweep": _sweep_thirds(thirds, shape, before, facts["tone_hz"], up, used),
    }


def _laid(capture, facts, speed_search_percent):
    """The capture read on the transfer's own time, by a straight line through its clicks."""
    channel = choose_channel(capture.samples, capture.rate_hz)
    hits = find_clicks(
        channel.samples,
        capture.rate_hz,
        band_hz=tuple(facts["click_band_hz"]),
        speed_search_percent=speed_search_percent,
        number=facts["number"],
    )
    rate_hz = facts["sample_rate_hz"]
    due_s = {end: facts[f"{end}_click_sample"] / rate_hz for end in ("start", "end")}
    found = {hit.end: hit for hit in hits if hit.number == facts["number"]}
    if not found:
        raise audio.AudioProblem("no click of the calibration was found in it; capture it from before its first click on")
    if len(found) == 2:
        slope = (found["end"].instant_s - found["start"].instant_s) / (due_s["end"] - due_s["start"])
    else:
        slope = 1.0 / next(iter(found.values())).speed_ratio
    end, hit = next(iter(found.items()))
    start_s = hit.instant_s - slope * due_s[end]
    duration_s = facts["duration_s"]
    last_s = (facts["sections"][-1]["first_sample"] + facts["sections"][-1]["samples"]) / rate_hz
    if start_s + slope * last_s > len(channel.samples) / capture.rate_hz or start_s + slope * due_s["start"] < 0:
        raise audio.AudioProblem("the capture does not hold the calibration from its first click to its last; capture it whole")
    line = TimeMap(np.array([0.0, duration_s]), start_s + slope * np.array([0.0, duration_s]), np.zeros(2))
    samples = read_through(
        channel.samples, capture.rate_hz, line, start_s=0.0, count=round(duration_s * rate_hz), rate_hz=rate_hz
    )
    return Sent(samples, rate_hz, facts, start_s, slope, channel.samples, capture.rate_hz)


# --- response and harmonics by the sweeps --------------------------------------------------------------------------------


def _responses(sent):
    """(response, third harmonic as Bands of the sweep that shows it best without bending too far, that sweep's level).

    The response is the soft sweep's, and where hiss hides that, the loud one's.
    """
    found = []
    for one in sent.sections("sweep"):
        low_hz, high_hz = one["low_hz"], one["high_hz"]
        sweep = sweeps.exponential_sweep(low_hz, high_hz, one["samples"] / sent.rate_hz, sent.rate_hz)
        played = float(amplitude_from_db(one["level_db"])) * sweep
        returned = sent.section(one, before_s=sweeps.BEFORE_S, after_s=sweeps.AFTER_S)
        found.append((one["level_db"], sweeps.responses(returned, played, sent.rate_hz, low_hz, high_hz)))
    tone_hz = sent.facts["tone_hz"]
    if not np.isfinite(found[-1][1][1].level_near(tone_hz)):
        raise audio.AudioProblem("its sweeps do not stand over the hiss: it was recorded too low; less pad, or more output")
    soft, loud = found[0][1][1], found[-1][1][1]
    lift_db = soft.level_near(tone_hz) - loud.level_near(tone_hz)
    lift_db = lift_db if np.isfinite(lift_db) else 0.0
    better = np.isfinite(soft.level_db) & (soft.sd_db < 0.5)
    level_db = _smoothed(np.where(better, soft.level_db, loud.level_db + lift_db))
    response = soft._replace(level_db=level_db, sd_db=np.where(better, soft.sd_db, loud.sd_db))
    third = {level_db: third_ratio(one, tone_hz) for level_db, one in found}
    fit = [level_db for level_db, _ in found if third[level_db] < _MOST_THIRD]
    used = fit[-1] if fit else found[0][0]
    return response, dict(found)[used], used


def _smoothed(level_db):
    """Mean of each band with its two neighbours: flutter moves the sweep to and fro over a band's edges."""
    inner = level_db.copy()
    means = (level_db[:-2] + level_db[1:-1] + level_db[2:]) / 3.0
    inner[1:-1] = np.where(np.isfinite(means), means, level_db[1:-1])
    return inner


def _replay_db(shape, before, tone_hz):
    """(p(3 f0) against p(f0) in dB, its sd)."""
    thrice_db = float(shape.level_at(3.0 * tone_hz))
    if not np.isfinite(thrice_db):
        return 0.0, 3.0
    before_db, sigma_db = before.at(3.0 * tone_hz)
    return thrice_db - before_db, float(np.hypot(sigma_db, 0.2))


def _sweep_thirds(thirds, shape, before, tone_hz, up, sweep_db):
    """Third harmonic at the ladder's tone by sweep and by step, at the sweep's level; None where either is hidden."""
    nearest = np.argmin(np.abs(up.send_db - sweep_db))
    third = thirds[3].power_near(tone_hz)
    clear = np.isfinite(thirds[3].level_db[np.abs(np.log2(thirds[3].freq_hz / tone_hz)) < 0.25])
    if not up.third[nearest] > 5 * up.third_sd[nearest] or not clear.all() or third <= 0:
        return None
    replay_db, _ = _replay_db(shape, before, tone_hz)
    return {
        "send_db": sweep_db,
        "third_by_sweep_db": float(amplitude_db(third_ratio(thirds, tone_hz))),
        "third_by_step_db": float(amplitude_db(up.third[nearest]) + replay_db + 2.0 * (sweep_db - up.send_db[nearest])),
    }


# --- ladder, level control, full level -----------------------------------------------------------------------------------


def _ladder(sent, kind, shape, before):
    """The Ladder of one kind, its third harmonic as it is on the tape."""
    replay_db, _ = _replay_db(shape, before, sent.facts["tone_hz"])
    rows = []
    for one in sorted(sent.sections(kind), key=lambda one: one["level_db"]):
        piece = sent.section(one)[round(_SETTLE_S * sent.rate_hz) : -round(_MARGIN_S * sent.rate_hz)]
        step = tones.read_step(piece, sent.rate_hz, one["freq_hz"])
        third, third_sd = (values[3] / float(amplitude_from_db(replay_db)) for values in (step.harmonics, step.harmonics_sd))
        third_sd = float(np.hypot(third_sd, _LEAST_THIRD_SD))
        second = (step.harmonics[2], step.harmonics_sd[2])
        rows.append((one["level_db"], step.level_db, step.sd_db, third, third_sd, *second, step.hiss_dbfs_hz))
    columns = np.array(rows).T
    return _Steps(*columns[:5], second=columns[5:7], hiss=columns[7])


class _Steps(level_law.Ladder):
    """A Ladder that knows its second harmonics (value, sd) and the hiss beside each step too."""

    def __new__(cls, *columns, second, hiss):
        one = super().__new__(cls, *columns)
        one.second, one.hiss = second, hiss
        return one


def _levels(full, control, hiss, band_hz):
    """Maximum output level, the send level that gives it, usable range; None where no overload was seen."""
    if full is None:
        return {"full": None, "band_hz": list(band_hz), "usable_range_db": None, "usable_range_sigma_db": None}
    values = {
        "before_overload_dbfs": full.before_overload_db,
        "output_dbfs": full.output_db,
        "sigma_db": full.sigma_db,
        "reached": full.reached,
        "send_db": full.before_overload_db - control.gain_db,
        "send_sigma_db": float(np.hypot(full.sigma_db, 0.2)),
        "third_percent": 100.0 * level_law.FULL_THIRD,
    }
    # Tone and hiss both as rms.
    range_db = full.output_db - SINE_CREST_DB - hiss.flat_dbfs
    return {
        "full": values,
        "band_hz": list(band_hz),
        "usable_range_db": range_db,
        "usable_range_sigma_db": float(np.hypot(full.sigma_db, hiss.flat_sigma_db)),
    }


def _control_values(control, sent):
    values = control._asdict()
    values["knee_sigma_db"] = control.sigma_db if control.found else None
    times = _control_times(sent) if control.found else None
    return {**values, **dict.fromkeys(level_law.Times._fields), **({} if times is None else times._asdict())}


def _control_times(sent):
    """Attack and release from the jump: the tone's level every 4 ms."""
    steps = sent.sections("jump")
    piece = np.concatenate([sent.section(one) for one in steps])
    envelope_db = _envelope_db(piece, sent.rate_hz, sent.facts["tone_hz"])
    edges = np.cumsum([0, *(one["samples"] for one in steps)]) / sent.rate_hz / _ENVELOPE_S
    jump_at, drop_at, end = (round(edge) for edge in edges[1:])
    # The tape comes a little early or late: the jump itself says when.
    reach = round(_LATE_S / _ENVELOPE_S)
    jump_at += int(np.argmax(np.diff(envelope_db[jump_at - reach : jump_at + reach]))) - reach + 1
    drop_at += int(np.argmin(np.diff(envelope_db[drop_at - reach : drop_at + reach]))) - reach + 1
    margin = round(_MARGIN_S / _ENVELOPE_S)
    return level_law.control_times(envelope_db[jump_at + 1 : drop_at - 2], envelope_db[drop_at + 2 : end - margin], _ENVELOPE_S)


def _envelope_db(piece, rate_hz, tone_hz):
    """A tone's level per 4 ms, from what lies within a fifth of its frequency."""
    from scipy import fft

    spectrum = fft.fft(piece)
    freq_hz = fft.fftfreq(piece.size, 1.0 / rate_hz)
    analytic = 2.0 * fft.ifft(np.where(np.abs(freq_hz / tone_hz - 1.0) < 0.35, spectrum, 0.0))
    size = round(_ENVELOPE_S * rate_hz)
    whole = piece.size // size * size
    return 10.0 * np.log10(np.mean(np.abs(analytic[:whole].reshape(-1, size)) ** 2, axis=1) + 1e-30)


def _ladder_values(up, down):
    """A row a step: send level, output both ways, third and second harmonic in percent with their deviations."""
    rows = []
    for k in range(up.send_db.size):
        rows.append(
            {
                "send_db": up.send_db[k],
                "up_dbfs": up.out_db[k],
                "down_dbfs": down.out_db[k],
                "sigma_db": up.sd_db[k],
                "third_percent": 100 * max(up.third[k], 0.0),
                "third_sigma_percent": 100 * up.third_sd[k],
                "second_percent": 100 * max(up.second[0][k], 0.0),
                "second_sigma_percent": 100 * up.second[1][k],
                "hiss_dbfs_hz": up.hiss[k],
            }
        )
    return rows


# --- hiss, motion, treble ------------------------------------------------------------------------------------------------


def _hiss(sent, band_hz):
    """(Hiss of the last 2.5 s of the silence, lines of hum and whine)."""
    silence = sent.captured(sent.sections("silence")[0], skip_s=0.2)
    quiet = silence[-round(_HISS_S * sent.capture_rate_hz) :]
    gaps = [sent.captured(one, skip_s=0.4) for one in sent.sections("gap")]
    lines = find_lines([quiet, *gaps], sent.capture_rate_hz, 1 / sent.slope)
    bands = third_octave_bands(50.0, min(16000.0, 0.42 * sent.rate_hz))
    return measure_hiss(quiet, sent.capture_rate_hz, 1 / sent.slope, bands, band_hz, lines=lines), lines


def _hiss_values(hiss):
    named = ("flat_dbfs", "flat_sigma_db", "a_weighted_dbfs", "a_weighted_sigma_db", "bs468_rms_dbfs", "bs468_rms_sigma_db")
    values = {name: getattr(hiss, name) for name in named}
    return {**values, "bs468_quasi_peak_dbfs": hiss.quasi_peak_dbfs}


def _motion(speed, facts):
    return {"flutter_tone_hz": facts["flutter_tone_hz"], **speed.values()}


def _response_values(shape, before):
    """A row for each band that is known: level against the tone's, and how much of that lies before the tape."""
    known = np.isfinite(shape.level_db)
    rows = zip(shape.freq_hz[known], shape.level_db[known], shape.sd_db[known], before.level_db, before.sigma_db, strict=True)
    return [
        {
            "freq_hz": float(freq_hz),
            "level_db": float(level_db),
            "sigma_db": float(np.hypot(sd_db, 0.1)),
            "before_tape_db": float(before_db),
            "before_tape_sigma_db": float(before_sigma_db),
        }
        for freq_hz, level_db, sd_db, before_db, before_sigma_db in rows
    ]


def _edges(shape, tone_hz, down_db):
    """Both ends of the band at so many dB under the ladder's tone, with their sd in octaves; None where none was seen."""
    out = {"down_db": down_db}
    for name, step in (("low", -1), ("high", 1)):
        place = _edge(shape, tone_hz, down_db, step)
        out[f"{name}_hz"], out[f"{name}_sigma_octaves"] = (None, None) if place is None else place
    return out


def _edge(shape, tone_hz, down_db, step):
    """(frequency, sd in octaves) where the response, seen from the tone outwards, first passes -down_db and stays there for
    another band; the crossing is that of the straight line between two bands.
    """
    start = int(np.argmin(np.abs(np.log(shape.freq_hz / tone_hz))))
    order = [k for k in range(start, shape.freq_hz.size if step > 0 else -1, step) if np.isfinite(shape.level_db[k])]
    for here, there, further in zip(order, order[1:], order[2:], strict=False):
        if shape.level_db[there] < -down_db and shape.level_db[further] < -down_db:
            fall_db = shape.level_db[here] - shape.level_db[there]
            share = np.clip((shape.level_db[here] + down_db) / max(fall_db, 1e-6), 0.0, 1.0)
            octaves = np.log2(shape.freq_hz[there] / shape.freq_hz[here])
            sd = np.hypot(shape.sd_db[there], 0.3) / max(fall_db / abs(octaves), 1e-6)
            return float(shape.freq_hz[here] * 2.0 ** (share * octaves)), float(min(sd, 1.0))
    return None


def _treble(shape, tone_hz, medium, sent):
    """Losses like those of a head's distance or slant. spacing_like_um: the distance whose loss falls as the response does from
    the tone to its -10 dB edge (amplifiers and gap included); azimuth_at_most_arc_minutes: the slant that alone would put the
    -3 dB edge where it is; unsteady_db: rms of the steady high tone's level from one 50 ms to the next, which a tape that skews
    under its head shows. None where there is no tape or no edge.
    """
    level_db = _envelope_db(
        np.asarray(sent.section(sent.sections("flutter")[0]), float), sent.rate_hz, sent.facts["flutter_tone_hz"]
    )
    middle = level_db[round(0.4 / _ENVELOPE_S) : -round(0.4 / _ENVELOPE_S)]
    count = round(0.05 / _ENVELOPE_S)
    unsteady_db = float(np.std(middle[: middle.size // count * count].reshape(-1, count).mean(axis=1)))
    speed, ten, three = medium.get("tape_speed_cm_s"), _edge(shape, tone_hz, 10.0, 1), _edge(shape, tone_hz, 3.0, 1)
    values = {"unsteady_db": unsteady_db, "spacing_like_um": None, "azimuth_at_most_arc_minutes": None}
    if speed is None:
        return values
    if ten is not None:
        part = (shape.freq_hz >= tone_hz) & (shape.freq_hz <= ten[0]) & np.isfinite(shape.level_db)
        slope_db_hz = float(np.polyfit(shape.freq_hz[part], shape.level_db[part], 1)[0])
        values["spacing_like_um"] = max(0.0, -slope_db_hz * 1e4 * speed / 54.575)
    if three is not None:
        # sin(x)/x is -3 dB at x = 1.392.
        slant_m = 1.392 / np.pi * 1e-2 * speed / three[0]
        values["azimuth_at_most_arc_minutes"] = float(60 * np.degrees(np.arctan(slant_m / (1e-3 * medium["track_width_mm"]))))
    return values
