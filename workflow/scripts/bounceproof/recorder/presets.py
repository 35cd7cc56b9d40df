"""The simulated recorder's settings: what there is, the presets, and how they are combined.

Conventions: every name ends in its unit. Levels in dBFS count on the capture before `capture_gain_db`; `level_dbfs` of noise is
the rms between 350 and 4200 Hz, of a line or tone the peak of its sine. Explicit times of the record pass (and of everything
laid on the tape) count from the first sample sent, those of the replay pass and of dropouts from pressing play, in seconds.
An effect is off where its entry is None.
"""

import copy

# One pass of the tape. lines: [{rate_hz, percent, phase_deg}], percent = peak, phase drawn where it is left out.
# drift_percent: standard deviation of the random walk of speed after 60 s. random_percent: rms below random_corner_hz.
PASS = {
    "speed_percent": 0.0,
    "drift_percent": 0.0,
    "lines": [],
    "random_percent": 0.0,
    "random_corner_hz": 60.0,
    "slips": [],
    "swoop": None,
    "stops": [],
    "switches": [],
}

# Filled in where an effect is switched on with some of its properties only (or with `true`).
EFFECTS = {
    "record_band": {"low_hz": 350.0, "high_hz": 4200.0, "order": 2, "phase": "minimum"},
    "replay_band": {"low_hz": 350.0, "high_hz": 4200.0, "order": 2, "phase": "minimum"},
    "head": {
        "tape_speed_cm_s": 2.38,
        "track_width_mm": 1.5,
        "azimuth_arc_minutes": 0.0,
        "gap_um": 0.0,
        "spacing_um": 0.0,
        "coating_um": 0.0,
    },
    "automatic_level": {"target_dbfs": -12.0, "max_gain_db": 30.0, "range_db": 40.0, "attack_ms": 5.0, "release_ms": 800.0},
    "voice_activation": {"threshold_dbfs": -45.0, "hang_s": 2.0, "wake_ms": 120.0},
    "input_noise": {"level_dbfs": -80.0},
    "saturation": {"level_dbfs": -6.0, "second_percent": 0.5},
    "old_recording": {"below_signal_db": 35.0},
    "print_through": {"level_db": -50.0, "turn_s": 1.3},
    "hiss": {"below_signal_db": None, "level_dbfs": None, "rise_db": 0.0, "wide": False},
    "hum": {"mains_hz": 50.0, "level_dbfs": -60.0, "harmonics_db": [-6.0, -3.0, -12.0, -10.0]},
    "whine": {"rate_hz": 780.0, "level_dbfs": -60.0},
    "dropouts": {"per_minute": 0.0, "depth_db": 15.0, "length_ms": 40.0, "at": []},
}

PLAIN = {
    "input_gain_db": 0.0,
    "polarity": 1,
    "capture_rate_hz": None,
    "capture_gain_db": 0.0,
    "dc_percent": 0.0,
    "clips_at_dbfs": 0.0,
    "clock_error_ppm": 0.0,
    "pre_roll_s": 0.5,
    "post_roll_s": 1.0,
}

# Fields of the entries of lists; a value of None has to be given, others are what a missing one means.
ENTRIES = {
    "lines": {"rate_hz": None, "percent": None},
    "slips": {"time_s": None, "slip_ms": None, "within_ms": 20.0},
    "stops": {"time_s": None, "restart_s": "never", "within_ms": 60.0},
    "switches": {"time_s": None, "ratio": None, "within_ms": 150.0},
    "at": {"time_s": None, "depth_db": 15.0, "length_ms": 40.0},
}
_SWOOP = {"from_percent": -20.0, "settles_ms": 150.0}

_WOW_LINES = [{"rate_hz": 0.7, "percent": 0.2}, {"rate_hz": 2.3, "percent": 0.25}]
_FLUTTER_LINES = [{"rate_hz": 8.0, "percent": 0.15}, {"rate_hz": 25.0, "percent": 0.1}]

