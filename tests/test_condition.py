"""Condition of a return: level, hiss, hum, what survived, clipping, against recipes whose truth is known."""

import numpy as np
import pytest
from bounceproof.condition import capture as captures
from bounceproof.condition.capture import current_step
from bounceproof.condition.edges import fine_edges
from bounceproof.condition.hiss import measure_hiss, quiet_stretch
from bounceproof.condition.level import analysis_bands, level_db
from bounceproof.condition.measure import measure_condition, rejected_condition
from bounceproof.files import finite, read_json, read_table
from bounceproof.spectra import SpectralMatrix
from fake_session import (
    BAND_HZ,
    GAP_S,
    RATE_HZ,
    SONG_S,
    TAIL_S,
    FakeSession,
    alignment,
    band_limited,
    late,
    make_return,
    make_stem,
    rejected,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

TRANSFER = {"gap_s": GAP_S, "tail_s": TAIL_S}
ROLE = [
    {"name": "fundamental", "low_hz": 60, "high_hz": 100, "importance": 3},
    {"name": "body", "low_hz": 400, "high_hz": 800, "importance": 2},
]


def measured(stem, returned, *, values=None, **options):
    values = values or alignment(returned, level_db=0.0)
    return measure_condition(
        stem,
        returned["aligned"],
        returned["capture"],
        RATE_HZ,
        values,
        rate_hz=RATE_HZ,
        band_hz=BAND_HZ,
        transfer=TRANSFER,
        **options,
    )


def true_response_db(freq_hz):
    _, response = signal.sosfreqz(signal.butter(2, BAND_HZ, "band", fs=RATE_HZ, output="sos"), [freq_hz], fs=RATE_HZ)
    return float(20 * np.log10(np.abs(response[0])))


@pytest.mark.parametrize("hiss", [0.0005, 0.003])
def test_response_of_known_bands_and_band_edges(hiss):
    stem = make_stem(1, noisy=1.0)
    condition, rows = measured(stem, make_return(stem, 1, gain=0.4, hiss=hiss))
    known = [row for row in rows if row["known"] and 250 <= row["nominal_hz"] <= 5000]
    assert len(known) >= 12
    for row in known:
        expected_db = true_response_db(row["nominal_hz"]) + 20 * np.log10(0.4)
        assert row["response_db"] == pytest.approx(expected_db, abs=0.6), row["nominal_hz"]
    # -10 dB re the middle of a second-order band-pass.
    for edge, low_hz, high_hz in (("low_hz", 100, 350), ("high_hz", 4200, 9000)):
        grid = np.geomspace(low_hz, high_hz, 400)
        at = grid[np.argmin([abs(true_response_db(f) + 10) for f in grid])]
        assert abs(np.log2(condition["band"][edge] / at)) < 1 / 24


@pytest.mark.parametrize("steepness", [4, 6, 8])
def test_an_edge_lies_where_the_response_falls_not_where_its_bands_mean_power_does(steepness):
    """A white stem through 1 / (1 + (f / 2000 Hz)^steepness): on such a slope a twelfth's mean power lies .03 dB too high."""
    freq_hz, octaves = np.arange(12001.0), np.linspace(np.log2(200), np.log2(3000), 40001)
    fall_db = 10 * np.log10(1 + (2 ** octaves[10000:30001] / 2000) ** steepness).mean() + 10
    gain = (1 + (freq_hz / 2000) ** steepness) ** -0.5
    matrix = np.moveaxis(np.array([[np.ones_like(gain), gain], [gain, 1.001 * gain**2]]), -1, 0).astype(complex)
    both = SpectralMatrix(freq_hz, matrix, np.full(len(freq_hz), 1000.0))
    edges = fine_edges(both, 24000, (200.0, 3000.0), down_db=10.0)
    assert np.log2(edges["high_hz"] / (2000 * (10 ** (fall_db / 10) - 1) ** (1 / steepness))) == pytest.approx(0, abs=7e-4)
    assert 1e-4 < edges["high_sd_octaves"] < 2e-3


def test_unknown_where_the_stem_has_nothing():
    stem = band_limited(make_stem(1, noisy=1.0))
    stem = signal.sosfiltfilt(signal.butter(8, 2000, "low", fs=RATE_HZ, output="sos"), stem)
    _, rows = measured(stem, make_return(stem, 1, hiss=0.003))
    top = [row for row in rows if row["nominal_hz"] >= 6300]
    assert top
    assert all(row["response_db"] is None and row["signal_over_hiss_db"] is None and not row["known"] for row in top)


def test_unknown_where_a_partial_beside_the_band_only_leaks_into_it():
    """A tone at 147 Hz, 7 Hz over the upper edge of 125 Hz: on a slope the band would show the response at the tone."""
    t = np.arange(int(SONG_S * RATE_HZ)) / RATE_HZ
    tone = np.sin(2 * np.pi * 147.0 * t) * (1.0 + 0.3 * np.sin(2 * np.pi * 0.3 * t))
    voice = signal.sosfiltfilt(signal.butter(8, 400, "high", fs=RATE_HZ, output="sos"), make_stem(1, noisy=1.0))
    stem = 0.3 * tone + voice
    _, rows = measured(stem, make_return(stem, 1, hiss=0.0003))
    known = {row["nominal_hz"]: row["known"] for row in rows}
    assert known[160.0] and not known[125.0]


def test_two_captures_of_one_take_17_db_apart_tell_the_same():
    """One pass captured at two gains, each rounded to 16 bits: levels differ by 17 dB, everything relative stays within 0.1
    dB.
    """
    stem = make_stem(2)
    returned = make_return(stem, 2, gain=0.9, hiss=0.003)
    quieter = {key: value * 10 ** (-17 / 20) for key, value in returned.items()}
    results = []
    for one in (returned, quieter):
        rounded = {key: np.round(one[key] * 2**15) / 2**15 for key in ("aligned", "capture")}
        quiet = rounded["capture"][2 * RATE_HZ : 4 * RATE_HZ]
        level = level_db(stem, rounded["aligned"], RATE_HZ, BAND_HZ, quiet=quiet)
        results.append((level, measured(stem, rounded, values=alignment(returned, level_db=level.level_db))[0]))
    (first, loud), (second, soft) = results
    assert second.level_db - first.level_db == pytest.approx(17.0, abs=0.02)
    assert soft["signal_over_hiss_db"] == pytest.approx(loud["signal_over_hiss_db"], abs=0.1)
    for key in ("flat_dbfs", "a_weighted_dbfs", "bs468_rms_dbfs"):
        assert soft["hiss"][key] + second.level_db == pytest.approx(loud["hiss"][key] + first.level_db, abs=0.1)


@pytest.mark.parametrize("hiss", [0.0, 0.001, 0.01, 0.05])
@pytest.mark.parametrize("wander_us", [0.0, 2000.0])
def test_level_is_right_whatever_the_hiss_and_the_timing(hiss, wander_us):
    """The gain undone is 12 dB in the middle of the band; neither hiss nor milliseconds of timing error may enter."""
    stem = band_limited(band_limited(make_stem(3, noisy=1.0)))
    returned = make_return(stem, 3, gain=0.25, hiss=hiss, wander_us=wander_us)
    flat = make_return(stem, 3, gain=0.25, hiss=0.0, wander_us=0.0)
    quiet = returned["capture"][2 * RATE_HZ : 4 * RATE_HZ]
    truth = level_db(stem, flat["aligned"], RATE_HZ, BAND_HZ)
    found = level_db(stem, returned["clicks"], RATE_HZ, BAND_HZ, quiet=quiet)
    assert truth.level_db == pytest.approx(12.04, abs=1.0)
    assert found.level_db == pytest.approx(truth.level_db, abs=max(0.15, 3 * found.sigma_db))


def test_level_of_a_wire_is_nought():
    stem = make_stem(4)
    found = level_db(stem, stem, RATE_HZ, (20, 20000))
    assert found.level_db == pytest.approx(0.0, abs=1e-9)


def test_hiss_alone_has_no_level():
    random = np.random.default_rng(1)
    noise = 0.01 * random.normal(size=int(SONG_S * RATE_HZ))
    found = level_db(make_stem(1), noise, RATE_HZ, BAND_HZ, quiet=0.01 * random.normal(size=2 * RATE_HZ))
    assert found.level_db is None
    assert found.bands == 0


@pytest.mark.parametrize("over_db", [25.0, 12.0, 6.0])
def test_signal_over_hiss_within_its_interval(over_db):
    """Truth by construction: signal and hiss are known apart. Error against 1 dB or the stated sd."""
    stem = make_stem(5, noisy=1.0)
    clean = make_return(stem, 5, hiss=0.0, wander_us=0.0)["aligned"]
    noisy = make_return(stem, 5, hiss=0.05, wander_us=0.0)
    noise_alone = noisy["aligned"] - clean
    scale = np.std(clean) / np.std(noise_alone) * 10 ** (-over_db / 20)
    returned = {"aligned": clean + scale * noise_alone, "wander_s": noisy["wander_s"], "capture": scale * noisy["capture"]}
    _, truth = measured(stem, {"aligned": clean, "capture": 0 * noisy["capture"], "wander_s": noisy["wander_s"]})
    _, rows = measured(stem, returned)
    hiss = measure_hiss(scale * noise_alone, RATE_HZ, 1.0, analysis_bands(RATE_HZ), BAND_HZ).band_powers
    checked = 0
    for row, true, power in zip(rows, truth, hiss, strict=True):
        if row["signal_over_hiss_db"] is None or not 300 <= row["nominal_hz"] <= 4500:
            continue
        expected_db = true["return_dbfs"] - 10 * np.log10(power)
        # Some thirteen bands are looked at together: 3.3 sd is their joint 99 % limit.
        assert abs(row["signal_over_hiss_db"] - expected_db) < max(1.0, 3.3 * row["sigma_db"])
        checked += 1
    assert checked >= 10


def test_intervals_of_signal_over_hiss_hold():
    """Hiss drawn 120 times under one stem: the 95 % intervals of band figures must hold 92 to 98 % (120 trials x 5 bands)."""
    stem = make_stem(6, noisy=1.0)[: 4 * RATE_HZ]
    clean = 0.4 * band_limited(stem)
    bands, before = analysis_bands(RATE_HZ), int((5 + GAP_S) * RATE_HZ)
    values = alignment({"wander_s": np.zeros(2)}, level_db=0.0)
    silence = np.zeros(13 * RATE_HZ)
    _, rows = measure(stem, clean, silence, values)
    long_noise = 0.004 * band_limited(np.random.default_rng(999).normal(size=100 * RATE_HZ))
    hiss = measure_hiss(long_noise, RATE_HZ, 1.0, bands, BAND_HZ).band_powers
    truth = {row["nominal_hz"]: row["return_dbfs"] - 10 * np.log10(power) for row, power in zip(rows, hiss, strict=True)}
    hits = []
    for trial in range(120):
        capture = 0.004 * band_limited(np.random.default_rng(trial).normal(size=13 * RATE_HZ))
        capture[before : before + len(clean)] += clean
        _, rows = measure(stem, capture[before : before + len(clean)], capture, values)
        for row in rows:
            if row["nominal_hz"] in (500, 800, 1250, 2000, 3150) and row["signal_over_hiss_db"] is not None:
                hits.append(abs(row["signal_over_hiss_db"] - truth[row["nominal_hz"]]) <= 1.96 * row["sigma_db"])
    assert len(hits) == 600
    assert 0.92 <= np.mean(hits) <= 0.98


def measure(stem, aligned, capture, values):
    return measure_condition(stem, aligned, capture, RATE_HZ, values, rate_hz=RATE_HZ, band_hz=BAND_HZ, transfer=TRANSFER)


@pytest.mark.parametrize("speed_ratio", [0.5, 1.0, 1.1])
def test_hiss_level_of_the_lead_in(speed_ratio):
    """White hiss of -60 dBFS rms over the whole band of the capture; frequencies counted in the stem's time."""
    noise = 10 ** (-60 / 20) * np.random.default_rng(4).normal(size=10 * RATE_HZ) + 0.05
    hiss = measure_hiss(noise, RATE_HZ, speed_ratio, analysis_bands(RATE_HZ), (0.0, RATE_HZ))
    assert hiss.flat_dbfs == pytest.approx(-60.0, abs=4 * hiss.flat_sigma_db + 0.02)
    band = next(k for k, band in enumerate(analysis_bands(RATE_HZ)) if band.nominal_hz == 1000)
    width_hz = 1122.018 - 891.251
    expected_dbfs = -60 + 10 * np.log10(width_hz / (RATE_HZ / speed_ratio / 2))
    assert 10 * np.log10(hiss.band_powers[band]) == pytest.approx(expected_dbfs, abs=0.3)


def test_hum_is_listed_and_kept_out_of_the_hiss():
    stem = make_stem(7)
    clean, _ = measured(stem, make_return(stem, 7))
    humming, _ = measured(stem, make_return(stem, 7, hum=0.003))
    lines = humming["hum"]
    assert [round(line["frequency_hz"]) for line in lines] == [50]
    assert lines[0]["level_dbfs"] == pytest.approx(20 * np.log10(0.003 / np.sqrt(2)), abs=0.2)
    assert clean["hum"] == []
    for key in ("flat_dbfs", "a_weighted_dbfs", "bs468_rms_dbfs"):
        assert humming["hiss"][key] == pytest.approx(clean["hiss"][key], abs=0.05)


def test_hum_is_not_claimed_in_plain_noise():
    claimed = 0
    for seed in range(60):
        noise = np.random.default_rng(seed).normal(size=2 * RATE_HZ)
        claimed += bool(measure_hiss(noise, RATE_HZ, 1.0, analysis_bands(RATE_HZ), BAND_HZ).lines)
    assert claimed <= 2


@pytest.mark.parametrize(
    ("start_s", "end_s", "source"),
    [
        (5.0, 20.0, "lead-in"),
        (0.7, 20.0, "gap before the stem"),
        (None, 20.0, "gap after the stem"),
        (None, 0.3, "tail"),
        (None, None, None),
    ],
)
def test_where_hiss_is_taken(start_s, end_s, source):
    found = quiet_stretch(start_s, end_s, 25.0, 1.0, TRANSFER)
    assert (found.source if found else None) == source
    if found:
        assert 0 <= found.start_s < found.end_s <= 25.0


def test_hiss_is_taken_outside_the_click():
    """The last 2 s before the start click: a click 40 dB above the hiss within 0.3 s of its instant must not show."""
    stem = make_stem(8)
    returned = make_return(stem, 8, hiss=0.001)
    before, _ = measured(stem, returned)
    instant = int(5.0 * RATE_HZ)
    returned["capture"][instant - int(0.3 * RATE_HZ) : instant + int(0.3 * RATE_HZ)] += 0.05
    after, _ = measured(stem, returned)
    assert after["hiss"] == before["hiss"]


def test_playing_spans_leave_out_the_rest():
    """The stem rests from 4 to 6 s: no span may reach into the middle of it, and the playing parts are covered."""
    stem = make_stem(9)
    condition, _ = measured(stem, make_return(stem, 9, hiss=0.003))
    spans = np.array(condition["playing_s"])
    played = sum(b - a for a, b in spans)
    assert not any(a < 5.5 and b > 4.7 for a, b in spans)
    assert 5.0 < played < 8.6


def test_role_bands_say_what_survived_and_what_restoring_costs():
    stem = make_stem(10, noisy=1.0)
    returned = make_return(stem, 10, gain=0.5, hiss=0.002)
    values = alignment(returned, level_db=6.02)
    condition, rows = measured(stem, returned, values=values, role_bands=ROLE)
    body = next(band for band in condition["role_bands"] if band["name"] == "body")
    inner = [row["signal_over_hiss_db"] for row in rows if row["nominal_hz"] * 1.01 >= 400 and row["nominal_hz"] <= 800]
    assert min(inner) - 0.1 <= body["signal_over_hiss_db"] <= max(inner) + 0.1
    assert body["boost_db"] == pytest.approx(0.0, abs=1.5)
    low = next(band for band in condition["role_bands"] if band["name"] == "fundamental")
    assert low["boost_db"] is None or low["boost_db"] > 15


@pytest.mark.parametrize("claimed_us", [1500.0, None, 3.0])
def test_timing_error_does_not_pass_for_a_dull_response(claimed_us):
    """A return that wanders by 1.5 ms: H1 would read low; the response must stay right whatever error is claimed."""
    stem = make_stem(11, noisy=1.0)
    returned = make_return(stem, 11, hiss=0.001, wander_us=1500)
    returned["aligned"] = returned["clicks"]
    condition, rows = measured(stem, returned, values=alignment(returned, level_db=0.0, residual_rms_us=claimed_us))
    upper = [row for row in rows if 800 <= row["nominal_hz"] <= 4000]
    if claimed_us == 3.0:
        # What is claimed and what is measured contradict each other: not known, not a guess.
        assert not any(row["known"] and row["nominal_hz"] >= 1000 for row in upper)
        assert any("contradict" in note for note in condition["notes"])
        return
    assert {row["response_by"] for row in upper} == {"power"}
    for row in upper:
        assert row["response_db"] == pytest.approx(true_response_db(row["nominal_hz"]) + 20 * np.log10(0.4), abs=0.6)
    assert any("timing" in note for note in condition["notes"])


def test_hiss_that_rises_under_the_signal_does_not_pass_for_signal():
    """A stem without highs, and hiss 20 dB up in the highs while it plays: nothing is claimed there."""
    stem = signal.sosfiltfilt(signal.butter(8, 1500, "low", fs=RATE_HZ, output="sos"), make_stem(15, noisy=1.0))
    returned = make_return(stem, 15, hiss=0.0005, wander_us=0.0)
    rising = 0.02 * band_limited(np.random.default_rng(5).normal(size=len(stem))) * (np.abs(stem) > 0.01)
    returned["aligned"] = returned["aligned"] + rising
    for residual_us in (3.0, None):
        _, rows = measured(stem, returned, values=alignment(returned, level_db=0.0, residual_rms_us=residual_us))
        top = [row for row in rows if row["nominal_hz"] >= 3150]
        assert not any(row["known"] or row["signal_over_hiss_db"] for row in top)


def test_clipping_at_the_converter_and_before_it():
    stem = make_stem(12)
    wave = stem / np.abs(stem).max()
    clean = captures.clipping(0.9 * wave, RATE_HZ)
    assert clean["runs"] == 0
    full = captures.clipping(np.clip(3 * wave, -1, 1), RATE_HZ)
    assert full["runs"] > 10
    assert full["full_scale"]
    assert full["side"] == "both"
    half = captures.clipping(0.5 * np.clip(wave, -1, 0.4), RATE_HZ)
    assert half["side"] == "upper"
    assert not half["full_scale"]
    assert half["at_dbfs"] == pytest.approx(20 * np.log10(0.2), abs=0.01)


def test_a_slow_sine_at_16_bits_is_not_clipped():
    """Samples round to equal values at a slow crest; that is no ceiling."""
    tone = (
        np.round(0.01 * np.sin(2 * np.pi * 50.3 * np.arange(5 * RATE_HZ) / RATE_HZ) * np.linspace(0.5, 1, 5 * RATE_HZ) * 2**15)
        / 2**15
    )
    assert captures.clipping(tone, RATE_HZ)["runs"] <= 6


def test_direct_current():
    """A constant of 0.05 reads -26.0 dBFS (20 lg 0.05)."""
    assert captures.direct_current_dbfs(0.05 + 0.1 * make_stem(1)) == pytest.approx(-26.0, abs=0.1)


def test_a_lasting_step_in_direct_current_is_dated_and_a_thump_is_none():
    samples = 0.3 * np.diff(np.random.default_rng(2).normal(size=12 * 8000 + 1)).astype(np.float32)
    t = np.arange(samples.size) / 8000
    assert current_step(samples, 8000) is None
    assert current_step(samples - 0.8 * np.exp(-t / 0.3), 8000) is None
    at_s, by = current_step(samples + 0.05 * (t > 7.2), 8000)
    assert at_s == pytest.approx(7.2, abs=0.5)
    assert by == pytest.approx(0.05, abs=0.02)
    assert current_step(samples[:8000], 8000) is None


def test_rejected_takes_carry_their_reason_and_no_number():
    condition = rejected_condition(rejected("no click"))
    assert condition["state"] == "rejected"
    assert condition["reason"] == "no click"
    assert not any(isinstance(value, (int, float)) and not isinstance(value, bool) for value in condition.values())


def test_script_writes_finite_json_and_a_table(tmp_path):
    session = FakeSession(tmp_path)
    session.measure()
    condition = read_json(session.take("drum") / "condition.json")
    assert condition["simulated"] is True
    assert finite(condition) == condition
    assert len(read_table(session.take("drum") / "bands.tsv")) == len(analysis_bands(RATE_HZ))
    assert read_table(session.take("voice") / "bands.tsv") == []
    assert read_json(session.take("voice") / "condition.json")["state"] == "rejected"


def test_no_quiet_stretch_is_said():
    stem = make_stem(13)
    returned = make_return(stem, 13)
    values = alignment(returned, level_db=0.0, start_click_return_s=None, end_click_return_s=None)
    condition, rows = measured(stem, returned, values=values)
    assert condition["hiss"] is None
    assert condition["signal_over_hiss_db"] is None
    assert "hiss" in condition["notes"][0]
    assert rows


@settings(max_examples=8, deadline=None)
@given(gain_db=st.floats(-60, 0), late_us=st.floats(-300, 300))
def test_level_follows_any_gain(gain_db, late_us):
    stem = make_stem(1)
    returned = 10 ** (gain_db / 20) * late(stem, late_us * 1e-6)
    assert level_db(stem, returned, RATE_HZ, BAND_HZ).level_db == pytest.approx(-gain_db, abs=0.05)


def test_run_is_repeatable_on_any_number_of_threads(tmp_path):
    session = FakeSession(tmp_path)
    contents = []
    for threads in (1, 3):
        session.measure(threads=threads)
        contents.append([path.read_bytes() for path in sorted(session.results.rglob("condition.json"))])
    assert contents[0] == contents[1]
