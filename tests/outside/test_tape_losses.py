"""What short wavelengths lose, against the published formulas and their known values.

R. L. Wallace, Bell Syst. Tech. J. 30 (1951) 1145 (the citation from memory): spacing 54.6 d / wavelength dB; a coating loses what
its layers lose by their depth, on average. Time constants: IEC 60094-1. Corner frequencies: 1 / (2 pi t).
"""

from pathlib import Path

import numpy as np
import pytest
import yaml
from bounceproof.quantities import amplitude_db
from bounceproof.recorder import losses

MEDIA = yaml.safe_load((Path(__file__).resolve().parents[2] / "config" / "media.yaml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(("speed_cm_s", "loss_db"), [(2.4, 9.1), (1.2, 18.2), (4.76, 4.6)])
def test_a_micrometre_of_spacing_at_four_kilohertz(speed_cm_s, loss_db):
    wavelength = losses.wavelength_m(4000, speed_cm_s)
    assert amplitude_db(losses.spacing_loss(wavelength, 1.0)) == pytest.approx(-loss_db, abs=0.05)
    assert amplitude_db(losses.spacing_loss(wavelength, 1.0)) == pytest.approx(-54.575 * 1e-6 / wavelength, rel=1e-4)


@pytest.mark.parametrize("share", [0.05, 0.3, 1.0, 3.0])
def test_thickness_loss_is_the_mean_spacing_loss_of_the_layers(share):
    wavelength, coating_um = 10e-6, 10 * share
    layers_um = (np.arange(100_000) + 0.5) / 100_000 * coating_um
    mean = np.mean(10 ** (-54.575 * layers_um * 1e-6 / wavelength / 20))
    assert losses.thickness_loss(wavelength, coating_um) == pytest.approx(mean, rel=1e-4)


def test_thickness_loss_at_a_wavelength_as_long_as_the_coating_is_thick():
    """20 lg((1 - exp(-2 pi)) / (2 pi)) = -15.98 dB."""
    assert amplitude_db(losses.thickness_loss(5e-6, 5.0)) == pytest.approx(-15.98, abs=0.01)


def test_gap_loss_has_its_first_null_at_1_11_gaps():
    assert abs(losses.gap_loss(1.11e-6 * 2.0, 2.0)) < 1e-12
    # Half a wavelength in the effective gap: sin(pi/2)/(pi/2) = -3.92 dB.
    assert amplitude_db(losses.gap_loss(2 * 1.11e-6 * 2.0, 2.0)) == pytest.approx(-3.92, abs=0.01)


def test_ten_arc_minutes_on_a_track_of_1_5_mm_put_a_null_at_5500_hz():
    freq_hz = np.arange(3000.0, 8000.0, 5.0)
    left = np.abs(losses.azimuth_loss(losses.wavelength_m(freq_hz, 2.38125), 1.5, 10.0))
    assert freq_hz[np.argmin(left)] == pytest.approx(5460, rel=0.01)


@pytest.mark.parametrize(
    ("name", "constants_us"),
    [("cassette-i", [3180, 120]), ("cassette-iv", [3180, 70]), ("open-reel-19", [70]), ("open-reel-38", [35])],
)
def test_equalisation_of_the_media_is_the_standards(name, constants_us):
    assert MEDIA[name]["equalisation_us"] == constants_us


@pytest.mark.parametrize(("constant_us", "corner_hz"), [(120, 1326), (70, 2274), (35, 4547)])
def test_treble_rises_three_decibels_at_the_corner(constant_us, corner_hz):
    assert losses.equalisation_db(corner_hz, [constant_us]) == pytest.approx(3.01, abs=0.005)
    # Far above it 6 dB an octave: at ten corners 10 lg 101.
    assert losses.equalisation_db(10 * corner_hz, [constant_us]) == pytest.approx(20.04, abs=0.01)


def test_bass_is_lowered_below_50_hz():
    """3180 us is a corner of 50 Hz."""
    assert losses.equalisation_db(50.05, [3180, 120]) == pytest.approx(-3.00, abs=0.02)


def test_no_tape_no_losses_and_no_standard_no_equalisation():
    assert losses.wavelength_losses({"tape_speed_cm_s": None}, 1000) == {}
    small = {"equalisation_us": [], "azimuth_arc_minutes": 0.0, **MEDIA["dictation-2.4"]}
    found = losses.wavelength_losses(small, np.array([1000.0, 4000.0]))
    assert found["left"] == pytest.approx(found["total"])
    assert found["azimuth"] == pytest.approx([0.0, 0.0])


@pytest.mark.parametrize("name", [name for name, entry in MEDIA.items() if entry.get("equalisation_us")])
def test_standard_equalisation_nearly_makes_up_for_the_losses_within_the_band(name):
    """A deck's recording amplifier lifts the treble by 5 to 15 dB at most (common practice)."""
    medium = {"azimuth_arc_minutes": 0.0, **MEDIA[name]}
    edge = losses.wavelength_losses(medium, medium["band_high_hz"])
    assert -15 < edge["left"] < 0
    assert losses.wavelength_losses(medium, 2 * medium["band_high_hz"])["left"] < edge["left"] - 3