PRESETS = {
    # No recorder at all: a cable from output to input.
    "wire": {"pre_roll_s": 0.25, "post_roll_s": 0.25},
    # A well-kept cassette deck: one and seven eighths inches per second, +-0.06 % weighted or so for both passes together.
    "good-machine": {
        "record": {"lines": [{"rate_hz": 1.1, "percent": 0.02}, {"rate_hz": 9.2, "percent": 0.02}], "random_percent": 0.01},
        "replay": {
            "speed_percent": 0.3,
            "drift_percent": 0.02,
            "lines": [{"rate_hz": 1.1, "percent": 0.03}, {"rate_hz": 9.2, "percent": 0.03}, {"rate_hz": 23.0, "percent": 0.02}],
            "random_percent": 0.015,
        },
        "record_band": {"low_hz": 25.0, "high_hz": 15000.0, "order": 1},
        "replay_band": {"low_hz": 30.0, "high_hz": 14000.0, "order": 2},
        "saturation": {"level_dbfs": 0.0, "second_percent": 0.2},
        "hiss": {"level_dbfs": -64.0, "rise_db": 3.0},
        "print_through": {"level_db": -58.0},
    },
    # A pocket dictation machine: +-0.9 % weighted, 4 % slow, a level control that cannot be switched off, hiss 25 dB down.
    "pocket-machine": {
        "record": {
            "drift_percent": 0.1,
            "lines": [{"rate_hz": 1.3, "percent": 0.25}, {"rate_hz": 3.1, "percent": 0.3}, {"rate_hz": 11.0, "percent": 0.2}],
            "random_percent": 0.08,
        },
        "replay": {
            "speed_percent": -4.0,
            "drift_percent": 0.15,
            "lines": [
                {"rate_hz": 1.3, "percent": 0.3},
                {"rate_hz": 3.1, "percent": 0.43},
                {"rate_hz": 11.0, "percent": 0.28},
                {"rate_hz": 27.0, "percent": 0.2},
            ],
            "random_percent": 0.1,
        },
        "record_band": {"low_hz": 250.0, "high_hz": 4600.0, "order": 2},
        "replay_band": {"low_hz": 330.0, "high_hz": 4400.0, "order": 2},
        "automatic_level": {},
        "input_noise": {"level_dbfs": -85.0},
        "saturation": {"level_dbfs": -5.0, "second_percent": 1.5},
        "hiss": {"below_signal_db": 25.0, "rise_db": 4.0},
        "whine": {"rate_hz": 780.0, "level_dbfs": -66.0},
        "capture_gain_db": -3.0,
    },
    # A good specimen of it, its level set by hand: +-0.4 % weighted, 2 % slow; the demo's machine.
    "pocket-machine-good": {
        "record": {
            "drift_percent": 0.04,
            "lines": [{"rate_hz": 0.9, "percent": 0.1}, {"rate_hz": 2.7, "percent": 0.12}, {"rate_hz": 9.5, "percent": 0.08}],
            "random_percent": 0.03,
        },
        "replay": {
            "speed_percent": -2.1,
            "drift_percent": 0.05,
            "lines": [
                {"rate_hz": 0.9, "percent": 0.15},
                {"rate_hz": 2.7, "percent": 0.2},
                {"rate_hz": 9.5, "percent": 0.12},
                {"rate_hz": 24.0, "percent": 0.08},
            ],
            "random_percent": 0.04,
        },
        "record_band": {"low_hz": 250.0, "high_hz": 4600.0, "order": 2},
        "replay_band": {"low_hz": 330.0, "high_hz": 4400.0, "order": 2},
        "saturation": {"level_dbfs": -2.0, "second_percent": 1.0},
        "hiss": {"below_signal_db": 30.0, "rise_db": 3.0},
        "whine": {"rate_hz": 780.0, "level_dbfs": -80.0},
        "capture_gain_db": -3.0,
    },
    # A good specimen of a dictation machine, whose whole motion lies in one pass; its hiss is set by whoever uses it.
    "prototype": {
        "replay": {
            "speed_percent": 1.2,
            "drift_percent": 0.05,
            "lines": _WOW_LINES + _FLUTTER_LINES,
            "random_percent": 0.05,
        },
        "replay_band": {"low_hz": 350.0, "high_hz": 4200.0, "order": 2},
        "hiss": {"below_signal_db": 35.0},
    },
}


class RecorderProblem(ValueError):
    """A recorder's settings cannot be used; its text is one sentence that says which, and what is expected."""


def defaults():
    """All settings with every effect off: a wire without pre-roll differences."""
    off = dict.fromkeys(EFFECTS)
    return {"record": copy.deepcopy(PASS), "replay": copy.deepcopy(PASS), **off, **PLAIN}


def resolve(recorder):
    """Complete, checked settings of a simulated recorder.

    Parameters: `recorder`: a preset's name, or a dict with an optional `preset` (default `wire`) and whatever differs from it,
    either at the top or under `settings`; nested (`hiss: {level_dbfs: -60}`) or with dots (`hiss.level_dbfs: -60`); an effect is
    switched off with `false` or None. Returns a new nested dict of plain Python. Raises `RecorderProblem`.
    """
    wanted = {"preset": recorder} if isinstance(recorder, str) else dict(recorder)
    preset = wanted.pop("preset", None) or "wire"
    if preset not in PRESETS:
        raise RecorderProblem(f"There is no simulated recorder called {preset!r}; expected one of {', '.join(PRESETS)}.")
    settings = defaults()
    for layer in (PRESETS[preset], wanted.pop("settings", None) or {}, wanted):
        _lay_over(settings, _nested(layer))
    _check_values(settings)
    return settings


def _nested(layer):
    """The layer with dotted keys opened up."""
    nested = {}
    for key, value in layer.items():
        *path, last = key.split(".")
        inner = nested
        for name in path:
            inner = inner.setdefault(name, {})
            if not isinstance(inner, dict):
                raise RecorderProblem(f"The recorder's {key!r} does not go with {name}: {inner!r}; expected one.")
        if isinstance(value, dict) and isinstance(inner.get(last), dict):
            inner[last].update(copy.deepcopy(value))
        else:
            inner[last] = copy.deepcopy(value)
    return nested


