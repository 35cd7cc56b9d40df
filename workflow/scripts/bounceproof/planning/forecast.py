"""What a session may expect before a note of it is recorded: many recorders drawn at random, each track's fate in each of them.

A recorder is drawn from what is known of it: the medium's typical figures, or the measured ones with their uncertainty. Signal
and hiss follow from the stems' own spectra, the drawn response and the drawn hiss; the timing of two clicks from a drawn motion
of both passes; what following leaves, from the Cramer-Rao bound at the signal over hiss found.
Conventions: plain dicts; levels as sent or as replayed, in dBFS; ranges are the 10, 50 and 90 % points over the draws.
"""

import math

import numpy as np

from bounceproof import spectra
from bounceproof.condition import level as levels
from bounceproof.quantities import SINE_CREST_DB, flutter_weighting_db, power_db, shares_within
from bounceproof.recorder import channel
from bounceproof.recorder.motion import tape_motion
from bounceproof.recorder.presets import resolve

DRAWS = 60
POINTS = (10.0, 50.0, 90.0)
# Rates of a capstan, a pinch roller and a motor, and how their shares compare (common practice).
_LINES = ((0.9, 0.5), (2.7, 0.8), (9.5, 0.5))
# A sum of a few sines exceeds 1.75 times its rms 5 % of the time (between a sine's 1.41 and noise's 1.96).
_TWO_SIGMA = 1.75
_ORDER = 2
# The -3 dB point of two such edges in a row lies at this share of theirs: 2 * 10 lg(1 + x^4) = 3.01 dB.
_BOTH_EDGES = 0.8022
# Windows in which following finds its way: it gains little beyond what the tape's wow lets stand still (our own estimate).
_WINDOW_S, _FOLLOW_FACTOR = 0.02, 1.5


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


class Stem:
    """What a forecast needs of a stem: powers: mean power per third-octave band while it plays, as sent and behind the level
    control; own_power: in the medium's band, at the stem's own level; duration_s. Frequencies and durations as on the tape,
    send_speed times faster than the stem's own.
    """

    def __init__(self, samples, rate_hz, band_hz, *, send_db, control, send_speed=1):
        self.send_speed, rate_hz = send_speed, rate_hz * send_speed
        self.bands = levels.analysis_bands(rate_hz)
        peak = float(np.max(np.abs(samples))) or 1.0
        sent = np.asarray(samples, dtype=float) * (10 ** (send_db / 20) / peak)
        self.duration_s, self.rate_hz = sent.size / rate_hz, rate_hz
        if control:
            law = {**_LAW, "target_dbfs": control["knee_db"], "max_gain_db": 0.0, "range_db": control["range_db"]}
            sent = sent * channel.control_gain(*channel.level_control(sent, law, rate_hz), sent.size, rate_hz)
        powers = spectra.band_powers([np.asarray(samples), sent], rate_hz, self.bands)
        self.chosen = levels.inside(self.bands, band_hz)
        mask = spectra.playing(powers[:, 0, self.chosen].sum(axis=1))
        own, self.powers = powers[mask].mean(axis=0) if mask.any() else np.zeros((2, len(self.bands)))
        self.own_power = float(own[self.chosen].sum())


_DEEPEST = 0.1
_LAW = {"attack_ms": 5.0, "release_ms": 800.0}


def through(stem, settings):
    """(signal, hiss): power per band of a Stem's return from a drawn recorder."""
    mids_hz = np.array([band.mid_hz for band in stem.bands])
    widths_hz = np.array([band.high_hz - band.low_hz for band in stem.bands])
    record, replay = (
        np.abs(channel.band_response(settings[name], mids_hz, stem.rate_hz)) for name in ("record_band", "replay_band")
    )
    gain = 10 ** (settings["capture_gain_db"] / 10)
    flat = np.linspace(*channel.HISS_BAND_HZ, 400)
    share = np.trapezoid(np.abs(channel.band_response(settings["replay_band"], flat, stem.rate_hz)) ** 2, flat)
    density = 10 ** (settings["hiss"]["level_dbfs"] / 10) / share
    response = record * replay
    # Far down the slopes there are other noises than hiss: what lies there is lost.
    heard = response > _DEEPEST * response.max()
    return gain * stem.powers * heard * response**2, gain * density * replay**2 * widths_hz


