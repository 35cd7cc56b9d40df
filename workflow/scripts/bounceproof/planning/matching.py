"""From an interface's line output into a recorder's microphone input, and back: which resistors, and what they really do.

Conventions: levels in volts rms of a sine; "full scale" = the sine whose peaks are 0 dBFS; resistances in ohms, capacitances in
farads; a gain in dB is from the output's open-circuit voltage to the voltage at the input, so that both impedances count. An L
pad has one series resistor and a shunt, a U pad one series resistor in each pole.
"""

import math
from typing import NamedTuple

from bounceproof.quantities import amplitude_db, amplitude_from_db

# 0 dBu = 1 mW into 600 ohms; 0 dBV = 1 V.
_VOLTS = {"dBu": math.sqrt(0.6), "dBV": 1.0}
# IEC 60063: the 24 values of E24 are a table (eight are not the rounded formula, from memory), those of E96 the formula's.
_E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1)
_SERIES = {
    "E6": (1.0, 1.5, 2.2, 3.3, 4.7, 6.8),
    "E24": _E24,
    "E96": tuple(round(100 * 10 ** (i / 96)) / 100 for i in range(96)),
}
_BOLTZMANN, _ROOM_K = 1.380649e-23, 293.0

# Common practice, no source: a fixed lead of 40 dB, the rest on the interface's output control, which is good for some 20 dB.
LEAD_DB, CONTROL_DB = 40.0, 20.0
# From memory: with an automatic level control a portable's microphone input takes some 20 to 40 dB more than its full level.
LEVEL_CONTROL_TAKES_DB = 20.0
# A line output wants to see at least so much (common practice: ten times its own impedance, or 1 kilohm).
_LEAST_LOAD_OHM = 1000.0
_SHUNTS_OHM = (47.0, 10e3)
_USUAL_SHUNT_OHM = 100.0
_LEAST_PAD_DB = 6.0
_NEAR_ENOUGH_DB = 0.05
# What the capacitor may take off the lowest frequency wanted: its corner lies at a tenth of that (0.04 dB).
_CORNER_SHARE = 0.1
# An interface's converter, where nothing is said (common practice, no source).
_CONVERTER_RANGE_DB = 100.0


class Pad(NamedTuple):
    """A pad in preferred values: kind ("L" or "U"), series, series_ohm (each arm's), shunt_ohm, and what it does in the chain.

    gain_db, unloaded_gain_db: with and without the input's load; output_sees_ohm, input_sees_ohm: impedances both ways;
    noise_uv: thermal noise of what the input sees, in the band; noise_below_full_db: how far that lies under the input's full
    level.
    """

    kind: str
    series: str
    series_ohm: float
    shunt_ohm: float
    gain_db: float
    unloaded_gain_db: float
    output_sees_ohm: float
    input_sees_ohm: float
    noise_uv: float
    noise_below_full_db: float


def volts(level, unit):
    """A level in "dBu", "dBV" or "V" as volts."""
    return float(level) if unit == "V" else _VOLTS[unit] * float(amplitude_from_db(level))


def in_parallel(one_ohm, other_ohm):
    return one_ohm if math.isinf(other_ohm) else one_ohm * other_ohm / (one_ohm + other_ohm)


def pad_gain_db(arms_ohm, shunt_ohm, *, source_ohm=0.0, load_ohm=math.inf):
    """Gain of a divider: (R2 || RL) / (Rs + R1 + R2 || RL); arms_ohm: all that lies in series, both arms of a U pad together."""
    below_ohm = in_parallel(shunt_ohm, load_ohm)
    return float(amplitude_db(below_ohm / (source_ohm + arms_ohm + below_ohm)))


def preferred_values(series, low, high):
    """All values of a series of IEC 60063 ("E6", "E24", "E96") from low to high, in order."""
    decades = range(math.floor(math.log10(low)), math.floor(math.log10(high)) + 1)
    values = [round(value * 10.0**decade, 14) for decade in decades for value in _SERIES[series]]
    return [value for value in values if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]


def nearest_preferred(value, series):
    """The value of a series with the least ratio to `value`."""
    return min(preferred_values(series, value / 2, value * 2), key=lambda one: abs(math.log(one / value)))


def corner_hz(ohm, farad):
    """-3 dB frequency of a capacitor in series with a resistance: 1 / (2 pi R C)."""
    return 1.0 / (2.0 * math.pi * ohm * farad)


