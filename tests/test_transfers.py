"""Transfers: where everything lies in them, how loud, and that the clicks are heard but do no harm."""

import numpy as np
import pytest
from bounceproof.audio import read_audio, write_pcm24_wav
from bounceproof.clicks import click_band, find_clicks, make_click
from bounceproof.quantities import amplitude_db, amplitude_from_db, peak_dbfs
from bounceproof.transfer_layout import CLICK_AFTER_S, CLICK_BEFORE_S, click_stem_times
from bounceproof.transfers import lay_out, make_transfer
from hypothesis import given, settings
from hypothesis import strategies as st
from recording import BAND_HZ, RATE_HZ, drums, plucks
from scipy import signal

LONG = plucks(4.0)
SETTINGS = {"lead_in_s": 5.0, "gap_s": 2.5, "tail_s": 3.0, "click_below_peak_db": 14.0}


def transfer(stem, *, number=1, send_db=-6.0, send_speed=1, **changed):
    return make_transfer(
        stem,
        RATE_HZ,
        number=number,
        band_hz=BAND_HZ,
        settings={**SETTINGS, **changed},
        send_db=send_db,
        send_speed=send_speed,
    )


def test_everything_lies_where_its_facts_say():
    stem = drums(3.0)
    made = transfer(stem)
    facts, samples = made.facts, made.samples
    first, count = facts["stem_start_sample"], facts["stem_samples"]
    gain = amplitude_from_db(facts["gain_db"])
    np.testing.assert_allclose(samples[first : first + count], gain * stem, atol=1e-12)
    assert not samples[: int(5.0 * RATE_HZ)].any(), "the lead-in is silent: the recorder's hiss is measured in it"
    silence = int(2.5 * RATE_HZ)
    assert not samples[first - silence : first].any()
    assert not samples[first + count : first + count + silence].any()
    assert not samples[-int(3.0 * RATE_HZ) :].any()
    assert facts["duration_s"] == samples.size / RATE_HZ
    assert facts["peak_dbfs"] == pytest.approx(peak_dbfs(samples))


@given(first=st.integers(0, 12 * RATE_HZ), count=st.integers(0, 9 * RATE_HZ))
@settings(max_examples=20, deadline=None)
def test_a_transfer_made_where_it_is_sliced_is_the_one_made_at_once(first, count):
    options = {"number": 3, "band_hz": BAND_HZ, "settings": SETTINGS, "send_db": -6.0}
    whole, sliced = (make(LONG, RATE_HZ, **options) for make in (make_transfer, lay_out))
    assert sliced.facts == whole.facts
    assert len(sliced.samples) == whole.samples.size
    np.testing.assert_array_equal(sliced.samples[first : first + count], whole.samples[first : first + count])


def test_the_clicks_lie_at_the_facts_samples_and_spell_the_number():
    made = transfer(drums(3.0), number=42)
    hits = find_clicks(made.samples, RATE_HZ, band_hz=tuple(made.facts["click_band_hz"]), speed_search_percent=1)
    assert [(hit.number, hit.end) for hit in hits] == [(42, "start"), (42, "end")]
    for hit, end in zip(hits, ("start", "end"), strict=True):
        assert hit.instant_s * RATE_HZ == pytest.approx(made.facts[f"{end}_click_sample"], abs=0.01)
        edge = made.facts[f"{end}_edge_sample"]
        assert abs(made.samples[edge]) > 0.9 * amplitude_from_db(made.facts["click_peak_dbfs"])
        assert not made.samples[edge - 100 : edge].any()


def test_the_clicks_lie_at_the_same_samples_in_every_transfer_of_a_session():
    places = set()
    for number, stem in ((1, drums(3.0)), (97, 0.01 * plucks(3.0)), (255, np.zeros(3 * RATE_HZ))):
        facts = transfer(stem, number=number, send_db=-20.0 + 5 * (number == 1)).facts
        places.add(
            tuple(facts[key] for key in ("start_click_sample", "stem_start_sample", "end_click_sample", "start_edge_sample"))
        )
    assert len(places) == 1


def test_where_a_session_says_that_the_clicks_lie_they_lie():
    stem = drums(3.0)
    facts = transfer(stem).facts
    start_s, end_s = click_stem_times(3.0, SETTINGS)
    assert start_s * RATE_HZ == pytest.approx(facts["start_click_sample"] - facts["stem_start_sample"], abs=1)
    assert end_s * RATE_HZ == pytest.approx(facts["end_click_sample"] - facts["stem_start_sample"], abs=1)


@settings(deadline=None, max_examples=20)
@given(st.floats(1, 8), st.floats(0.5, 4), st.floats(0.5, 5), st.integers(1, 255))
def test_lengths_can_be_set(lead_in_s, gap_s, tail_s, number):
    stem = np.full(4800, 0.25)
    made = transfer(stem, lead_in_s=lead_in_s, gap_s=gap_s, tail_s=tail_s, number=number)
    assert not made.samples[: int(lead_in_s * RATE_HZ) - 1].any()
    expected_s = lead_in_s + 2 * (CLICK_BEFORE_S + CLICK_AFTER_S) + 2 * gap_s + 0.1 + tail_s
    assert made.samples.size / RATE_HZ == pytest.approx(expected_s, abs=1e-4)
    assert np.abs(made.samples).max() <= 1


