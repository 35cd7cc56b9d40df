"""A return's condition, all in one: the content of condition.json and bands.tsv.

Conventions: levels of the return are the capture's own, before `level_db`; whatever could not be measured is None and
`notes` says why.
"""

from functools import partial

import numpy as np

from bounceproof import at_once, spectra
from bounceproof.condition import capture as capture_file
from bounceproof.condition import hiss as hisses
from bounceproof.condition import level as levels
from bounceproof.condition import story as stories
from bounceproof.condition import survival as survivals
from bounceproof.condition.edges import band_ends
from bounceproof.condition.foreign import find_foreign
from bounceproof.condition.lines import find_lines
from bounceproof.quantities import DB_PER_POWER_RATIO, peak_dbfs, power_db, power_from_db
from bounceproof.sketches import sketch_bands


def rejected_condition(alignment):
    """The condition of a take that could not be aligned: its state and reason, and no number."""
    empty = dict.fromkeys(
        (
            "level",
            "hiss",
            "hum",
            "whine",
            "signal_over_hiss_db",
            "signal_over_hiss_sigma_db",
            "band",
            "band_3_db",
            "playing_s",
            "coherence",
            "role_bands",
            "level_ride",
            "level_history",
            "highs",
            "dropouts",
            "hiss_under_music",
            "overload",
            "foreign",
        )
    )
    return {**_heading(alignment), **empty, "clipped": None, "dc_dbfs": None, "peak_dbfs": None, "notes": []}


def _heading(alignment):
    return {
        "state": alignment["state"],
        "reason": alignment.get("reason"),
        "simulated": bool(alignment.get("simulated", False)),
        "method": alignment.get("method"),
    }


def measure_condition(
    stem,
    aligned,
    capture,
    capture_rate_hz,
    alignment,
    *,
    rate_hz,
    band_hz,
    transfer,
    role_bands=(),
    clip_run_samples=3,
    track=None,
    others=None,
):
    """(condition, rows of bands.tsv) of an aligned return.

    stem, aligned: one-dimensional at rate_hz on one time base, or what slices into that, which an hour of song needs;
    capture: the channel used, at capture_rate_hz, or a function that reads it, which is let go first; alignment: the values of
    alignment.json; band_hz: the medium's (low, high); transfer: dict with gap_s and tail_s; role_bands: dicts with
    name, low_hz, high_hz, importance; track, others: the track's name and, to look for foreign sounds, {track: (sketch, reader)}
    of the session's other stems (see `foreign`).
    """
    bands = levels.analysis_bands(rate_hz)
    speed_ratio = 1.0 + (alignment.get("speed_percent") or 0.0) / 100.0
    stem, aligned = _equally_long(stem, aligned)

    def of_the_file():
        captured = capture() if callable(capture) else capture
        hiss, quiet = _hiss(captured, capture_rate_hz, alignment, speed_ratio, bands, band_hz, transfer)
        as_a_file = {
            "clipped": capture_file.clipping(captured, capture_rate_hz, run_samples=clip_run_samples),
            "dc_dbfs": capture_file.direct_current_dbfs(captured),
            "peak_dbfs": peak_dbfs(captured),
        }
        return hiss, quiet, as_a_file

    (hiss, quiet, as_a_file), (powers, both, heard) = at_once.together(
        of_the_file, lambda: _spectra(stem, aligned, bands, rate_hz)
    )
    timing_us = alignment.get("residual_rms_us")
    survival = survivals.Survival(
        levels.played_powers(powers), hiss.band_powers, bands, rate_hz, hiss.seconds, timing_us=timing_us, **heard
    )
    known = {"hiss_powers": hiss.band_powers, "bands": bands, "band_hz": band_hz, "timing_us": timing_us}
    search = partial(_foreign, survival, rate_hz, track, others)
    story = stories.tell(stem, aligned, both, rate_hz, **known, foreign_in=search)
    band, three_db = survivals.band_edges(survival, band_hz), None
    if stories.steady(timing_us, band_hz):
        band, three_db = band_ends(both, rate_hz, band_hz, band)
    over, mask = _overall(powers, hiss, levels.inside(bands, band_hz), bands, rate_hz)
    level = levels.level_from_powers(survival.played, hiss.band_powers, bands, band_hz, rate_hz, quiet_s=hiss.seconds)
    condition = {
        **_heading(alignment),
        "level": {
            "level_db": alignment.get("level_db"),
            "measured_db": level.level_db,
            "sigma_db": level.sigma_db,
            "bands": level.bands,
            **_levels(powers, mask, levels.inside(bands, band_hz)),
        },
        "hiss": _hiss_record(hiss, quiet),
        "hum": [line for line in hiss.lines if line["kind"] == "hum"],
        "whine": [line for line in hiss.lines if line["kind"] == "whine"],
        **stories.story_record(story, hiss, bands, band_hz),
        "foreign": None if story is None else story.foreign,
        **over,
        "band": band,
        "band_3_db": three_db,
        "coherence": _overall_coherence(survival, levels.inside(bands, band_hz)),
        "role_bands": survivals.role_rows(survival, role_bands, alignment.get("level_db")),
        "playing_s": _spans(powers, survival, hiss, levels.inside(bands, band_hz), rate_hz),
        **as_a_file,
        "notes": _notes(quiet, level, survival, levels.inside(bands, band_hz), story),
    }
    return condition, stories.add_under_music(survivals.band_rows(survival), story)