def nominal_hiss(settings, band_hz, rate_hz):
    """The same settings, their hiss meant within the nominal band made into the recorder's own measure (350 to 4200 Hz)."""
    replay = settings["replay_band"]

    def power(low_hz, high_hz):
        freq_hz = np.linspace(low_hz, min(high_hz, 0.48 * rate_hz), 600)
        return np.trapezoid(np.abs(channel.band_response(replay, freq_hz, rate_hz)) ** 2, freq_hz)

    shift_db = 10 * math.log10(power(*channel.HISS_BAND_HZ) / power(*band_hz))
    return {**settings, "hiss": {**settings["hiss"], "level_dbfs": settings["hiss"]["level_dbfs"] + shift_db}}


def two_click_rms_us(settings, duration_s, seed):
    """Rms of the timing error that a straight line between two clicks leaves over so long a song."""
    motion = tape_motion(settings["record"], settings["replay"], duration_s + 6.0, seed=seed, margin_s=1.0)
    sent_s = np.linspace(3.0, 3.0 + duration_s, max(200, int(duration_s * 40)))
    heard_s = motion.capture_at(sent_s)
    line = np.interp(sent_s, sent_s[[0, -1]], heard_s[[0, -1]])
    error_us = 1e6 * (heard_s - line)
    return float(np.sqrt(np.mean((error_us - error_us.mean()) ** 2)))


def followed_rms_us(stem, signal, hiss):
    """What following leaves: the Cramer-Rao bound of a window of 20 ms, J = 2 T sum B (2 pi f)^2 S / N over the bands, and half
    as much again. Source of the bound: A. Quazi, IEEE ASSP-29 (1981) 527, for a known reference and a spectrum that is not flat.
    """
    mids_hz = np.array([band.mid_hz for band in stem.bands])
    widths_hz = np.array([band.high_hz - band.low_hz for band in stem.bands])
    information = 2.0 * _WINDOW_S * np.sum((widths_hz * (2.0 * math.pi * mids_hz) ** 2 * signal / hiss)[stem.chosen])
    return stem.send_speed * 1e6 * _FOLLOW_FACTOR / math.sqrt(max(information, 1e-12))


def forecast(tracks, expected, *, band_hz, rate_hz, draws=DRAWS, seed=1):
    """The forecast of a session as plain values.

    tracks: dicts of track, stem (a Stem), mix_db, role_bands. Returns tracks (over_hiss_db, followed_rms_us as three points each,
    role_bands with `over_hiss_db` a draw), two_click_rms_us, programme_over_hiss_db of the stack; nothing of it judged yet.
    """
    machines = [nominal_hiss(resolve(drawn_recorder(expected, seed * 1000 + k)), band_hz, rate_hz) for k in range(draws)]
    longest_s = max((track["stem"].duration_s for track in tracks), default=0.0)
    timing = [two_click_rms_us(machine, longest_s, seed * 1000 + k) for k, machine in enumerate(machines)]
    rows, programme, hisses = [], np.zeros(draws), np.zeros(draws)
    for track in tracks:
        stem = track["stem"]
        if not stem.powers.any():
            rows.append({"track": track["track"], "over_hiss_db": None, "followed_rms_us": None, "role_bands": []})
            continue
        both = [through(stem, machine) for machine in machines]
        over = np.array([signal[stem.chosen].sum() / hiss[stem.chosen].sum() for signal, hiss in both])
        rows.append(
            {
                "track": track["track"],
                "over_hiss_db": points(power_db(over)),
                "followed_rms_us": points([followed_rms_us(stem, *one) for one in both]),
                "role_bands": [_role_band(one, stem, both) for one in track["role_bands"]],
            }
        )
        # At the mix's gain each return is as loud as its stem within the band.
        loud = stem.own_power * 10 ** (track["mix_db"] / 10)
        programme += loud
        hisses += loud / over
    below = points(power_db(programme / hisses)) if hisses.any() else None
    return {
        "draws": draws,
        "guess": expected["guess"],
        "tracks": rows,
        "two_click_rms_us": points(timing),
        "programme_over_hiss_db": below,
    }


def _role_band(wanted, stem, both):
    """One of a role's bands with its distance over the hiss in each draw."""
    share = shares_within(stem.bands, [wanted[key] * stem.send_speed for key in ("low_hz", "high_hz")])
    over = [(signal * share).sum() / max((hiss * share).sum(), 1e-30) for signal, hiss in both]
    kept = {key: wanted[key] for key in ("name", "low_hz", "high_hz", "importance")}
    return {**kept, "over_hiss_db": power_db(np.maximum(over, 1e-12)).tolist()}


def points(values):
    """The 10, 50 and 90 % points."""
    return [float(value) for value in np.percentile(values, POINTS)]