@given(st.floats(-40, 0), st.floats(1e-4, 8))
@settings(deadline=None, max_examples=25)
def test_the_stems_peak_is_sent_at_send_db(send_db, peak):
    stem = peak * np.sin(np.arange(4800) * 0.3)
    made = transfer(stem, send_db=send_db)
    first = made.facts["stem_start_sample"]
    assert peak_dbfs(made.samples[first : first + 4800]) == pytest.approx(send_db, abs=1e-9)
    assert made.facts["gain_db"] == pytest.approx(send_db - peak_dbfs(stem), abs=1e-9)


def test_a_float_stem_above_full_scale_is_lowered_not_clipped(tmp_path):
    stem = 10 ** (3.5 / 20) * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)
    made = transfer(stem, send_db=-6.0)
    assert made.facts["gain_db"] == pytest.approx(-9.5, abs=0.01)
    write_pcm24_wav(tmp_path / "t.wav", made.samples, RATE_HZ)
    back = read_audio(tmp_path / "t.wav", dtype="float64").samples[:, 0]
    first = made.facts["stem_start_sample"]
    np.testing.assert_allclose(back[first : first + stem.size], stem * amplitude_from_db(made.facts["gain_db"]), atol=2.0**-23)


@pytest.mark.parametrize("stem", [drums(3.0), plucks(3.0), 0.01 * plucks(3.0, low_hz=600.0)], ids=["drums", "plucks", "quiet"])
def test_the_sweeps_peak_14_db_under_the_stems_own_peak_in_the_band(stem):
    """A louder click works an automatic level control: in a trial of ours the music's first half second was 5 dB off."""
    made = transfer(stem)
    facts = made.facts
    sections = signal.butter(2, click_band(BAND_HZ), "bandpass", fs=RATE_HZ, output="sos")
    first, count = facts["stem_start_sample"], facts["stem_samples"]
    in_band = np.abs(signal.sosfilt(sections, made.samples[first : first + count])).max()
    around = made.samples[facts["start_click_sample"] - 12000 : facts["start_click_sample"] + 11000]
    assert amplitude_db(np.abs(around).max() / in_band) == pytest.approx(-14.0, abs=0.3)


def test_a_stem_with_nothing_in_the_band_and_a_silent_one_get_clicks_that_can_be_heard():
    low = np.sin(2 * np.pi * 25 * np.arange(3 * RATE_HZ) / RATE_HZ) * np.hanning(3 * RATE_HZ)
    assert transfer(low).facts["click_peak_dbfs"] == pytest.approx(-6 - 30, abs=6)
    silent = transfer(np.zeros(3 * RATE_HZ))
    assert silent.facts["gain_db"] == 0.0
    assert silent.facts["click_peak_dbfs"] == pytest.approx(-30, abs=0.1)
    assert len(find_clicks(silent.samples, RATE_HZ, band_hz=click_band(BAND_HZ), speed_search_percent=1)) == 2


def test_sent_twice_as_fast_it_is_half_as_long_and_an_octave_up():
    tone = np.sin(2 * np.pi * 1000 * np.arange(2 * RATE_HZ) / RATE_HZ)
    made = transfer(tone, send_speed=2)
    facts = made.facts
    assert facts["stem_samples"] == RATE_HZ
    assert facts["send_speed"] == 2
    body = made.samples[facts["stem_start_sample"] :][: facts["stem_samples"]]
    spectrum = np.abs(np.fft.rfft(body * np.hanning(body.size)))
    assert np.argmax(spectrum) == 2000
    hits = find_clicks(made.samples, RATE_HZ, band_hz=click_band(BAND_HZ), speed_search_percent=1)
    assert len(hits) == 2, "the clicks themselves are sent at their own speed"


@pytest.mark.parametrize(("frames", "speed", "sent"), [(4801, 2, 2401), (4803, 4, 1201), (4800, 4, 1200)])
def test_sent_length_is_the_stems_over_its_speed_rounded_up(frames, speed, sent):
    stem = drums(1.0)[:frames]
    assert transfer(stem, send_speed=speed).facts["stem_samples"] == sent


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_stem_that_is_not_finite_is_refused(bad):
    stem = np.zeros(4800)
    stem[5] = bad
    with pytest.raises(ValueError, match="not finite"):
        transfer(stem)


def test_a_click_of_any_number_fits_into_the_room_it_has():
    rooms = [
        make_click(number, end, rate_hz=RATE_HZ, band_hz=click_band(BAND_HZ))
        for number in (1, 254, 255)
        for end in ("start", "end")
    ]
    for click in rooms:
        assert click.reference_sample <= CLICK_BEFORE_S * RATE_HZ
        assert click.samples.size - click.reference_sample <= CLICK_AFTER_S * RATE_HZ + 1
