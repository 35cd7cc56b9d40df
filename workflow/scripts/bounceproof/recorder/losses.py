"""What tape, heads and gap take off short wavelengths, and what the replay equaliser gives back: the published formulas.

Conventions: wavelength in m = tape speed / frequency, scalars or arrays; a loss is the amplitude left (1 = none; it changes its
sign beyond the null of a gap or of an azimuth error), dB of it are negative.
"""

import math

import numpy as np

from bounceproof.quantities import amplitude_db, power_db

# The effective gap is wider than the mechanical one: the first null lies at a wavelength of 1.11 gaps (common practice).
_GAP_FACTOR = 1.11


def wavelength_m(freq_hz, tape_speed_cm_s):
    """Wavelength on the tape; for nought Hz one without end."""
    return 1e-2 * tape_speed_cm_s / np.maximum(np.asarray(freq_hz, dtype=float), 1e-12)


def spacing_loss(wavelength, spacing_um):
    """Of a head `spacing_um` off the coating: exp(-2 pi d / wavelength), which is 54.6 d / wavelength dB.

    Source: R. L. Wallace, Bell Syst. Tech. J. 30 (1951) 1145.
    """
    return np.exp(-2.0 * math.pi * 1e-6 * spacing_um / wavelength)


def thickness_loss(wavelength, coating_um):
    """Of a coating magnetised all through: (1 - exp(-k c)) / (k c), k = 2 pi / wavelength. Source: Wallace 1951."""
    depth = np.maximum(2.0 * math.pi * 1e-6 * coating_um / wavelength, 1e-12)
    return -np.expm1(-depth) / depth


def gap_loss(wavelength, gap_um):
    """Of the replay head's gap: sin(x) / x, x = pi 1.11 g / wavelength."""
    return np.sinc(_GAP_FACTOR * 1e-6 * gap_um / wavelength)


def azimuth_loss(wavelength, track_width_mm, arc_minutes):
    """Of a gap that leans by an angle a: sin(x) / x, x = pi w tan(a) / wavelength."""
    return np.sinc(track_width_mm * 1e-3 * math.tan(math.radians(arc_minutes / 60.0)) / wavelength)


def equalisation_db(freq_hz, time_constants_us):
    """What the replay amplifier gives back against the flux on the tape, treble and (where there are two constants) bass.

    The flux falls as 1 / sqrt(1 + (2 pi f t)^2) with the shorter constant t, and rises towards low notes as
    sqrt(1 + 1 / (2 pi f T)^2) with the longer one T (IEC 60094-1); the amplifier does the opposite.
    """
    omega = 2.0 * math.pi * np.asarray(freq_hz, dtype=float)
    constants = sorted(1e-6 * value for value in time_constants_us)
    gain_db = np.zeros(omega.shape)
    if constants:
        gain_db = gain_db + power_db(1.0 + (omega * constants[0]) ** 2)
    if len(constants) > 1:
        gain_db = gain_db - power_db(1.0 + 1.0 / (omega * constants[1]) ** 2)
    return gain_db[()]


def wavelength_losses(medium, freq_hz):
    """{what: dB at freq_hz} of a medium (an entry of media.yaml): spacing, gap, thickness, azimuth, their `total`, and
    `left` (total and replay equalisation: what recording has to lift). Empty for a medium without tape.
    """
    if medium.get("tape_speed_cm_s") is None:
        return {}
    wavelength = wavelength_m(freq_hz, medium["tape_speed_cm_s"])
    losses = {
        "spacing": spacing_loss(wavelength, medium["spacing_um"]),
        "gap": gap_loss(wavelength, medium["gap_um"]),
        "thickness": thickness_loss(wavelength, medium["coating_um"]),
        "azimuth": azimuth_loss(wavelength, medium["track_width_mm"], medium["azimuth_arc_minutes"]),
    }
    losses_db = {name: amplitude_db(left) for name, left in losses.items()}
    total_db = sum(losses_db.values())
    return {**losses_db, "total": total_db, "left": total_db + equalisation_db(freq_hz, medium["equalisation_us"])}
