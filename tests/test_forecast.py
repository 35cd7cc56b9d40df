"""Forecasts: ranges that move with what is known, odds in words, what came set beside."""

import numpy as np
import pytest
from bounceproof import verdicts
from bounceproof.audio import read_mono, write_float_wav, write_pcm24_wav
from bounceproof.condition.level import analysis_bands, hiss_band_powers, inside
from bounceproof.files import read_json, read_table, write_json, write_table
from bounceproof.planning import forecast as forecasting
from bounceproof.recorder import resolve
from bounceproof.recorder.motion import tape_motion
from bounceproof.transfers import make_transfer
from fake_session import run
from simulated import RATE_HZ, lay, music

BAND_HZ = (400.0, 4000.0)
MEDIUM = {
    "label": "small tape",
    "band_low_hz": 400,
    "band_high_hz": 4000,
    "hiss_below_full_db": 35,
    "speed_error_percent": 3,
    "wow_flutter_percent": 0.9,
    "automatic_level": False,
}
TONE_BAND = {"name": "tone", "low_hz": 600, "high_hz": 2500, "importance": 3}
RUMBLE_BAND = {"name": "rumble", "low_hz": 60, "high_hz": 90, "importance": 3}


TRANSFER = {"lead_in_s": 5.0, "gap_s": 1.5, "tail_s": 2.5, "click_below_peak_db": 14.0}


def transfer_of(samples, *, send_db=-6.0, send_speed=1):
    sent = {"send_db": send_db, "send_speed": send_speed}
    return make_transfer(samples, RATE_HZ, number=1, band_hz=BAND_HZ, settings=TRANSFER, **sent)


def stem_of(samples, *, control=None, **sent):
    made = transfer_of(samples, **sent)
    return forecasting.Stem(made.samples, RATE_HZ, made.facts, BAND_HZ, control=control)


def in_band(samples):
    bands = analysis_bands(RATE_HZ)
    return hiss_band_powers(samples, RATE_HZ, bands)[inside(bands, BAND_HZ)].sum()


def told(*, medium=MEDIUM, send_db=-6.0, role_bands=(TONE_BAND,), draws=20, seed=1):
    expected = forecasting.expected_of_medium(medium, full_send_db=-3.0)
    stem = stem_of(music(4.0, 1), send_db=send_db, control=expected["control"])
    track = {"track": "x", "stem": stem, "mix_db": 0.0, "role_bands": role_bands}
    return forecasting.forecast([track], expected, band_hz=BAND_HZ, rate_hz=RATE_HZ, draws=draws, seed=seed)


def test_a_range_moves_with_level_and_hiss():
    one, hotter, quieter = told(), told(send_db=0.0), told(medium={**MEDIUM, "hiss_below_full_db": 45})
    low, middle, high = one["tracks"][0]["over_hiss_db"]
    assert low < middle < high
    assert hotter["tracks"][0]["over_hiss_db"] == pytest.approx(np.array([low, middle, high]) + 6, abs=1e-6)
    assert quieter["tracks"][0]["over_hiss_db"][1] == pytest.approx(middle + 10, abs=0.01)
    assert one["tracks"][0]["followed_rms_us"][1] < one["two_click_rms_us"][1] / 20


def test_a_level_control_holds_the_tape_at_full():
    """Sent under full it is as good as none; ten decibels over, it takes most of them off again."""
    ridden = {**MEDIUM, "automatic_level": True}
    under, over = (told(medium=ridden, send_db=db, draws=5)["tracks"][0]["over_hiss_db"][1] for db in (-6.0, 7.0))
    assert under == pytest.approx(told(send_db=-6.0, draws=5)["tracks"][0]["over_hiss_db"][1], abs=0.5)
    assert under < over < under + 9


def test_equal_seeds_tell_the_same():
    assert told(draws=5) == told(draws=5)
    assert told(draws=5) != told(draws=5, seed=2)


def test_a_drawn_recorder_does_what_its_forecast_says():
    """The signal over the hiss of one machine, by its audio, against what the forecast says of the same machine."""
    expected = forecasting.expected_of_medium(MEDIUM, full_send_db=6.0)
    settings = forecasting.nominal_hiss(resolve(forecasting.drawn_recorder(expected, 5)), BAND_HZ, RATE_HZ)
    samples = music(4.0, 1)
    stem = stem_of(samples, send_db=20 * np.log10(np.abs(samples).max()))
    heard = forecasting.heard_by(settings, stem.bands, RATE_HZ)
    laid = lay(samples, settings, 5)
    noise = in_band(laid.done.truth.hiss[: 4 * RATE_HZ])
    assert 10 * np.log10(noise / heard.hiss[stem.chosen].sum()) == pytest.approx(0, abs=0.7)
    signal = (heard.response * stem.whole)[stem.chosen].sum()
    assert 10 * np.log10((in_band(laid.aligned) - noise) / signal) == pytest.approx(0, abs=1.0)