def _lay_over(settings, layer):
    for key, value in layer.items():
        if key not in settings:
            raise RecorderProblem(f"The simulated recorder has no setting {key!r}; expected one of {', '.join(settings)}.")
        if key in ("record", "replay"):
            _lay_over_pass(settings[key], value, key)
        elif key in EFFECTS:
            settings[key] = _effect(key, settings[key], value)
        else:
            _refuse_other_kind(key, value, PLAIN[key])
            settings[key] = value


def _effect(name, current, value):
    if value is None or value is False:
        return None
    value = {} if value is True else value
    if not isinstance(value, dict):
        raise RecorderProblem(f"{name} is {value!r}; expected its properties, or false.")
    _refuse_unknown(name, value, EFFECTS[name])
    merged = {**copy.deepcopy(EFFECTS[name]), **(current or {})}
    if name == "hiss" and value.keys() & {"below_signal_db", "level_dbfs"}:
        merged.update(below_signal_db=None, level_dbfs=None)
    merged.update(value)
    if name == "dropouts":
        merged["at"] = [_entry("dropouts.at", "at", entry) for entry in merged["at"]]
    return merged


def _lay_over_pass(settings, layer, name):
    _refuse_unknown(name, layer, PASS)
    for key, value in layer.items():
        if key in ENTRIES:
            settings[key] = [_entry(f"{name}.{key}", key, entry) for entry in value or []]
        elif key == "swoop" and value not in (None, False):
            value = {} if value is True else value
            _refuse_unknown(f"{name}.swoop", value, _SWOOP)
            settings[key] = {**_SWOOP, **value}
        else:
            settings[key] = value or PASS[key]


def _entry(where, kind, entry):
    fields = ENTRIES[kind]
    allowed = {**fields, "phase_deg": 0.0} if kind == "lines" else fields
    _refuse_unknown(where, entry, allowed)
    for field, value in fields.items():
        if value is None and field not in entry:
            raise RecorderProblem(f"{where}: {entry} lacks {field}; expected {', '.join(allowed)}.")
    complete = {**fields, **entry}
    if complete.get("restart_s") == "never":
        complete["restart_s"] = None
    return complete


def _refuse_unknown(where, given, known):
    if not isinstance(given, dict):
        raise RecorderProblem(f"{where} is {given!r}; expected some of {', '.join(known)}.")
    for key, value in given.items():
        if key not in known:
            raise RecorderProblem(f"{where} has no property {key!r}; expected one of {', '.join(known)}.")
        _refuse_other_kind(f"{where}.{key}", value, known[key])


def _refuse_other_kind(where, value, example):
    """A sentence for a value of another kind than the default's; None stands for a number that has none."""
    if isinstance(example, bool) or value is None:
        kind, fits = "true or false", value is None or isinstance(value, bool)
    elif isinstance(example, list):
        kind, fits = "a list", isinstance(value, list)
    elif isinstance(example, str) and example != "never":
        kind, fits = "a word", isinstance(value, str)
    elif isinstance(example, dict) or where.endswith(".swoop"):
        return
    else:
        kind, fits = "a number", (isinstance(value, (int, float)) and not isinstance(value, bool)) or value == example
    if not fits:
        raise RecorderProblem(f"{where} is {value!r}; expected {kind}.")


def _check_values(settings):
    for name in ("record", "replay"):
        _check_pass(settings[name], name)
    for name in ("record_band", "replay_band"):
        band = settings[name]
        if band and band["phase"] not in ("minimum", "zero"):
            raise RecorderProblem(f"{name}.phase is {band['phase']!r}; expected minimum or zero.")
        if band and band["low_hz"] and band["high_hz"] and band["low_hz"] >= band["high_hz"]:
            raise RecorderProblem(f"{name} runs from {band['low_hz']} to {band['high_hz']} Hz; expected low_hz under high_hz.")
    if settings["polarity"] not in (1, -1):
        raise RecorderProblem(f"polarity is {settings['polarity']!r}; expected 1 or -1.")
    hiss = settings["hiss"]
    if hiss and (hiss["below_signal_db"] is None) == (hiss["level_dbfs"] is None):
        raise RecorderProblem("hiss needs one of below_signal_db and level_dbfs, not both.")


def _check_pass(motion, name):
    if motion["speed_percent"] <= -90:
        raise RecorderProblem(f"{name}.speed_percent is {motion['speed_percent']}; expected above -90.")
    for slip in motion["slips"]:
        if slip["slip_ms"] < -0.4 * slip["within_ms"]:
            raise RecorderProblem(
                f"{name}.slips: {slip['slip_ms']} ms within {slip['within_ms']} ms would run the tape backwards; "
                "expected a loss of at most 0.4 of within_ms."
            )
    for stop in motion["stops"]:
        still_s = stop["time_s"] + stop["within_ms"] / 1000.0
        if stop["restart_s"] is not None and stop["restart_s"] < still_s:
            raise RecorderProblem(
                f"{name}.stops: restart_s is {stop['restart_s']}; expected {still_s:g} or later, when the tape stands."
            )
