"""Send levels: from the recorder's figures and the stem's own; what does not fit is said."""

import numpy as np
import pytest
from bounceproof.audio import write_float_wav
from bounceproof.files import read_table, write_json
from bounceproof.filters import edges_response
from bounceproof.planning import send_levels
from bounceproof.planning.level_law import level_for_third_db
from bounceproof.report.levels_page import level_row
from fake_session import run
from recording import drums

RATE_HZ = 48000
BAND_HZ = (400.0, 4000.0)
MEDIUM = {
    "name": "dictation-2.4",
    "label": "pocket dictation machine",
    "band_low_hz": 400,
    "band_high_hz": 4000,
    "hiss_below_full_db": 35,
    "automatic_level": False,
}
CONTROL = {"found": False, "knee_send_db": None, "gain_db": -3.0}


def recorder(*, share=0.5, full_db=-8.0, hiss_dbfs=-50.0, control=CONTROL):
    freq_hz = 1000 * 2.0 ** (np.arange(-48, 40) / 12)
    level_db = 20 * np.log10(np.abs(edges_response(freq_hz, RATE_HZ, *BAND_HZ, order=2)))
    rows = [
        {"freq_hz": f, "level_db": level, "before_tape_db": share * level, "before_tape_sigma_db": -0.1 * level}
        for f, level in zip(freq_hz, level_db, strict=True)
    ]
    return {
        "simulated": False,
        "tone_hz": 800.0,
        "full": None if full_db is None else {"send_db": full_db, "send_sigma_db": 0.3},
        "hiss": {"flat_dbfs": hiss_dbfs},
        "level_control": control,
        "response": rows,
    }


def tone(freq_hz, peak=0.25, seconds=4.0):
    return peak * np.sin(2 * np.pi * freq_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def proposed(stem, values, *, percent=3.0):
    return send_levels.propose(stem, RATE_HZ, send_levels.measured_machine(values), BAND_HZ, distortion_percent=percent)


def test_a_tone_in_the_band_is_sent_at_full_level():
    found = proposed(tone(1000), recorder())
    assert found["limit"] == "distortion"
    assert found["proposed_db"] == pytest.approx(-8.0, abs=0.3)
    assert found["third_percent"] == pytest.approx(3.0, rel=0.02)
    # A tone's rms is 3 dB under its peak, and 3 dB of gain are lost.
    assert found["soft_over_hiss_db"] == pytest.approx(-8 - 3 - 3 + 50, abs=0.6)


def test_another_distortion_is_another_level():
    levels = [proposed(tone(1000), recorder(full_db=-20.0), percent=percent)["proposed_db"] for percent in (1.0, 3.0, 6.0)]
    due = [level_for_third_db(percent / 100) - 20 for percent in (1.0, 3.0, 6.0)]
    assert levels == pytest.approx(due, abs=0.3)


@pytest.mark.parametrize(("share", "taken_db"), [(0.0, 0.0), (0.5, 6.15), (1.0, 12.3)])
def test_bass_that_never_reaches_the_tape_does_not_count(share, taken_db):
    """A high-pass of second order at 400 Hz takes 12.3 dB off 200 Hz; only its share before the tape spares the tape."""
    found = proposed(tone(200), recorder(share=share, full_db=-30.0))
    assert found["taken_db"] == pytest.approx(taken_db, abs=0.4)
    assert found["proposed_db"] == pytest.approx(-30 + taken_db, abs=0.4)


def test_full_scale_and_level_control_come_first():
    assert proposed(tone(1000), recorder(full_db=5.0))["limit"] == "output"
    assert proposed(tone(1000), recorder(full_db=5.0))["proposed_db"] == 0.0
    control = {"found": True, "knee_send_db": -33.0, "gain_db": 20.0}
    held = proposed(tone(1000), recorder(control=control))
    assert (held["limit"], held["proposed_db"]) == ("level control", -33.0)
    assert proposed(tone(1000), recorder(full_db=None))["limit"] == "output"


def test_what_does_not_fit_is_said_with_its_choice():
    track = {"track": "drum", "role": "kick", "send_db": -6.0}
    soft = level_row(track, proposed(tone(1000), recorder(hiss_dbfs=-15.0)), None)
    assert "softest moments" in soft["choice"] and "Choose:" in soft["choice"] and "% third harmonic" in soft["choice"]
    assert level_row(track, proposed(tone(1000), recorder()), None)["choice"] == ""
    assert "less pad" in level_row(track, proposed(tone(1000), recorder(full_db=9.0)), None)["choice"]
    control = {"found": True, "knee_send_db": -33.0, "gain_db": 20.0}
    assert "rides the music" in level_row(track, proposed(tone(1000), recorder(control=control)), None)["choice"]
    assert level_row(track, proposed(np.zeros(RATE_HZ), recorder()), None)["choice"].startswith("The stem is silent")


def test_least_phase_keeps_the_size_and_comes_first():
    freq_hz = np.arange(32769) * RATE_HZ / 65536
    due = edges_response(freq_hz, RATE_HZ, 200, 6000, order=2)
    made = send_levels.minimum_phase(np.maximum(np.abs(due), 1e-3))
    inside = (freq_hz > 150) & (freq_hz < 9000)
    assert np.abs(made[inside]) == pytest.approx(np.abs(due[inside]), rel=0.02)
    # Butterworth filters have the least phase of all with their size.
    assert np.abs(np.angle(made[inside] / due[inside])).max() < 0.15


@pytest.mark.parametrize("measured", [True, False])
def test_script_writes_proposals_and_changes_no_table(tmp_path, measured):
    for name, stem in (("drum", drums(3.0)), ("rest", np.zeros(RATE_HZ))):
        write_float_wav(tmp_path / f"{name}.wav", stem, RATE_HZ)
    write_json(tmp_path / "recorder.json", recorder())
    inputs = {
        "stems": [tmp_path / "drum.wav", tmp_path / "rest.wav"],
        "recorder": [tmp_path / "recorder.json"] if measured else [],
    }
    outputs = {"page": tmp_path / "send-levels.html", "table": tmp_path / "send-levels.tsv"}
    tracks = [{"track": name, "role": "other", "send_db": -6.0} for name in ("drum", "rest")]
    settings = {"name": "song", "medium": MEDIUM, "send_db": -6.0, "distortion_percent": 3.0, "thresholds": {}, "tracks": tracks}
    run("propose_levels", inputs=inputs, outputs=outputs, settings=settings)
    drum, rest = read_table(outputs["table"])
    assert drum["guess"] == ("no" if measured else "yes")
    assert rest["proposed_db"] == ""
    page = outputs["page"].read_text(encoding="utf-8")
    assert ("a guess" in page) is not measured
    assert float(drum["proposed_db"]) <= 0