def test_two_clicks_leave_what_the_motion_of_such_a_tape_leaves():
    """The wander of twenty drawn recorders, against the simulated tape's own motion."""
    expected = forecasting.expected_of_medium(MEDIUM, full_send_db=-3.0)
    stem, ours, theirs = stem_of(music(8.0, 1)), [], []
    sent_s = 3.0 + 0.02 * np.arange(stem.course.size)
    for seed in range(20):
        settings = resolve(forecasting.drawn_recorder(expected, seed))
        ours.append(forecasting.two_click_rms_us(stem, forecasting.wander_us(settings, stem.course.size, seed)))
        motion = tape_motion(settings["record"], settings["replay"], sent_s[-1] + 3.0, seed=seed, margin_s=1.0)
        theirs.append(forecasting.two_click_rms_us(stem, 1e6 * motion.capture_at(sent_s)))
    assert forecasting.points(ours) == pytest.approx(forecasting.points(theirs), rel=0.35)


def test_a_stem_that_rests_is_judged_while_it_plays_and_stacked_over_the_whole_song():
    """As the measures do: distance over the hiss while it plays, the programme over all of the song."""
    over_db, programme_db = [], []
    for rests in ((), ((2.0, 8.0),)):
        track = {"track": "x", "stem": stem_of(music(8.0, 1, rests=rests)), "mix_db": 0.0, "role_bands": []}
        expected = forecasting.expected_of_medium({**MEDIUM, "hiss_below_full_db": 55}, full_send_db=-3.0)
        found = forecasting.forecast([track], expected, band_hz=BAND_HZ, rate_hz=RATE_HZ, draws=10)
        over_db.append(found["tracks"][0]["over_hiss_db"][1])
        programme_db.append(found["programme_over_hiss_db"][1])
    assert over_db[1] > over_db[0] - 2
    assert programme_db[1] - programme_db[0] == pytest.approx(over_db[1] - over_db[0] + 10 * np.log10(2 / 8), abs=1)


def test_flutter_is_as_much_as_was_expected():
    from bounceproof.follow.flutter import of_time_map

    expected = {**forecasting.expected_of_medium(MEDIUM, full_send_db=-3.0), "weighted_flutter_percent": (0.9, 0.0)}
    readings = []
    for seed in range(3):
        laid = lay(music(8.0, 1), forecasting.drawn_recorder(expected, seed), seed)
        readings.append(of_time_map(laid.done.truth.time_map(0.0, 20.0)).figures["weighted_flutter_percent"])
    # Two passes add by chance: from nothing to twice one pass.
    assert 0.3 < np.mean(readings) < 1.6


def test_words_and_odds():
    row = told(role_bands=[TONE_BAND, RUMBLE_BAND])["tracks"][0]
    tone, rumble = (verdicts.odds(band["over_hiss_db"]) for band in row["role_bands"])
    assert tone["kept"] > 0.5 and rumble["lost"] == 1.0
    assert sum(tone.values()) == pytest.approx(1)
    assert verdicts.expected_word(row["role_bands"]) == (verdicts.AGAIN, 1.0)
    assert verdicts.expected_word(row["role_bands"][:1])[0] == verdicts.READY
    assert verdicts.expected_word([]) == (None, None)