def _equally_long(stem, aligned):
    frames = min(len(stem), len(aligned))
    return [one if len(one) == frames else one[:frames] for one in (stem, aligned)]


def _hiss(capture, capture_rate_hz, alignment, speed_ratio, bands, band_hz, transfer):
    clicks = alignment.get("start_click_return_s"), alignment.get("end_click_return_s")
    capture_s = len(capture) / capture_rate_hz
    quiet = hisses.quiet_stretch(*clicks, capture_s, speed_ratio, transfer)
    if quiet is None:
        nothing = hisses.Hiss(np.zeros(len(bands)), *([None] * 6), [], 0.0, None)
        return nothing, None
    piece = capture[int(quiet.start_s * capture_rate_hz) : int(quiet.end_s * capture_rate_hz)]
    spans = hisses.quiet_pieces(*clicks, capture_s, speed_ratio, transfer)
    pieces = [capture[int(start_s * capture_rate_hz) : int(end_s * capture_rate_hz)] for start_s, end_s in spans]
    lines = find_lines(pieces or [piece], capture_rate_hz, speed_ratio)
    return hisses.measure_hiss(piece, capture_rate_hz, speed_ratio, bands, band_hz, lines=lines), quiet


def _spectra(stem, aligned, bands, rate_hz):
    """(powers of stem and return per segment and band, their SpectralMatrix, what Survival holds of them).

    Where the stem plays is told by itself, so that the return is transformed but once.
    """
    of_stem = spectra.band_powers([stem], rate_hz, bands)[:, 0]
    (coherence, h1, averages, both, returned), own_share = at_once.together(
        lambda: survivals.coherent_output(stem, aligned, rate_hz, bands, spectra.playing(of_stem)),
        lambda: survivals.own_share(stem, of_stem, rate_hz, bands),
    )
    heard = {"coherence": coherence, "h1": h1, "averages": averages, "own_share": own_share}
    return np.moveaxis(np.stack((of_stem, returned)), 0, 1), both, heard


def _overall(powers, hiss, chosen, bands, rate_hz):
    """Signal over hiss within the medium's band, over the segments within 30 dB of the stem's loudest there; and those
    segments.
    """
    in_band = powers[:, :, chosen].sum(axis=2)
    mask = spectra.playing(in_band[:, 0])
    noise = hiss.band_powers[chosen].sum()
    over = {"signal_over_hiss_db": None, "signal_over_hiss_sigma_db": None}
    if noise <= 0 or not mask.any():
        return over, mask
    signal = in_band[mask, 1].mean() - noise
    width_hz = sum(band.high_hz - band.low_hz for band, take in zip(bands, chosen, strict=True) if take)
    played_s = mask.sum() * spectra.segment_samples(rate_hz) / 2 / rate_hz
    relative = _over_hiss_relative_sd(max(signal, 0.0), noise, width_hz, played_s, hiss.seconds)
    if signal > 0 and relative < 0.5:
        over = {"signal_over_hiss_db": power_db(signal / noise), "signal_over_hiss_sigma_db": DB_PER_POWER_RATIO * relative}
    return over, mask


