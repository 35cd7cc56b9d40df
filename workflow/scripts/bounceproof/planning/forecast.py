"""What a session may expect before a note of it is recorded: many recorders drawn at random, each track's fate in each of them.

A recorder is drawn from what is known of it: the medium's typical figures, or the measured ones with their uncertainty. Signal
and hiss follow from the stems' own spectra, the drawn response and the drawn hiss; the timing of two clicks from a drawn motion
of both passes; what following leaves, from the Cramer-Rao bound at the signal over hiss found. Each figure is the one that
the report will tell of the return, made in the same way.
Conventions: plain dicts; levels as sent or as replayed, in dBFS; ranges are the 10, 50 and 90 % points over the draws; times in
us of the song.
"""

import math
from typing import NamedTuple

import numpy as np

from bounceproof import spectra
from bounceproof.condition import level as levels
from bounceproof.condition.survival import LEAST_COHERENCE, bands_of_role
from bounceproof.follow.material import BIN_S, WORK_HZ
from bounceproof.quantities import SINE_CREST_DB, amplitude_from_db, flutter_weighting_db, power_db, power_from_db, shares_within
from bounceproof.recorder import channel
from bounceproof.recorder.presets import resolve

DRAWS = 400
POINTS = (10.0, 50.0, 90.0)
# Rates of a capstan, a pinch roller and a motor, and how their shares compare (common practice).
_LINES = ((0.9, 0.5), (2.7, 0.8), (9.5, 0.5))
# A sum of a few sines exceeds 1.75 times its rms 5 % of the time (between a sine's 1.41 and noise's 1.96).
_TWO_SIGMA = 1.75
_ORDER = 2
# The -3 dB point of two such edges in a row lies at this share of theirs: 2 * 10 lg(1 + x^4) = 3.01 dB.
_BOTH_EDGES = 0.8022
# Amplitude under the best of the response.
_DEEPEST = 0.1
# Timing by two clicks is reckoned in such steps; what tells of timing is looked for in windows this long.
_STEP_S, _TELLING_S = 0.02, 0.02
# A return's hiss is known from about so much silence.
_QUIET_S = 4.0
# Short of half the rate that following works at.
_FOLLOWED_TO_HZ = 0.47 * WORK_HZ


def expected_of_medium(medium, *, full_send_db):
    """What is expected of a recorder from its medium's typical figures: {figure: (middle, sd)}; bands and flutter as ratios."""
    speed = medium["speed_error_percent"] / 2.0
    return {
        "full_dbfs": (full_send_db, 2.0),
        "hiss_dbfs": (full_send_db - SINE_CREST_DB - medium["hiss_below_full_db"], 3.0),
        "low_hz": (medium["band_low_hz"], 0.15),
        "high_hz": (medium["band_high_hz"], 0.12),
        "gain_db": (0.0, 0.0),
        "speed_percent": (0.0, speed),
        "weighted_flutter_percent": (medium["wow_flutter_percent"], 0.3),
        "drift_percent": (0.3 * medium["wow_flutter_percent"], 0.4),
        # Full level is where such a control holds its tape.
        "control": {"knee_db": full_send_db, "range_db": 30.0} if medium["automatic_level"] else None,
        "guess": True,
    }


def expected_of_recorder(values, medium):
    """The same of a recorder.json; what the calibration did not show is the medium's."""
    three = values["edges"][0]
    edges = {
        "low_hz": (three["low_hz"] or medium["band_low_hz"], 0.04),
        "high_hz": (three["high_hz"] or medium["band_high_hz"], 0.04),
    }
    full, control = values["full"], values["level_control"]
    hiss_dbfs = values["hiss"]["flat_dbfs"]
    return {
        "full_dbfs": (0.0, 0.0) if full is None else (full["send_db"], max(0.5, full["send_sigma_db"])),
        # From tape to tape and day to day hiss differs by about a decibel (common practice).
        "hiss_dbfs": (-120.0 if hiss_dbfs is None else hiss_dbfs, 1.0),
        **edges,
        "gain_db": (control["gain_db"], 0.3),
        "speed_percent": (values["speed_percent"], 0.3),
        "weighted_flutter_percent": (values["weighted_flutter_percent"], 0.15),
        "drift_percent": (values["drift_percent"], 0.4),
        "control": {"knee_db": control["knee_send_db"], "range_db": control["range_db"]} if control["found"] else None,
        "guess": False,
    }