def thermal_noise_v(ohm, bandwidth_hz):
    """Noise of a resistance at room temperature: sqrt(4 k T R B) (Johnson, Nyquist; Phys. Rev. 32 (1928) 97, 110)."""
    return math.sqrt(4.0 * _BOLTZMANN * _ROOM_K * ohm * bandwidth_hz)


def choose_pad(kind, attenuation_db, series, *, source_ohm, load_ohm, full_v, bandwidth_hz):
    """The Pad that comes nearest to an attenuation; None where so little is wanted that no pad is needed.

    Every shunt of the series from 47 ohms to 10 kilohms is tried with the arm it asks for. Of those within 0.05 dB, or else of
    the nearest, the one whose shunt lies nearest to 100 ohms: low enough that load and hum matter little, high enough for the
    output.
    """
    if attenuation_db < _LEAST_PAD_DB:
        return None
    arms = {"L": 1, "U": 2}[kind]
    tries = []
    for shunt_ohm in preferred_values(series, *_SHUNTS_OHM):
        below_ohm = in_parallel(shunt_ohm, load_ohm)
        due_ohm = below_ohm * (float(amplitude_from_db(attenuation_db)) - 1.0) - source_ohm
        if due_ohm + below_ohm < _LEAST_LOAD_OHM:
            continue
        arm_ohm = nearest_preferred(due_ohm / arms, series)
        error_db = abs(pad_gain_db(arms * arm_ohm, shunt_ohm, source_ohm=source_ohm, load_ohm=load_ohm) + attenuation_db)
        unusual = abs(math.log(shunt_ohm / _USUAL_SHUNT_OHM))
        tries.append((max(error_db, _NEAR_ENOUGH_DB), unusual, shunt_ohm, arm_ohm))
    if not tries:
        return None
    _, _, shunt_ohm, arm_ohm = min(tries)
    return described_pad(
        kind, series, arm_ohm, shunt_ohm, source_ohm=source_ohm, load_ohm=load_ohm, full_v=full_v, bandwidth_hz=bandwidth_hz
    )


def described_pad(kind, series, series_ohm, shunt_ohm, *, source_ohm, load_ohm, full_v, bandwidth_hz):
    """The Pad of given values in its chain."""
    arms_ohm = {"L": 1, "U": 2}[kind] * series_ohm
    input_sees_ohm = in_parallel(shunt_ohm, arms_ohm + source_ohm)
    noise_v = thermal_noise_v(input_sees_ohm, bandwidth_hz)
    return Pad(
        kind,
        series,
        series_ohm,
        shunt_ohm,
        pad_gain_db(arms_ohm, shunt_ohm, source_ohm=source_ohm, load_ohm=load_ohm),
        pad_gain_db(arms_ohm, shunt_ohm, source_ohm=source_ohm),
        arms_ohm + in_parallel(shunt_ohm, load_ohm),
        input_sees_ohm,
        1e6 * noise_v,
        float(amplitude_db(full_v / noise_v)),
    )


def blocking_capacitor(load_ohm, source_ohm, lowest_hz):
    """(farads, corner in Hz): the least value of E6 whose corner lies at a tenth of the lowest frequency, or under it.

    Load and source lie in series with the capacitor. Never under 1 microfarad.
    """
    ohm = load_ohm + source_ohm
    due = max(1e-6, 1.0 / (2.0 * math.pi * ohm * _CORNER_SHARE * lowest_hz))
    farad = next(value for value in preferred_values("E6", due, 10 * due))
    return farad, corner_hz(ohm, farad)