def _over_hiss_relative_sd(signal, noise, width_hz, played_s, quiet_s):
    """Relative sd of (P - N) / N, with var P = (2 S N + N^2) / (B T_played) and var N = N^2 / (B T_quiet)."""
    if signal <= 0:
        return np.inf
    total = signal + noise
    variance = (2 * signal * noise + noise**2) / (width_hz * played_s) / total**2 + 1.0 / (width_hz * quiet_s)
    return total / signal * np.sqrt(variance)


def _levels(powers, mask, chosen):
    in_band = powers[:, :, chosen].sum(axis=2)
    means = in_band[mask].mean(axis=0) if mask.any() else np.zeros(2)
    whole = in_band.mean(axis=0)
    return {"stem_dbfs": power_db(means[0]), "return_dbfs": power_db(means[1]), "return_whole_song_dbfs": power_db(whole[1])}


def _hiss_record(hiss, quiet):
    if quiet is None:
        return None
    fields = (
        "flat_dbfs",
        "flat_sigma_db",
        "a_weighted_dbfs",
        "a_weighted_sigma_db",
        "bs468_rms_dbfs",
        "bs468_rms_sigma_db",
    )
    # The detector's reading of noise scatters 1.7 times as much as the rms (by simulation): its peaks are fewer than the samples.
    quasi_peak = {"bs468_quasi_peak_dbfs": hiss.quasi_peak_dbfs, "bs468_quasi_peak_sigma_db": None}
    if hiss.quasi_peak_dbfs is not None:
        quasi_peak["bs468_quasi_peak_sigma_db"] = 1.7 * hiss.bs468_rms_sigma_db
    where = {"source": quiet.source, "start_s": quiet.start_s, "seconds": quiet.end_s - quiet.start_s}
    return {**where, **{field: getattr(hiss, field) for field in fields}, **quasi_peak}


def _overall_coherence(survival, chosen):
    """Coherent share of the return's power within the band."""
    power = survival.played.returned[chosen]
    return float(np.sum(survival.coherence[chosen] * power) / power.sum()) if power.sum() > 0 else None


def _spans(powers, survival, hiss, chosen, rate_hz):
    response = survivals.filled_response(survival)
    return survivals.playing_spans(powers[:, 0], response, hiss.band_powers, chosen, spectra.segment_samples(rate_hz), rate_hz)


def _foreign(survival, rate_hz, track, others, explained):
    """The foreign sounds in what the stem leaves of its return, or None without others, where they are not looked for."""
    if others is None:
        return None
    mids_hz = [band.mid_hz for band in survival.bands]
    response_db = power_db(np.maximum(survivals.filled_response(survival), 1e-12))
    fine_hz = [band.mid_hz for band in sketch_bands(explained.rate_hz)]
    gain = power_from_db(np.interp(np.log(fine_hz), np.log(mids_hz), response_db))
    return find_foreign(explained, rate_hz, others, track, gain)


def _notes(quiet, level, survival, chosen, story):
    notes = []
    if story is None:
        notes.append(
            "Dropouts, level riding, foreign sounds and hiss under music were not measured: the timing error left is unknown"
            " or too large, or the stem explains too little of the return."
        )
    if quiet is None:
        notes.append("No stretch without music was found to measure hiss in; levels and signal include the hiss.")
    elif quiet.source != "lead-in":
        notes.append(f"The lead-in was missing or too short: hiss was measured in the {quiet.source}.")
    if level.level_db is None:
        notes.append("No band stands over the hiss: no level could be measured.")
    if (chosen & survival.contradicted).any():
        notes.append(
            "In some strong bands stem and return agree far less than the small timing error of the alignment allows: the two"
            " contradict each other, and the response there is not known."
        )
    elif (chosen & ~survival.by_h1).any():
        notes.append(
            "In some bands stem and return agree less than hiss explains (remaining timing error or distortion);"
            " the response there comes from powers, not from H1, and only where the signal is strong."
        )
    return notes