def drawn_recorder(expected, seed):
    """Settings of one simulated recorder as `presets.resolve` takes them; equal seeds give equal machines."""
    random = np.random.default_rng([seed, 77])

    def normal(name):
        middle, sd = expected[name]
        return float(middle + sd * random.standard_normal())

    def ratio(name):
        middle, sd = expected[name]
        return float(middle * np.exp(sd * random.standard_normal()))

    full_dbfs, hiss_dbfs, gain_db = normal("full_dbfs"), normal("hiss_dbfs"), normal("gain_db")
    low_hz, high_hz = _BOTH_EDGES * ratio("low_hz"), ratio("high_hz") / _BOTH_EDGES
    band = {"low_hz": low_hz, "high_hz": high_hz, "order": _ORDER}
    flutter, drift = ratio("weighted_flutter_percent"), ratio("drift_percent")
    passes = [{"lines": _lines(flutter / math.sqrt(2.0)), "drift_percent": drift / math.sqrt(2.0)} for _ in range(2)]
    settings = {
        "record": passes[0],
        "replay": {**passes[1], "speed_percent": normal("speed_percent")},
        "record_band": band,
        "replay_band": dict(band),
        "saturation": {"level_dbfs": full_dbfs},
        # Hiss was counted in the capture; the recorder adds it before the capture's gain.
        "hiss": {"level_dbfs": hiss_dbfs - gain_db},
        "capture_gain_db": gain_db,
        "clips_at_dbfs": None,
    }
    control = expected["control"]
    if control:
        settings["automatic_level"] = {"target_dbfs": control["knee_db"], "max_gain_db": 0.0, "range_db": control["range_db"]}
    return settings


def measured_recorder(values, medium):
    """Settings of the simulated recorder that is as recorder.json has the real one, nothing drawn."""
    expected = expected_of_recorder(values, medium)
    middles = {key: (value[0], 0.0) if isinstance(value, tuple) else value for key, value in expected.items()}
    return drawn_recorder(middles, 0)


def _lines(weighted_percent):
    """Lines of one pass that together read this weighted flutter."""
    weights = [share * 10 ** (float(flutter_weighting_db(rate_hz)) / 20) for rate_hz, share in _LINES]
    scale = weighted_percent / (_TWO_SIGMA * math.sqrt(0.5 * sum(weight**2 for weight in weights)))
    return [{"rate_hz": rate_hz, "percent": scale * share} for rate_hz, share in _LINES]


_LAW = {"attack_ms": 5.0, "release_ms": 800.0}


class Stem:
    """What a forecast needs of a transfer, clicks and all: powers per third-octave band, as sent and behind the level control,
    frequencies as on the tape.

    powers: mean while the stem plays in the medium's band; whole: mean over the song; played: of the stem's own level and as
    sent, each band while the stem plays in it (`levels.Played`); telling: mean over the moments that say most about the timing,
    clicks among them. course: the stem's energy every _STEP_S from click to click.
    """

    def __init__(self, sent, rate_hz, facts, band_hz, *, control):
        self.send_speed, self.bands = facts["send_speed"], levels.analysis_bands(rate_hz)
        self.chosen = levels.inside(self.bands, band_hz)
        first = facts["stem_start_sample"]
        inner = slice(first, first + facts["stem_samples"])
        own = np.asarray(sent, dtype=float)
        ridden = _ridden(own, control, rate_hz)
        powers = spectra.band_powers([own[inner] * amplitude_from_db(-facts["gain_db"]), ridden[inner]], rate_hz, self.bands)
        mask = spectra.playing(powers[:, 0, self.chosen].sum(axis=1))
        self.powers = powers[mask, 1].mean(axis=0) if mask.any() else np.zeros(len(self.bands))
        self.whole, self.played = powers[:, 1].mean(axis=0), levels.played_powers(powers)
        self.telling = self._telling(spectra.band_powers([ridden], rate_hz, self.bands, segment=_short(rate_hz))[:, 0])
        self.course = _course(own, rate_hz, facts)

    def _telling(self, powers):
        """Mean of (segments, bands) powers over those in which the timing is told within 30 dB of the best."""
        told = powers[:, self.chosen] @ _mids_hz(self.bands)[self.chosen] ** 2
        mask = spectra.playing(told)
        return powers[mask].mean(axis=0) if mask.any() else np.zeros(len(self.bands))


def _ridden(sent, control, rate_hz):
    """What was sent, behind the level control."""
    if not control:
        return sent
    law = {**_LAW, "target_dbfs": control["knee_db"], "max_gain_db": 0.0, "range_db": control["range_db"]}
    return sent * channel.control_gain(*channel.level_control(sent, law, rate_hz), sent.size, rate_hz)


