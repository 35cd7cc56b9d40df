"""Pairs: relative delay, polarity, loss of the sum and how far up a pair adds up, where the truth is made."""

import numpy as np
import pytest
from bounceproof import pairs, verdicts
from bounceproof.condition.known_hiss import hiss_powers
from bounceproof.condition.level import analysis_bands, hiss_band_powers
from bounceproof.files import finite, read_json, read_table
from fake_session import BAND_HZ, RATE_HZ, SONG_S, FakeSession, band_limited, late, make_stem, wander_s
from scipy.ndimage import uniform_filter1d

BANDS = analysis_bands(RATE_HZ)


def two_microphones(seed=1, *, apart_s=0.0007):
    """Two stems of one source: the second weaker, later, with a little sound of its own."""
    stem = make_stem(seed, noisy=1.0)
    own = 0.002 * np.random.default_rng(seed + 50).normal(size=len(stem))
    return pairs.Side(stem, 0.7 * late(stem, apart_s) + own)


def returned(stems, *, first_late_s=0.0, second_late_s=0.0, hiss=0.0005, sign=1.0, seed=1):
    random = np.random.default_rng(seed)
    noises = [hiss * band_limited(random.normal(size=len(stems.first))) for _ in range(2)]
    first = band_limited(late(stems.first, first_late_s)) + noises[0]
    second = sign * band_limited(late(stems.second, second_late_s)) + noises[1]
    return pairs.Side(first, second), [hiss_band_powers(noise, RATE_HZ, BANDS) for noise in noises]


def checked(stems, side, hiss, *, clicks=None, kind="one-source"):
    return pairs.check(pairs.PairInput(stems, side, clicks or side, *hiss), RATE_HZ, BAND_HZ, kind=kind)


@pytest.mark.parametrize("delay_us", [-750.0, -20.0, 0.0, 3.3, 150.0, 1000.0])
def test_relative_delay_beyond_the_stems(delay_us):
    """The stems' own 0.7 ms must not enter; the delay is the second return's beyond it."""
    stems = two_microphones()
    side, hiss = returned(stems, second_late_s=delay_us * 1e-6)
    ours = checked(stems, side, hiss)[0]["aligned"]
    assert ours["delay_us"] == pytest.approx(delay_us, abs=max(0.5, 4 * ours["delay_sd_us"]))
    assert ours["polarity"] == 1
    assert ours["delay_by"] == "returns"
    assert ours["spread_us"] < 10


def test_delay_within_two_microseconds_at_35_db():
    """Hiss 35 dB down, twenty draws: the mean delay scatters by less than 2 us rms and its stated sd is of that size."""
    stems = two_microphones()
    level = np.std(band_limited(stems.first))
    errors, stated = [], []
    for seed in range(20):
        side, hiss = returned(stems, second_late_s=40e-6, hiss=level * 10 ** (-35 / 20) * 2.5, seed=seed)
        ours = checked(stems, side, hiss)[0]["aligned"]
        errors.append(ours["delay_us"] - 40.0)
        stated.append(ours["delay_sd_us"])
    assert np.sqrt(np.mean(np.square(errors))) < 2.0
    assert 0.3 < np.sqrt(np.mean(np.square(errors))) / np.mean(stated) < 3.0


def test_upset_polarity_is_told_and_not_called_a_delay():
    stems = two_microphones()
    side, hiss = returned(stems, sign=-1.0)
    summary, rows = checked(stems, side, hiss)
    assert summary["aligned"]["polarity"] == -1
    assert summary["aligned"]["delay_us"] == pytest.approx(0.0, abs=1.0)
    assert summary["aligned"]["adds_up_to_hz"] == 0.0
    words = verdicts.pair_verdict({"state": "measured", "kind": "one-source", "methods": ["follow", "follow"], **summary})
    assert words.word == verdicts.AGAIN
    assert any("polarity" in finding.sentence for finding in words.findings)
    assert rows


def test_wander_shows_as_spread():
    stems = two_microphones()
    wander = wander_s(4, 250.0)
    side, hiss = returned(stems, second_late_s=wander)
    ours = checked(stems, side, hiss)[0]["aligned"]
    assert ours["spread_us"] == pytest.approx(1e6 * np.std(wander), rel=0.25)
    assert ours["rms_us"] >= ours["spread_us"]
    assert ours["first_notch_hz"] == pytest.approx(5e5 / ours["rms_us"])
    assert abs(ours["delay_us"]) < 4 * ours["delay_sd_us"] + 60


