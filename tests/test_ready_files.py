"""Mix-ready files: what is done to them on request, what they say of themselves, hiss alone."""

import struct

import numpy as np
import pytest
import soundfile
from bounceproof import hiss_file, muting, restoring
from bounceproof.audio import read_audio
from bounceproof.broadcast import Description, time_reference, write_described_wav
from bounceproof.condition.level import analysis_bands
from bounceproof.files import read_json, read_table
from bounceproof.spectra import band_powers
from fake_session import (
    GAP_S,
    LEAD_IN_S,
    RATE_HZ,
    SONG_S,
    TAIL_S,
    FakeSession,
    band_limited,
    make_return,
    make_stem,
    run,
)
from hypothesis import given
from hypothesis import strategies as st

FRAMES = int(SONG_S * RATE_HZ)
BANDS = analysis_bands(RATE_HZ)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    made = FakeSession(tmp_path_factory.mktemp("ready"))
    made.measure()
    made.stack_and_mix()
    return made


def ready(session, track, **settings):
    session.make_ready(track, **settings)
    folder = session.results / "mix"
    return read_audio(folder / f"{track}.wav").samples[:, 0], read_json(folder / f"{track}.ready.json")


def test_a_plain_file_says_how_it_came_about(session):
    _, about = ready(session, "drum")
    assert about["description"].startswith("drum: simulated return")
    assert "no sample of the stem" in about["description"]
    assert (about["muted"], about["restored"], about["equaliser"]) == (False, None, None)
    assert time_reference(session.results / "mix" / "drum.wav") == about["time_reference_sample"] == 1000


def test_both_legs_of_a_stereo_track_come_in_one_file_as_well(session):
    both = read_audio(session.results / "mix" / "keys.wav").samples
    for side, leg in enumerate(("keys.L", "keys.R")):
        assert np.array_equal(both[:, side], read_audio(session.results / "mix" / f"{leg}.wav").samples[:, 0])
    assert time_reference(session.results / "mix" / "keys.wav") == 1000


def test_muted_where_the_stem_is_silent_and_untouched_where_it_plays(session):
    plain, _ = ready(session, "drum")
    muted, about = ready(session, "drum", mute=True)
    assert about["muted"]
    spans = read_json(session.take("drum") / "condition.json")["playing_s"]
    time_s = np.arange(FRAMES) / RATE_HZ
    plays = np.logical_or.reduce([(time_s >= a) & (time_s <= b) for a, b in spans])
    far = np.logical_and.reduce([(time_s < a - 0.09) | (time_s > b + 0.16) for a, b in spans])
    assert 0.02 < far.mean() < 0.6
    assert np.array_equal(muted[plays], plain[plays])
    assert not np.any(muted[far])


@given(st.lists(st.tuples(st.floats(0, 9), st.floats(0.01, 3)), max_size=5))
def test_a_gate_is_open_where_it_plays_and_never_jumps(spans):
    spans = [(start_s, start_s + length_s) for start_s, length_s in spans]
    time_s = np.arange(0, 12, 0.001)
    gain = muting.gate(time_s, spans)
    assert gain.min() >= 0
    assert gain.max() <= 1
    for start_s, end_s in spans:
        assert np.all(gain[(time_s >= start_s) & (time_s <= end_s)] == 1)
    assert np.abs(np.diff(gain)).max(initial=0) < 0.04


@pytest.mark.parametrize("phase", ["minimum", "linear"])
def test_restoring_lessens_the_error_in_every_band_and_lifts_nothing_lost(session, phase):
    """The return went through a recorder's band-pass: its error against the stem falls wherever it is touched; for a filter of
    minimum phase the error of the levels.
    """
    stem = session.stems["drum"].astype(np.float32)
    laid = (session.returns["drum"]["aligned"] / 0.3).astype(np.float32)
    rows = read_table(session.take("drum") / "bands.tsv")
    over_db = {float(row["nominal_hz"]): float(row["signal_over_hiss_db"] or "nan") for row in rows}
    found = restoring.equaliser(stem, laid, RATE_HZ, BANDS, over_db, phase=phase, limit_db=12.0, lost_db=3.0)
    errors = [errors_of(stem, one, phase) for one in (laid, found.applied(laid))]
    assert sum(row["touched"] for row in found.rows) >= 4
    for row, before, after in zip(found.rows, *errors, strict=True):
        if row["touched"]:
            assert after < before, row["nominal_hz"]
            assert row["error_after_db"] < row["error_before_db"]
        assert abs(row["gain_db"]) <= 12.0
        if not over_db[row["nominal_hz"]] >= 3.0:
            assert row["gain_db"] == 0.0
    lost = [band for band in BANDS if not over_db[band.nominal_hz] >= 3.0]
    response_db = 20 * np.log10(np.abs(np.fft.rfft(found.taps, 1 << 16)))
    freq_hz = np.fft.rfftfreq(1 << 16, 1 / RATE_HZ)
    for band in lost:
        assert response_db[(freq_hz > band.low_hz) & (freq_hz < band.high_hz)].max() < 0.3, band.nominal_hz


