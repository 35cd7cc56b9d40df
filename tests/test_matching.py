"""Input matching: pads in preferred values, what is assumed, when a fixed lead is enough, the page."""

import xml.etree.ElementTree as ET

import pytest
from bounceproof.planning import matching
from bounceproof.report.matching_page import drawings, matching_page
from fake_session import run
from hypothesis import given, settings
from hypothesis import strategies as st

GIVEN = {
    "output_full_scale": 12.0,
    "output_unit": "dBu",
    "output_ohm": 100.0,
    "output_balanced": False,
    "input_full_mv": 1.0,
    "input_ohm": 1500.0,
    "plug_in_power": True,
    "earphone_full_mv": 500.0,
    "earphone_ohm": 8.0,
    "line_full_scale": None,
    "line_input_ohm": 10000.0,
}
MEDIUM = {"send_db": -6.0, "band_hz": (400.0, 4000.0), "automatic_level": False, "hiss_below_full_db": 35.0}


def plan(*, medium=MEDIUM, **settings):
    return matching.plan_matching({**GIVEN, **settings}, **medium)


@settings(deadline=None, max_examples=40)
@given(
    attenuation_db=st.floats(8, 85),
    series=st.sampled_from(["E24", "E96"]),
    kind=st.sampled_from(["L", "U"]),
    source_ohm=st.floats(0, 200),
    load_ohm=st.floats(600, 100e3),
)
def test_a_pad_does_what_was_asked_in_values_one_can_buy(attenuation_db, series, kind, source_ohm, load_ohm):
    chain = {"source_ohm": source_ohm, "load_ohm": load_ohm, "full_v": 1e-3, "bandwidth_hz": 3600.0}
    pad = matching.choose_pad(kind, attenuation_db, series, **chain)
    assert pad.gain_db == pytest.approx(-attenuation_db, abs=0.3)
    assert pad.output_sees_ohm >= 900
    for value in (pad.series_ohm, pad.shunt_ohm):
        assert matching.nearest_preferred(value, series) == pytest.approx(value)


def test_attenuation_is_from_the_transfers_peak_to_the_inputs_full_level():
    found = plan()
    # +12 dBu is 3.084 V; 6 dB less, over 1 mV.
    assert found["attenuation_db"] == pytest.approx(63.78, abs=0.01)
    assert found["attenuation_from_db"] == found["attenuation_db"]
    assert {(pad["kind"], pad["series"]) for pad in found["pads"]} == {(k, s) for k in "LU" for s in ("E24", "E96")}
    for pad in found["pads"]:
        assert pad["gain_db"] == pytest.approx(-63.78, abs=0.06)


def test_a_level_control_takes_more_and_the_pad_lies_between():
    found = plan(medium={**MEDIUM, "automatic_level": True})
    assert found["attenuation_from_db"] == pytest.approx(found["attenuation_db"] - 20)
    assert found["aimed_db"] == pytest.approx(found["attenuation_db"] - 10)


@pytest.mark.parametrize(
    ("input_full_mv", "automatic", "enough"), [(1.0, False, False), (1.0, True, True), (5.0, False, True), (100.0, False, False)]
)
def test_when_a_fixed_lead_is_enough(input_full_mv, automatic, enough):
    found = plan(input_full_mv=input_full_mv, medium={**MEDIUM, "automatic_level": automatic})
    assert found["lead"]["enough"] is enough
    assert ("is enough" in matching_page("song", found)) is enough


def test_no_pad_where_the_levels_already_fit():
    found = plan(input_full_mv=1400.0)
    assert found["pads"] == []
    assert "turn the output down" in matching_page("song", found)


def test_what_is_not_given_is_assumed_and_said():
    found = plan(input_full_mv=None)
    assert found["assumed"] == ["input_full_mv"]
    assert "Assumed:" in matching_page("song", found)
    assert "Assumed:" not in matching_page("song", plan())


def test_capacitor_lets_the_band_through():
    found = plan()
    ohm = found["input_ohm"] + found["pads"][0]["input_sees_ohm"]
    assert found["capacitor_corner_hz"] == pytest.approx(matching.corner_hz(ohm, 1e-6 * found["capacitor_uf"]))
    assert found["capacitor_corner_hz"] <= 40


def test_the_way_back_has_a_pad_only_where_it_overloads():
    assert plan()["back"]["pad"] is None
    loud = plan(line_full_scale=-10.0, output_unit="dBV", output_full_scale=6.0)["back"]
    assert loud["level_db"] == pytest.approx(3.98, abs=0.01)
    assert loud["pad"]["gain_db"] == pytest.approx(-9.98, abs=0.2)
    assert loud["load_mw"] == pytest.approx(1e3 * 0.25 / 8.2)


def test_cautions_stand_on_the_page():
    page = matching_page("song", plan())
    assert "plug-in power" in page
    assert "loudspeaker output" in page
    assert "never lift a safety earth" in page
    assert "Local electrical codes" in page


def test_drawings_name_their_values():
    found = plan()
    for key, pad in zip(drawings(found).values(), found["pads"], strict=True):
        words = " ".join(ET.fromstring(key).itertext())
        assert f"{pad['gain_db']:.2f}".replace("-", "−") in words
        assert "R1" in words and "R2" in words and "C " in words
    without = drawings(plan(plug_in_power=False))
    assert not any("µF" in drawing for drawing in without.values())


def test_script_writes_page_plan_and_drawings(tmp_path):
    settings = {
        "name": "song",
        "matching": GIVEN,
        "send_db": -6.0,
        "band_low_hz": 400,
        "band_high_hz": 4000,
        "automatic_level": False,
        "hiss_below_full_db": 35,
    }
    out = {"page": tmp_path / "matching.html", "plan": tmp_path / "matching.json"}
    run("match_input", inputs={}, outputs=out, settings=settings)
    assert sorted(path.name for path in tmp_path.glob("pad-*.svg")) == [f"pad-{k}-{s}.svg" for k in "lu" for s in ("e24", "e96")]