@pytest.mark.parametrize("delay_us", [100.0, 400.0])
def test_loss_of_sum_is_the_true_loss(delay_us):
    """Truth without any estimate: the sum of the late returns against the sum of the same returns on time, band by band."""
    stems = two_microphones()
    on_time, hiss = returned(stems, hiss=0.0)
    side, _ = returned(stems, second_late_s=delay_us * 1e-6, hiss=0.0)
    _, rows = checked(stems, side, hiss)
    powers = [hiss_band_powers(one.first + one.second, RATE_HZ, BANDS) for one in (on_time, side)]
    judged = 0
    for row, expected, got in zip(rows, *powers, strict=True):
        if row["shared"] and np.isfinite(row["loss_aligned_db"]) and 300 <= row["nominal_hz"] <= 5000:
            assert row["loss_aligned_db"] == pytest.approx(10 * np.log10(expected / got), abs=0.3), row["nominal_hz"]
            judged += 1
    assert judged >= 9


def test_loss_by_two_clicks_is_true_where_the_speed_wanders():
    """Partials that a wrong speed moves beside their stem's bins: the truth is the same sum through the right maps."""
    t = np.arange(int(SONG_S * RATE_HZ)) / RATE_HZ
    fade = np.clip(np.minimum(t, SONG_S - t), 0, 1)
    first, own = (fade * sum(np.sin(2 * np.pi * k * hz * t + k * k) / k for k in range(1, 30)) for hz in (208.0, 331.0))
    stems = pairs.Side(0.1 * first, -0.08 * first + 0.06 * own)
    on_time, hiss = returned(stems, hiss=2e-5)
    wanders = [0.0015 * np.sin(2 * np.pi * hz * t) for hz in (0.7, 0.5)]
    clicks, _ = returned(stems, first_late_s=wanders[0], second_late_s=wanders[1], hiss=2e-5)
    _, rows = checked(stems, on_time, hiss, clicks=clicks)
    powers = [hiss_band_powers(one.first + one.second, RATE_HZ, BANDS) for one in (on_time, clicks)]
    judged = [k for k, row in enumerate(rows) if row["shared"] and row["loss_clicks_db"] is not None]
    off_db = [rows[k]["loss_clicks_db"] - 10 * np.log10(powers[0][k] / powers[1][k]) for k in judged]
    assert len(judged) >= 6
    assert np.abs(off_db).max() < 0.3


def test_hiss_does_not_change_the_loss():
    stems = two_microphones()
    clean, none = returned(stems, second_late_s=150e-6, hiss=0.0)
    noisy, hiss = returned(stems, second_late_s=150e-6, hiss=0.004)
    truth = {row["nominal_hz"]: row["loss_aligned_db"] for row in checked(stems, clean, none)[1]}
    for row in checked(stems, noisy, hiss)[1]:
        if row["shared"] and 400 <= row["nominal_hz"] <= 2000 and np.isfinite(row["loss_aligned_db"]):
            assert row["loss_aligned_db"] == pytest.approx(truth[row["nominal_hz"]], abs=0.4)


def test_both_alignments_side_by_side():
    stems = two_microphones()
    side, hiss = returned(stems, second_late_s=2e-6)
    clicks, _ = returned(stems, second_late_s=wander_s(2, 900.0))
    summary, _ = checked(stems, side, hiss, clicks=clicks)
    assert summary["aligned"]["adds_up_to_hz"] >= 4000
    assert summary["clicks"]["adds_up_to_hz"] < 1000
    words = verdicts.pair_verdict({"state": "measured", "kind": "one-source", "methods": ["follow", "follow"], **summary})
    assert words.word == verdicts.READY
    assert words.findings[0].sentence.startswith("Adds up to ")
    assert "with two clicks" in words.findings[0].sentence


def test_stems_that_share_nothing_have_nothing_to_cancel():
    stems = pairs.Side(
        make_stem(1, noisy=1.0), make_stem(2, noisy=1.0) * 0 + 0.1 * np.random.default_rng(3).normal(size=int(SONG_S * RATE_HZ))
    )
    side, hiss = returned(stems, second_late_s=300e-6)
    summary, rows = checked(stems, side, hiss)
    assert sum(row["shared"] for row in rows if row["nominal_hz"] >= 200) == 0
    assert summary["aligned"]["adds_up_to_hz"] is None or summary["aligned"]["adds_up_to_hz"] < 200
    assert summary["aligned"]["delay_us"] == pytest.approx(300.0, abs=5.0), "both stems are known: they need not be alike"


def test_doubled_pairs_are_judged_by_timing_only():
    stems = pairs.Side(make_stem(1, noisy=1.0), make_stem(2, noisy=1.0))
    side, hiss = returned(stems, second_late_s=2e-3)
    summary, rows = checked(stems, side, hiss, kind="doubled")
    assert summary["aligned"]["delay_us"] == pytest.approx(2000.0, abs=100.0)
    assert summary["aligned"]["limit"] == "timing only"
    assert all(row["loss_aligned_db"] is None for row in rows)