def _short(rate_hz):
    return spectra.segment_samples(rate_hz, seconds=_TELLING_S)


def _course(sent, rate_hz, facts):
    """Energy of the stem in each step from the start click's instant to the end click's."""
    step = round(_STEP_S * rate_hz)
    start, end = facts["start_click_sample"], facts["end_click_sample"]
    inner = np.zeros((end - start) // step * step)
    first = facts["stem_start_sample"] - start
    body = sent[facts["stem_start_sample"] :][: min(facts["stem_samples"], inner.size - first)]
    inner[first : first + body.size] = body
    return np.square(inner).reshape(-1, step).sum(axis=1)


def _mids_hz(bands):
    return np.array([band.mid_hz for band in bands])


class Heard(NamedTuple):
    """What a drawn recorder makes of third-octave bands: response (power ratio, 0 where what comes back is lost in other
    noises), hiss (mean square), both in the capture.
    """

    response: np.ndarray
    hiss: np.ndarray


def heard_by(settings, bands, rate_hz):
    """The Heard of a drawn recorder."""
    widths_hz = np.array([band.high_hz - band.low_hz for band in bands])
    record, replay = (
        np.abs(channel.band_response(settings[name], _mids_hz(bands), rate_hz)) for name in ("record_band", "replay_band")
    )
    gain = 10 ** (settings["capture_gain_db"] / 10)
    flat = np.linspace(*channel.HISS_BAND_HZ, 400)
    share = np.trapezoid(np.abs(channel.band_response(settings["replay_band"], flat, rate_hz)) ** 2, flat)
    density = 10 ** (settings["hiss"]["level_dbfs"] / 10) / share
    response = record * replay
    # Far down the slopes there are other noises than hiss: what lies there is lost.
    audible = response > _DEEPEST * response.max()
    return Heard(gain * audible * response**2, gain * density * replay**2 * widths_hz)


def nominal_hiss(settings, band_hz, rate_hz):
    """The same settings, their hiss meant within the nominal band made into the recorder's own measure (350 to 4200 Hz)."""
    replay = settings["replay_band"]

    def power(low_hz, high_hz):
        freq_hz = np.linspace(low_hz, min(high_hz, 0.48 * rate_hz), 600)
        return np.trapezoid(np.abs(channel.band_response(replay, freq_hz, rate_hz)) ** 2, freq_hz)

    shift_db = 10 * math.log10(power(*channel.HISS_BAND_HZ) / power(*band_hz))
    return {**settings, "hiss": {**settings["hiss"], "level_dbfs": settings["hiss"]["level_dbfs"] + shift_db}}


def wander_us(settings, steps, seed):
    """How far a recorder's two passes stray from their mean speed, every _STEP_S: lines and drift of `drawn_recorder`,
    integrated.

    To first order the passes add up; what that leaves out is the speed error's share of the wander, some per cent of it.
    """
    random, total_s = np.random.default_rng([seed, 78]), np.zeros(steps)
    times_s = np.arange(steps) * _STEP_S
    for one in (settings["record"], settings["replay"]):
        for line in one["lines"]:
            turns = 2.0 * math.pi * line["rate_hz"]
            total_s += line["percent"] / 100.0 / turns * np.cos(turns * times_s + random.uniform(0.0, 2.0 * math.pi))
        walk = np.cumsum(random.standard_normal(steps)) * math.sqrt(_STEP_S / 60.0)
        total_s += one["drift_percent"] / 100.0 * np.cumsum(walk) * _STEP_S
    return 1e6 * total_s


def two_click_rms_us(stem, strayed_us):
    """Rms of the timing error that a straight line between a Stem's two clicks leaves, each moment weighted by its energy.

    strayed_us: of `wander_us`, as many steps or more.
    """
    strayed_us = strayed_us[: stem.course.size]
    error_us = strayed_us - np.linspace(strayed_us[0], strayed_us[-1], strayed_us.size)
    error_us = error_us - np.average(error_us, weights=stem.course)
    return stem.send_speed * float(np.sqrt(np.average(error_us**2, weights=stem.course)))


def followed_rms_us(stem, heard):
    """What following tells of its own error: by how much a bin of it strays from what its neighbours say.

    That is the Cramer-Rao bound of such a bin, J = 2 T sum B (2 pi f)^2 S / N over the bands. Source: A. Quazi, IEEE ASSP-29
    (1981) 527, for a known reference and a spectrum that is not flat.
    """
    mids_hz = _mids_hz(stem.bands)
    told = mids_hz < _FOLLOWED_TO_HZ
    density = heard.hiss / np.array([band.high_hz - band.low_hz for band in stem.bands])
    powers = (2.0 * math.pi * mids_hz) ** 2 * stem.telling * heard.response / density
    return stem.send_speed * 1e6 / math.sqrt(max(2.0 * BIN_S * powers[told].sum(), 1e-12))


def forecast(tracks, expected, *, band_hz, rate_hz, draws=DRAWS, seed=1):
    """The forecast of a session as plain values.

    tracks: dicts of track, stem (a Stem), mix_db, role_bands. Returns tracks (over_hiss_db, two_click_rms_us, followed_rms_us as
    three points each, role_bands with `over_hiss_db` a draw), two_click_rms_us of all tracks, programme_over_hiss_db of the
    stack; nothing of it judged yet.
    """
    machines = [nominal_hiss(resolve(drawn_recorder(expected, seed * 1000 + k)), band_hz, rate_hz) for k in range(draws)]
    heard = [heard_by(machine, levels.analysis_bands(rate_hz), rate_hz) for machine in machines]
    steps = max((track["stem"].course.size for track in tracks), default=0)
    strayed_us = [wander_us(machine, steps, seed * 1000 + k) for k, machine in enumerate(machines)]
    rows, clicks_us, programme, hisses = [], [], np.zeros(draws), np.zeros(draws)
    for track in tracks:
        stem = track["stem"]
        if not stem.powers.any():
            empty = dict.fromkeys(("over_hiss_db", "two_click_rms_us", "followed_rms_us"))
            rows.append({"track": track["track"], **empty, "role_bands": []})
            continue
        over = [(one.response * stem.powers)[stem.chosen].sum() / one.hiss[stem.chosen].sum() for one in heard]
        clicks_us.append([two_click_rms_us(stem, one) for one in strayed_us])
        rows.append(
            {
                "track": track["track"],
                "over_hiss_db": points(power_db(np.maximum(over, 1e-12))),
                "two_click_rms_us": points(clicks_us[-1]),
                "followed_rms_us": points([followed_rms_us(stem, one) for one in heard]),
                "role_bands": [_role_band(one, stem, heard) for one in track["role_bands"]],
            }
        )
        both = np.array([_in_the_mix(stem, one, band_hz, rate_hz) for one in heard]) * power_from_db(track["mix_db"])
        programme, hisses = programme + both[:, 0], hisses + both[:, 1]
    stacked = (programme > 0) & (hisses > 0)
    return {
        "draws": draws,
        "guess": expected["guess"],
        "tracks": rows,
        "two_click_rms_us": points(np.ravel(clicks_us)) if clicks_us else None,
        "programme_over_hiss_db": points(power_db(programme[stacked] / hisses[stacked])) if stacked.any() else None,
    }


def _in_the_mix(stem, heard, band_hz, rate_hz):
    """(programme over the whole song, hiss): powers of a return in the medium's band at its stem's level; zeros where nothing of
    it stands over the hiss.
    """
    played = stem.played._replace(returned=heard.response * stem.played.returned + heard.hiss)
    level = levels.level_from_powers(played, heard.hiss, stem.bands, band_hz, rate_hz, quiet_s=_QUIET_S)
    if level.level_db is None:
        return 0.0, 0.0
    programme, hiss = heard.response * stem.whole, heard.hiss * shares_within(stem.bands, band_hz)
    return tuple(power_from_db(level.level_db) * np.array([programme[stem.chosen].sum(), hiss.sum()]))


def _role_band(wanted, stem, heard):
    """One of a role's bands with its distance over the hiss in each draw: of its third-octaves that can be told from the hiss,
    as a return's will be.
    """
    inner, over = bands_of_role(_mids_hz(stem.bands) / stem.send_speed, wanted), []
    for one in heard:
        signal = one.response * stem.played.returned
        told = inner & (signal > LEAST_COHERENCE * (signal + one.hiss))
        told = told if told.any() else inner
        over.append(signal[told].sum() / one.hiss[told].sum())
    kept = {key: wanted[key] for key in ("name", "low_hz", "high_hz", "importance")}
    return {**kept, "over_hiss_db": power_db(np.maximum(over, 1e-12)).tolist()}


def points(values):
    """The 10, 50 and 90 % points."""
    return [float(value) for value in np.percentile(values, POINTS)]
