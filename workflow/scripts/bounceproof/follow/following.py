"""Following a stem through its return: the plain entry.

Conventions: sent time counts from the first sample of what was sent (clicks, gaps and stem, or a stem alone), return time from
the capture's first sample; speed = replay over record; us throughout for deviations. The map's constant: a click passed
through the fitted response has its matched-filter instant where it was sent; without clicks, the whole of what was sent has.
"""

import numpy as np

from bounceproof.timemap import TimeMap

from . import acquire, estimate, learn, response, search, smoother, speed
from .material import BIN_S, WORK_HZ, Return, Sent, bin_times, padded, to_rate
from .result import Followed

LEAST_SHARE = 0.15
LEAST_OVERLAP_S = 5.0
PATH_SD_US = 300.0


def follow(sent, capture, rate_hz, guess=None, *, capture_rate_hz=None, click_spans=(), band_hz=None, speed_search_percent=12.0):
    """Find where each moment of `sent` lies in `capture`.

    sent: what was played (mono, 1-D, at rate_hz); capture: what came back (mono, 1-D, at capture_rate_hz, the same if None).
    guess: TimeMap from sent time to return time, such as the straight line through two clicks, or None: found from the music.
    click_spans: (first, last, reference) samples of each click in `sent`. band_hz: the medium's nominal band (unused where
    the return tells). Returns Followed; never raises for what the capture holds.
    """
    heard, back = Sent(sent, rate_hz), Return(capture, capture_rate_hz or rate_hz)
    finder = acquire.Finder(heard, back)
    line, reason = _first_line(finder, guess, speed_search_percent / 100)
    if line is None:
        return Followed(None, reason=reason)
    path = acquire.find_path(finder, *line, acquire.Search())
    x_us = smooth_path(path, line, heard.bins)
    spans = [(int(span[0] * WORK_HZ / rate_hz), int(span[1] * WORK_HZ / rate_hz) + 1) for span in click_spans]
    anchor, anchored_by = make_anchor(heard, spans)
    found = estimate.estimate(heard, back, line, x_us, anchor, click_spans=spans)
    return _followed(heard, back, found, anchor, anchored_by, guess)


def _first_line(finder, guess, speed_search):
    if guess is not None:
        b = 1 / guess.mean_speed_ratio
        return (float(guess.at(0.0)), b), None
    found = search.search_line(finder, speed_search=speed_search)
    if found is None or found.share < LEAST_SHARE:
        return None, "The music of the stem was not found in the capture."
    if found.rival > 0.9:
        return None, "The music fits at several places equally well, and no click tells which is right."
    return found.line, None


def smooth_path(path, line, bins):
    """The coarse path as a smooth map about the line, us per bin."""
    from scipy.interpolate import CubicSpline

    model = speed.SpeedModel(300.0, (speed.Noise(3000.0, 4.0),))
    steps = speed.discretise(model, acquire.HOP / acquire.RATE_HZ, position_sd_us=3e4, mean_speed_sd_ppm=1e5)
    z = (path.return_s - line[0] - line[1] * path.sent_s) * 1e6
    trust = np.where(path.heard, np.clip(path.score, 0, 10) / 10, 0.0) / PATH_SD_US**2
    smoothed = smoother.smooth(z, trust, steps)
    return CubicSpline(path.sent_s, smoothed.mean_us)(np.clip(bin_times(bins), path.sent_s[0], path.sent_s[-1]))


def make_anchor(heard, spans):
    """The Anchor of the clicks, or of the whole where there are none, and which of the two it is."""
    if spans:
        return response.Anchor([padded(heard.samples, *span) for span in spans]), "clicks"
    return response.Anchor(np.array_split(heard.samples, max(1, heard.samples.size // (response.Anchor.SIZE // 2)))), "music"


def _followed(heard, back, found, anchor, anchored_by, guess):
    seconds = heard.seconds
    t = bin_times(heard.bins)
    u = estimate.knots(found.line, found.x_us)
    sigma = np.sqrt(found.variance)
    outside = (u < 0) | (u > back.seconds)
    sigma = np.where(outside, np.inf, sigma)
    _, polarity = anchor.delay(found.theta, within=2)
    return Followed(
        time_map=_map_of(t, u, sigma, seconds, found.line),
        polarity=polarity,
        response_taps=response.basis()[0] @ found.theta,
        response_first_lag=response.FIRST_LAG,
        response_hz=WORK_HZ,
        anchored_by=anchored_by,
        speed_model=found.model,
        explained=float(found.explained.sum() / max(found.explained.sum() + found.left_over.sum(), 1e-30)),
    )


def _map_of(t, u, sigma, seconds, line):
    """A TimeMap with knots 1 ms apart, from the bins' middles along a cubic, to both ends of what was sent; strictly increasing."""
    inside = (t > 1e-4) & (t < seconds - 1e-4)
    t, u, sigma = t[inside], u[inside], sigma[inside]
    t, u, sigma = _halved(t), _between(u), _halved(sigma)
    first, last = u[0] - line[1] * t[0], u[-1] + line[1] * (seconds - t[-1])
    t, u, sigma = np.r_[0.0, t, seconds], np.r_[first, u, last], np.r_[sigma[0], sigma, sigma[-1]]
    least = 1e-8 * np.arange(u.size)
    return TimeMap(t, np.maximum.accumulate(u - least) + least, sigma)


def _halved(values):
    out = np.empty(2 * values.size - 1)
    out[::2] = values
    out[1::2] = 0.5 * (values[:-1] + values[1:])
    return out


def _between(u):
    """u with the middles of a cubic through each four neighbours between them (straight at the ends)."""
    out = _halved(u)
    out[3:-3:2] = (9 * (u[1:-2] + u[2:-1]) - (u[:-3] + u[3:])) / 16
    return out
