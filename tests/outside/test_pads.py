"""Pads, levels and preferred values against handbook examples.

Dividers and levels: worked examples from the plain formulas (computed by hand, to 0.01 dB). IEC 60063: the E24 values are a table
(from memory), E96 follows 100 x 10^(i/96). Thermal noise: H. Nyquist, Phys. Rev. 32 (1928) 110; the value for 1 kilohm over
20 kHz (0.57 uV) is handbook knowledge, from memory.
"""

import math

import pytest
from bounceproof.planning import matching
from bounceproof.quantities import amplitude_db


@pytest.mark.parametrize(
    ("series_ohm", "shunt_ohm", "unloaded_db", "loaded_db"),
    [(10e3, 100, -40.09, -40.73), (33e3, 100, -50.40, -50.98), (10e3, 10, -60.01, None)],
)
def test_worked_examples_of_l_pads(series_ohm, shunt_ohm, unloaded_db, loaded_db):
    """Loaded: from 100 ohms into 1.5 kilohms."""
    assert matching.pad_gain_db(series_ohm, shunt_ohm) == pytest.approx(unloaded_db, abs=0.01)
    if loaded_db is not None:
        gain_db = matching.pad_gain_db(series_ohm, shunt_ohm, source_ohm=100, load_ohm=1500)
        assert gain_db == pytest.approx(loaded_db, abs=0.01)


def test_levels():
    assert matching.volts(0, "dBu") == pytest.approx(0.7746, abs=5e-5)
    assert matching.volts(4, "dBu") == pytest.approx(1.2277, abs=5e-5)
    assert matching.volts(-10, "dBV") == pytest.approx(0.3162, abs=5e-5)
    assert amplitude_db(matching.volts(4, "dBu") / matching.volts(-10, "dBV")) == pytest.approx(11.78, abs=0.01)


def test_preferred_values_are_those_of_the_standard():
    e24 = "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1"
    assert matching.preferred_values("E24", 1, 9.9) == [float(one) for one in e24.split()]
    e96 = matching.preferred_values("E96", 100, 999)
    assert len(e96) == 96
    # Values printed on every 1 % resistor chart (common practice).
    assert {102, 147, 215, 316, 464, 681, 931, 976} <= {round(value) for value in e96}
    for value, exact in zip(e96, (100 * 10 ** (i / 96) for i in range(96)), strict=True):
        assert value == pytest.approx(exact, abs=0.5)


def test_corner_of_the_blocking_capacitor():
    assert matching.corner_hz(1500, 10e-6) == pytest.approx(10.6, abs=0.05)


def test_noise_of_a_kilohm():
    assert 1e6 * matching.thermal_noise_v(1000, 20e3) == pytest.approx(0.57, abs=0.005)


def test_u_pad_is_the_l_pad_split_over_both_poles():
    chain = {"source_ohm": 100, "load_ohm": 1500, "full_v": 1e-3, "bandwidth_hz": 3600}
    one = matching.described_pad("U", "E24", 5.1e3, 100, **chain)
    assert one.gain_db == pytest.approx(matching.pad_gain_db(10.2e3, 100, source_ohm=100, load_ohm=1500))
    below = 100 * 1500 / 1600
    assert one.gain_db == pytest.approx(20 * math.log10(below / (100 + 10.2e3 + below)), abs=1e-9)
    assert one.output_sees_ohm == pytest.approx(10.2e3 + below)