def errors_of(stem, laid, phase):
    """Power of the error per band, of the waveforms or of the levels alone, over the moments of a quarter of a second."""
    if phase == "linear":
        return band_powers([laid - stem], RATE_HZ, BANDS)[:, 0].mean(axis=0)
    powers = band_powers([stem, laid], RATE_HZ, BANDS)
    return np.mean((np.sqrt(powers[:, 0]) - np.sqrt(powers[:, 1])) ** 2, axis=0)


def test_a_band_pass_is_turned_back():
    """Butterworth of second order, 3.01 dB down at 350 and 4200 Hz: lifted at its edges, left alone in its middle; what is left
    of the error where both phase and level are restored lies 20 dB under what it was.
    """
    stem = make_stem(1, noisy=1.0)
    laid = band_limited(stem).astype(np.float32)
    over_db = {band.nominal_hz: 40.0 if 300 < band.mid_hz < 5000 else -10.0 for band in BANDS}
    for phase in ("linear", "minimum"):
        found = restoring.equaliser(stem, laid, RATE_HZ, BANDS, over_db, phase=phase, limit_db=12.0, lost_db=3.0)
        rows = {row["nominal_hz"]: row for row in found.rows}
        assert rows[4000]["gain_db"] == pytest.approx(2.4, abs=0.4)
        assert abs(rows[1000]["gain_db"]) < 0.2
        assert (rows[250]["gain_db"], rows[5000]["gain_db"]) == (0.0, 0.0)
        error_db = 10 * np.log10(np.divide(*(errors_of(stem, one, phase) for one in (found.applied(laid), laid))))
        inner = [k for k, band in enumerate(BANDS) if band.nominal_hz in (400, 500, 2500, 3150)]
        assert error_db[inner].max() < (-20.0 if phase == "linear" else -3.0)
    half = len(found.taps) // 2
    assert np.abs(found.taps[:half]).max() < 1e-3 * np.abs(found.taps).max(), "minimum phase rings afterwards only"


def test_a_restored_file_is_told_with_its_curve(session):
    samples, about = ready(session, "drum", restore="minimum")
    assert about["restored"] == "minimum"
    assert {row["nominal_hz"] for row in about["equaliser"]} == {band.nominal_hz for band in BANDS}
    assert "equalised towards its stem" in about["description"]
    assert np.any(samples)
    ready(session, "drum")


def test_hiss_alone_is_hiss_at_the_level_of_the_mix():
    returned = make_return(make_stem(1), 3, gain=0.4, hiss=0.01)
    clicks = {"start_click_return_s": LEAD_IN_S, "end_click_return_s": LEAD_IN_S + 2 * GAP_S + SONG_S, "speed_percent": 0.0}
    found = hiss_file.hiss_alone(returned["capture"], RATE_HZ, clicks, {"gap_s": GAP_S, "tail_s": TAIL_S}, rate_hz=48000)
    assert len(found) == 5 * 48000
    truth = np.std(returned["capture"][: int(4 * RATE_HZ)])
    assert np.std(found) == pytest.approx(truth, rel=0.05)
    seconds = np.std(found.reshape(10, -1), axis=1)
    assert seconds.max() < 1.3 * seconds.min(), "no seam, no music, no click"


def test_hiss_file_of_the_rule(session):
    target = session.results / "mix" / "drum.hiss.wav"
    chosen = session.results / "chosen" / "drum" / "chosen.json"
    chosen.write_text('{"track": "drum", "take": "take1", "why": "the only take", "average": null}')
    folder = session.take("drum")
    alignment = read_json(folder / "alignment.json")
    run(
        "hiss_file",
        inputs={"chosen": chosen, "alignments": [folder / "alignment.json"], "captures": [folder / "capture.wav"]},
        outputs={"hiss": target},
        settings={
            "track": "drum",
            "takes": ["take1"],
            "session": "harbour",
            "sample_rate_hz": RATE_HZ,
            "gap_s": GAP_S,
            "tail_s": TAIL_S,
        },
    )
    hiss = read_audio(target).samples[:, 0]
    level = np.std(session.returns["drum"]["capture"][: int(4 * RATE_HZ)]) * 10 ** (alignment["level_db"] / 20)
    assert np.std(hiss) == pytest.approx(level, rel=0.05)


def test_a_described_file_is_read_as_it_was_written(tmp_path):
    samples = np.random.default_rng(1).normal(size=(1001, 2)).astype(np.float32)
    path = tmp_path / "a.wav"
    write_described_wav(path, samples, 48000, Description("Akkordeon – Größe", "lied", 12345678901, ("eins", "zwei")))
    assert np.array_equal(read_audio(path).samples, samples)
    assert soundfile.info(path).subtype == "FLOAT"
    assert time_reference(path) == 12345678901
    first = path.read_bytes()
    write_described_wav(path, samples, 48000, Description("Akkordeon – Größe", "lied", 12345678901, ("eins", "zwei")))
    assert path.read_bytes() == first


def test_where_no_description_is_the_song_starts_at_nothing(tmp_path):
    plain = tmp_path / "plain.wav"
    soundfile.write(plain, np.zeros(100), 48000)
    assert time_reference(plain) == 0
    flac = tmp_path / "a.flac"
    soundfile.write(flac, np.zeros(100), 48000)
    assert time_reference(flac) == 0
    cut = tmp_path / "cut.wav"
    cut.write_bytes(plain.read_bytes()[:20] + struct.pack("<4sI", b"bext", 602) + b"short")
    assert time_reference(cut) == 0
