"""Transfers: what is played to the recorder.

Layout in time: lead-in, start click, gap, stem, gap, end click, tail. The clicks' references lie at the same sample in every
transfer of a session (equal send_speed), whatever number they spell. Conventions: samples count from the transfer's first;
send_db = the stem's peak in the transfer in dBFS; send_speed 2 or 4 = the stem sent that much faster.
"""

from typing import NamedTuple

import numpy as np

from bounceproof.audio import resample
from bounceproof.clicks import click_band, make_click
from bounceproof.filters import bandpass_response, filtered_pieces
from bounceproof.quantities import amplitude_db, amplitude_from_db, highest, peak_dbfs
from bounceproof.sliced import Sliced
from bounceproof.transfer_layout import CLICK_AFTER_S, CLICK_BEFORE_S

# A stem with next to nothing in the medium's band still needs clicks that are heard above the hiss.
QUIETEST_CLICK_BELOW_SEND_DB = 30.0
_PIECE = 1 << 20


class Transfer(NamedTuple):
    """The samples to play (float64, below full scale), an array or Sliced, and their description, as the transfer's JSON holds
    it."""

    samples: np.ndarray
    facts: dict


def make_transfer(stem, rate_hz, **options):
    """The Transfer of a stem in memory, its samples an array; options and errors: see `lay_out`."""
    made = lay_out(stem, rate_hz, **options)
    return made._replace(samples=made.samples[:])


def lay_out(stem, rate_hz, *, number, band_hz, settings, send_db, send_speed=1):
    """The transfer of a stem (one channel, any level; an array, or what slices into arrays) as a Transfer whose samples are made
    where they are sliced: an hour of them takes 1.4 GB.

    settings: lead_in_s, gap_s, tail_s, click_below_peak_db. band_hz: the medium's nominal band. Raises ValueError for a
    number that no click can spell, or a stem that is not finite.
    """
    if not all(np.all(np.isfinite(stem[k : k + _PIECE])) for k in range(0, len(stem), _PIECE)):
        raise ValueError("the stem holds samples that are not finite")
    body, gain_db = _body(stem, rate_hz, send_db, send_speed)
    band_hz = click_band(band_hz)
    click_peak = _click_peak(body, rate_hz, band_hz, settings["click_below_peak_db"])
    start = round((settings["lead_in_s"] + CLICK_BEFORE_S) * rate_hz)
    stem_start = start + round((CLICK_AFTER_S + settings["gap_s"]) * rate_hz)
    end = stem_start + body.size + round((settings["gap_s"] + CLICK_BEFORE_S) * rate_hz)
    size = end + round((CLICK_AFTER_S + settings["tail_s"]) * rate_hz)
    clicks = [
        (reference, make_click(number, which, rate_hz=rate_hz, band_hz=band_hz))
        for which, reference in (("start", start), ("end", end))
    ]
    laid = [(reference - click.reference_sample, click_peak * click.samples) for reference, click in clicks]
    samples = _together(size, [(stem_start, body), *laid])
    edges = [first + click.edge_sample for (first, _), (_, click) in zip(laid, clicks, strict=True)]
    return Transfer(
        samples,
        {
            "sample_rate_hz": rate_hz,
            "number": number,
            "start_click_sample": start,
            "end_click_sample": end,
            "start_edge_sample": edges[0],
            "end_edge_sample": edges[1],
            "stem_start_sample": stem_start,
            "stem_samples": body.size,
            "send_speed": send_speed,
            "gain_db": gain_db,
            "peak_dbfs": peak_dbfs(samples),
            "click_peak_dbfs": float(amplitude_db(click_peak)),
            "click_band_hz": list(band_hz),
            "duration_s": size / rate_hz,
        },
    )


def _body(stem, rate_hz, send_db, send_speed):
    """The stem as sent, and the gain it got. A silent stem is sent as it is."""
    body = stem
    if send_speed != 1:
        body = resample(np.asarray(stem[:], dtype=float), rate_hz * send_speed, rate_hz)
        body = np.pad(body, (0, max(0, -(-len(stem) // send_speed) - body.size)))[: -(-len(stem) // send_speed)]
    peak = highest(body)
    gain_db = float(send_db - amplitude_db(peak)) if peak > 0 else 0.0
    gain = amplitude_from_db(gain_db)
    return Sliced(len(body), lambda first, last: np.asarray(body[first:last], dtype=float) * gain), gain_db


def _together(size, parts):
    """`size` samples, Sliced, silent but for the parts: (first sample, samples) of each."""

    def made(first, last):
        out = np.zeros(last - first)
        for start, samples in parts:
            a, b = max(first, start), min(last, start + len(samples))
            if b > a:
                out[a - first : b - first] += samples[a - start : b - start]
        return out

    return Sliced(size, made)


def _click_peak(body, rate_hz, band_hz, below_db):
    """The sweeps' peak: below_db under the stem's own peak in the clicks' band; louder would work an automatic level control."""
    peak = highest(body)
    if peak == 0:
        return amplitude_from_db(-QUIETEST_CLICK_BELOW_SEND_DB)
    heard = filtered_pieces(body, lambda freq_hz: bandpass_response(freq_hz, rate_hz, *band_hz, order=2), rate_hz)
    in_band = max(highest(piece) for piece in heard)
    return max(in_band * amplitude_from_db(-below_db), peak * amplitude_from_db(-QUIETEST_CLICK_BELOW_SEND_DB))