def test_a_wire_adds_up_to_the_top():
    """No recorder: no delay, no loss, whatever the stems are."""
    stems = two_microphones()
    nothing = np.zeros(len(BANDS))
    summary, rows = pairs.check(pairs.PairInput(stems, stems, stems, nothing, nothing), RATE_HZ, (20, 11000), kind="one-source")
    assert summary["aligned"]["delay_us"] == pytest.approx(0.0, abs=1e-6)
    assert summary["aligned"]["limit"] == "nothing shared above"
    losses = np.array([row["loss_aligned_db"] for row in rows])
    assert np.nanmax(np.abs(losses)) < 1e-9


def test_returns_of_hiss_alone_share_nothing():
    """No sample of a stem may be heard in hiss: coherence with zero expected stays at its level."""
    stems = two_microphones()
    random = np.random.default_rng(6)
    side = pairs.Side(*(0.01 * random.normal(size=(2, len(stems.first)))))
    hiss = [hiss_band_powers(one, RATE_HZ, BANDS) for one in side]
    summary, rows = checked(stems, side, hiss)
    assert summary["aligned"]["adds_up_to_hz"] is None
    assert not any(row["shared"] for row in rows)
    assert np.mean([row["returns_coherence_aligned"] for row in rows]) < np.mean([row["zero_coherence"] for row in rows])


@pytest.mark.parametrize(
    ("loss_db", "expected_hz"),
    # Straight line over the logarithm of frequency between 1 kHz (0.5 dB) and 1.259 kHz (1.5 dB): 1 dB in its middle.
    [
        ([0.0, 0.5, 1.5, 0.2], 1000 * 10**0.05),
        ([2.0, 0.0, 0.0, 0.0], 0.0),
        ([0.0, 0.0, 0.0, 0.0], 1778.279),
        ([0.1, -2.9, 0, 0], None),
    ],
)
def test_how_far_up_it_adds_up(loss_db, expected_hz):
    bands = [band for band in BANDS if 790 <= band.mid_hz <= 1600]
    found, ended = pairs.adds_up_to(bands, np.array(loss_db), np.ones(4, dtype=bool), 1.0)
    if expected_hz is None:
        assert 800 < found < 1000
        assert ended
    else:
        assert found == pytest.approx(expected_hz, abs=0.01)


@pytest.mark.parametrize(
    ("first", "second", "state"),
    [
        (None, {"state": "aligned", "level_db": 0.0}, "waiting"),
        ({"state": "rejected", "reason": "no click", "level_db": None}, {"state": "aligned", "level_db": 0.0}, "rejected"),
        ({"state": "aligned", "level_db": None}, {"state": "aligned", "level_db": 0.0}, "no level"),
        ({"state": "aligned", "level_db": 0.0}, {"state": "aligned", "level_db": 0.0}, "measured"),
    ],
)
def test_state_of_a_pair(first, second, state):
    found = pairs.pair_state("kick", first, "snare", second)
    assert found["state"] == state
    assert (found["reason"] is None) == (state == "measured")


def test_script_carries_on_waiting_and_rejected(tmp_path):
    session = FakeSession(tmp_path)
    session.measure()
    session.check_pairs()
    drum, voices = (read_json(session.results / "pairs" / f"{name}.json") for name in ("drum", "voices"))
    assert drum["state"] == "measured"
    assert drum["simulated"] is True
    assert finite(drum) == drum
    assert drum["aligned"]["adds_up_to_hz"] > 3000 > drum["clicks"]["adds_up_to_hz"]
    assert voices["state"] == "waiting"
    assert "horn" in voices["reason"]
    assert read_table(session.results / "pairs" / "voices.tsv") == []
    assert len(read_table(session.results / "pairs" / "drum.tsv")) == len(BANDS)


def course(sd_us, *, clicks_later_us=None):
    times_s = np.arange(0.0, SONG_S, 0.01)
    later = None if clicks_later_us is None else np.full(len(times_s), float(clicks_later_us))
    return pairs.Course(times_s, np.broadcast_to(np.asarray(sd_us, dtype=float), times_s.shape), later)


def checked_with(stems, side, hiss, known, *, clicks=None):
    return pairs.check(pairs.PairInput(stems, side, clicks or side, *hiss, known), RATE_HZ, BAND_HZ, kind="one-source")


def test_where_the_returns_agree_the_maps_tell_the_delay_and_its_error():
    """What is left between returns hugs zero, since the maps were fitted to them: the maps' own error is the answer."""
    stems = two_microphones()
    side, hiss = returned(stems, second_late_s=4e-6)
    ours = checked_with(stems, side, hiss, course(5.0))[0]["aligned"]
    assert (ours["delay_us"], ours["polarity"]) == (0.0, 1)
    assert ours["rms_us"] == pytest.approx(5.0)
    assert ours["delay_by"] == "returns and maps"