def plan_matching(settings, *, send_db, band_hz, automatic_level, hiss_below_full_db):
    """All that a person needs to join interface and recorder, as plain values.

    settings: the session's `matching` (what is None there is assumed, and said so in `assumed`). send_db: peak of a transfer in
    dBFS; automatic_level, hiss_below_full_db, band_hz: the medium's. Returns a dict: levels, attenuation_db (from full scale's
    open-circuit voltage at the transfers' peak to the input's full level), attenuation_from_db (an automatic level control takes
    more; else the same), aimed_db (what the pads are for), pads, capacitor, lead (whether a fixed one of 40 dB is enough), back
    (the way to the line input).
    """
    assumed = [key for key in _ASSUMED if settings.get(key) is None]
    known = {**settings, **{key: _ASSUMED[key] for key in assumed}}
    output_v = volts(known["output_full_scale"], known["output_unit"])
    input_v = 1e-3 * known["input_full_mv"]
    sent_v = output_v * float(amplitude_from_db(send_db))
    attenuation_db = float(amplitude_db(sent_v / input_v))
    from_db = attenuation_db - (LEVEL_CONTROL_TAKES_DB if automatic_level else 0.0)
    chain = {
        "source_ohm": known["output_ohm"],
        "load_ohm": known["input_ohm"],
        "full_v": input_v,
        "bandwidth_hz": band_hz[1] - band_hz[0],
    }
    # In the middle of what the input takes, so that the output control has room both ways.
    aimed_db = 0.5 * (from_db + attenuation_db)
    pads = [choose_pad(kind, aimed_db, series, **chain) for kind in ("L", "U") for series in ("E24", "E96")]
    pads = [pad for pad in pads if pad is not None]
    seen_ohm = pads[0].input_sees_ohm if pads else known["output_ohm"]
    farad, farad_hz = blocking_capacitor(known["input_ohm"], seen_ohm, band_hz[0])
    return {
        "assumed": assumed,
        "output_full_scale_v": output_v,
        "output_balanced": known["output_balanced"],
        "output_ohm": known["output_ohm"],
        "send_db": send_db,
        "sent_v": sent_v,
        "input_full_v": input_v,
        "input_ohm": known["input_ohm"],
        "plug_in_power": known["plug_in_power"],
        "automatic_level": automatic_level,
        "attenuation_db": attenuation_db,
        "attenuation_from_db": from_db,
        "aimed_db": aimed_db,
        "pads": [pad._asdict() for pad in pads],
        "capacitor_uf": 1e6 * farad,
        "capacitor_corner_hz": farad_hz,
        "lead": fixed_lead(attenuation_db, automatic_level, hiss_below_full_db),
        "back": way_back(known),
    }


_ASSUMED = {"output_full_scale": 12.0, "input_full_mv": 0.25, "earphone_full_mv": 500.0}


def fixed_lead(attenuation_db, automatic_level, hiss_below_full_db):
    """Whether a fixed lead of 40 dB does, the rest on the output control (common practice, no source).

    rest_db: what the control has to take off; enough: it lies between nothing and some 20 dB (an automatic level control takes
    20 dB more besides). converter_under_hiss_db: how far, with the control a digital one, the converter's noise then still lies
    under the tape's hiss.
    """
    rest_db = attenuation_db - LEAD_DB
    least_db = rest_db - (LEVEL_CONTROL_TAKES_DB if automatic_level else 0.0)
    return {
        "lead_db": LEAD_DB,
        "rest_db": rest_db,
        "least_rest_db": least_db,
        "enough": rest_db >= 0 and least_db <= CONTROL_DB,
        "converter_under_hiss_db": _CONVERTER_RANGE_DB - max(least_db, 0.0) - hiss_below_full_db,
    }


def way_back(known):
    """From the recorder's earphone output into a line input, as plain values.

    level_db: the earphone's full level against the line input's full scale; a load of about the earphone's own impedance keeps
    output transformer and capacitor at work; load_mw: what it has to bear; pad: where the level lies over full scale.
    """
    unit, full = known["output_unit"], known["output_full_scale"]
    line = full if known["line_full_scale"] is None else known["line_full_scale"]
    line_v, earphone_v = volts(line, unit), 1e-3 * known["earphone_full_mv"]
    level_db = float(amplitude_db(earphone_v / line_v))
    load_ohm = nearest_preferred(known["earphone_ohm"], "E24")
    chain = {"source_ohm": 0.0, "load_ohm": known["line_input_ohm"], "full_v": line_v, "bandwidth_hz": 20e3}
    pad = choose_pad("L", max(level_db + 6.0, 0.0), "E24", **chain) if level_db > -6.0 else None
    return {
        "earphone_full_v": earphone_v,
        "line_full_scale_v": line_v,
        "level_db": level_db,
        "load_ohm": load_ohm,
        "load_mw": 1e3 * earphone_v**2 / load_ohm,
        "line_input_ohm": known["line_input_ohm"],
        "pad": None if pad is None else pad._asdict(),
    }