@pytest.mark.parametrize("came", [False, True])
def test_script_sets_what_came_beside(tmp_path, came):
    stems = {"horn": music(3.0, 1), "rest": np.zeros(3 * RATE_HZ)}
    for name, samples in stems.items():
        made = transfer_of(samples)
        write_float_wav(tmp_path / f"{name}.wav", made.samples, RATE_HZ)
        write_json(tmp_path / f"{name}.json", made.facts)
    files = {key: [tmp_path / f"{name}.{ending}" for name in stems] for key, ending in (("transfers", "wav"), ("facts", "json"))}
    inputs = {**files, "recorder": []}
    tracks = [{"track": name, "mix_db": 0.0, "role_bands": [TONE_BAND]} for name in stems]
    settings = {"medium": MEDIUM, "seed": 1, "send_db": -6.0, "tracks": tracks}
    run("make_forecast", inputs=inputs, outputs={"values": tmp_path / "f.json"}, settings=settings)
    ranges = read_json(tmp_path / "f.json")["tracks"][0]
    row = {
        "track": "horn",
        "verdict": "ready",
        "signal_over_hiss_db": ranges["over_hiss_db"][1],
        "clicks_only_rms_us": 812.0,
        "residual_rms_us": 2 * ranges["followed_rms_us"][2],
    }
    write_table(tmp_path / "tracks.tsv", [row], list(row))
    write_json(tmp_path / "stack.json", {"programme_over_hiss_db": 17.2})
    inputs = {"values": tmp_path / "f.json", "came": [tmp_path / "tracks.tsv", tmp_path / "stack.json"] if came else []}
    outputs = {"page": tmp_path / "f.html", "table": tmp_path / "f.tsv"}
    settings = {"name": "song", "medium": "small tape", "thresholds": {}}
    run("report_forecast", inputs=inputs, outputs=outputs, settings=settings)
    horn, rest = read_table(outputs["table"])
    assert (horn["came_over_hiss_db"] != "") is came
    assert rest["over_hiss_50_db"] == ""
    page = outputs["page"].read_text(encoding="utf-8")
    for said in (
        "812",
        "came 17 dB",
        "1 of 1 tracks lie in their range over the hiss",
        "0 of 1 tracks lie in their range followed",
    ):
        assert (said in page) is came, said
    assert "a guess" in page


def test_a_stem_sent_faster_lies_higher_on_the_tape():
    """Sent four times as fast, a stem's band two octaves lower is what the medium carries."""
    expected = forecasting.expected_of_medium(MEDIUM, full_send_db=-3.0)
    rumble = np.sin(2 * np.pi * 150.0 * np.arange(4 * RATE_HZ) / RATE_HZ)
    low = {"name": "low", "low_hz": 140, "high_hz": 160, "importance": 3}
    over_db = {}
    for speed in (1, 4):
        stem = stem_of(rumble, send_speed=speed)
        track = {"track": "x", "stem": stem, "mix_db": 0.0, "role_bands": [low]}
        told = forecasting.forecast([track], expected, band_hz=BAND_HZ, rate_hz=RATE_HZ, draws=10)
        over_db[speed] = np.median(told["tracks"][0]["role_bands"][0]["over_hiss_db"])
    # Well inside the band it is as loud as it can be; hiss is four times as wide in a band of four times the width.
    assert over_db[4] > over_db[1] + 6


MEASURED = {
    "edges": [{"low_hz": 380.0, "high_hz": 3900.0}],
    "full": {"send_db": -3.0, "send_sigma_db": 0.2},
    "level_control": {"found": False, "gain_db": -2.0},
    "hiss": {"flat_dbfs": -43.0},
    "speed_percent": 0.4,
    "weighted_flutter_percent": 0.8,
    "drift_percent": 0.1,
}


def test_a_measured_recorder_is_what_stands_in_for_a_return(tmp_path):
    silence = np.zeros(4 * RATE_HZ)
    write_pcm24_wav(tmp_path / "x.wav", silence, RATE_HZ)
    write_json(tmp_path / "x.json", {"stem_start_sample": RATE_HZ, "stem_samples": RATE_HZ, "send_speed": 1})
    write_json(tmp_path / "recorder.json", MEASURED)
    inputs = {"transfer": tmp_path / "x.wav", "meta": tmp_path / "x.json", "measured": [tmp_path / "recorder.json"]}
    outputs = {"capture": tmp_path / "y.wav", "truth": tmp_path / "y.json", "map": tmp_path / "y.tsv"}
    settings = {"recorder": {"preset": "wire"}, "medium": MEDIUM, "seed": 1, "track": "x"}
    run("simulate_return", inputs=inputs, outputs=outputs, settings=settings)
    assert 10 * np.log10(in_band(read_mono(outputs["capture"]))) == pytest.approx(MEASURED["hiss"]["flat_dbfs"], abs=0.7)
    assert read_json(outputs["truth"])["speed_percent"] == pytest.approx(MEASURED["speed_percent"], abs=0.3)


def test_a_measured_recorder_narrows_the_range():
    stem = stem_of(music(4.0, 1))
    track = {"track": "x", "stem": stem, "mix_db": 0.0, "role_bands": []}
    known = forecasting.expected_of_recorder(MEASURED, MEDIUM)
    measured = forecasting.forecast([track], known, band_hz=BAND_HZ, rate_hz=RATE_HZ, draws=20)
    low, _, high = measured["tracks"][0]["over_hiss_db"]
    typical_low, _, typical_high = told()["tracks"][0]["over_hiss_db"]
    assert high - low < 0.6 * (typical_high - typical_low)
    assert not measured["guess"]