def test_what_a_map_does_not_know_of_silence_is_nobodys_delay():
    """Known to 4 us while notes sound, to 900 us once they are 40 dB down: the pair's delay is known to 4 us."""
    stems = two_microphones()
    power = uniform_filter1d(band_limited(stems.first) ** 2, int(0.03 * RATE_HZ))
    times_s = np.arange(0.0, SONG_S, 0.005)
    loud = power[(times_s * RATE_HZ).astype(int)] > 1e-4 * power.max()
    assert 0.2 < loud.mean() < 0.8
    side, hiss = returned(stems)
    known = pairs.Course(times_s, np.where(loud, 4.0, 900.0), None)
    ours = checked_with(stems, side, hiss, known)[0]["aligned"]
    assert ours["rms_us"] == pytest.approx(4.0, abs=1.5)
    strangers = pairs.Side(stems.first, np.roll(0.2 * np.random.default_rng(8).normal(size=len(stems.first)), 1))
    told = pairs.check_strangers(strangers, known, RATE_HZ, BAND_HZ)[0]["aligned"]
    assert told["rms_us"] < 20.0, "noise sounds on, the notes' decay is most of what is not known"


def test_returns_that_contradict_their_maps_are_believed():
    """3 ms of slip through two seconds, which the maps deny: told where it is, and only there; so is a constant of 90 us."""
    stems = two_microphones()
    slip_s = np.zeros(len(stems.first))
    slip_s[int(7 * RATE_HZ) : int(9 * RATE_HZ)] = 3e-3
    side, hiss = returned(stems, second_late_s=slip_s)
    told = checked_with(stems, side, hiss, course(5.0))[0]["through_time"]
    times_s = np.array(told["time_s"])
    delay_us = np.array([np.nan if one is None else one for one in told["aligned_us"]])
    assert np.nanmedian(delay_us[(times_s > 7.2) & (times_s < 8.8)]) == pytest.approx(3000.0, abs=5.0)
    away = (np.abs(times_s - 7) > 0.4) & (np.abs(times_s - 9) > 0.4) & ~((times_s > 7) & (times_s < 9))
    assert np.nanmax(np.abs(delay_us[away])) < 1.0
    side, hiss = returned(stems, second_late_s=90e-6)
    assert checked_with(stems, side, hiss, course(5.0))[0]["aligned"]["delay_us"] == pytest.approx(90.0, abs=1.0)


def test_two_clicks_are_told_from_the_maps():
    stems = two_microphones()
    side, hiss = returned(stems)
    clicks, _ = returned(stems, second_late_s=2e-3)
    summary, rows = checked_with(stems, side, hiss, course(5.0, clicks_later_us=2000.0), clicks=clicks)
    assert summary["clicks"]["delay_us"] == pytest.approx(2000.0, abs=1e-6)
    # Equal sounds 2 ms apart are 1 dB short of adding up at 0.1498 / tau (the sum's formula).
    assert summary["clicks"]["adds_up_to_hz"] == pytest.approx(0.1498 / 2e-3, rel=0.03)
    assert summary["clicks"]["first_notch_hz"] == pytest.approx(250.0, rel=0.01)
    kept = {row["nominal_hz"]: (row["phase_kept_aligned"], row["phase_kept_clicks"]) for row in rows}
    assert kept[1000][0] > 0.99
    assert kept[1250][1] < 0.3, "half a turn in the middle of the band"


def test_strangers_are_told_from_their_stems_alone():
    stems = pairs.Side(make_stem(1, noisy=1.0), 0.1 * np.random.default_rng(3).normal(size=int(SONG_S * RATE_HZ)))
    summary, rows = pairs.check_strangers(stems, course(7.0, clicks_later_us=500.0), RATE_HZ, BAND_HZ)
    assert summary["aligned"]["rms_us"] == pytest.approx(7.0)
    assert summary["clicks"]["delay_us"] == pytest.approx(500.0)
    assert summary["aligned"]["adds_up_to_hz"] is None
    assert [row["nominal_hz"] for row in rows] == [band.nominal_hz for band in BANDS]
    assert pairs.check_strangers(two_microphones(), course(7.0), RATE_HZ, BAND_HZ) is None


def test_hiss_rises_under_music_as_in_the_nearest_band_that_was_measured():
    rows = [
        {"nominal_hz": "1000", "hiss_dbfs": "-80", "hiss_under_music_dbfs": "-77"},
        {"nominal_hz": "2000", "hiss_dbfs": "-70", "hiss_under_music_dbfs": ""},
    ]
    bands = [band for band in BANDS if band.nominal_hz in (1000, 2000, 4000)]
    powers = hiss_powers(rows, bands, 10.0)
    assert 10 * np.log10(powers[:2]) == pytest.approx([-67.0, -57.0])
    assert powers[2] == 0.0, "a band that nobody measured has no hiss to take off"
