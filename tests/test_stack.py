"""The stack of hiss: predicted from the tracks' figures, held against the hiss of the mix actually summed."""

import numpy as np
import pytest
from bounceproof import mix, restoring, stack
from bounceproof.condition.hiss import measure_hiss
from bounceproof.condition.level import analysis_bands
from bounceproof.files import finite, read_json, read_table
from bounceproof.quantities import power_db
from fake_session import BAND_HZ, RATE_HZ, SONG_S, FakeSession, band_limited, make_stem
from scipy.signal import lfilter


def hiss_layer(track, noise, *, level_db=0.0, mix_db=0.0, pan=0.0, playing=((0.0, SONG_S),), simulated=False, ready=None):
    """A layer measured from 2 s of its own noise, as a lead-in would be."""
    bands = analysis_bands(RATE_HZ)
    hiss = measure_hiss(noise[: 2 * RATE_HZ], RATE_HZ, 1.0, bands, BAND_HZ)
    rows = [
        {"nominal_hz": band.nominal_hz, "hiss_dbfs": power_db(power), "return_dbfs": power_db(power) + 20.0}
        for band, power in zip(bands, hiss.band_powers, strict=True)
    ]
    condition = {
        "hiss": {f"{name}_{what}": getattr(hiss, f"{name}_{what}") for name in stack.MEASURES for what in ("dbfs", "sigma_db")},
        "playing_s": [list(span) for span in playing],
        "level": {"return_whole_song_dbfs": -30.0},
    }
    alignment = {"state": "aligned", "level_db": level_db, "simulated": simulated}
    about = {"track": track, "take": "take1", "mix_db": mix_db, "pan": pan}
    layer, reason = stack.layer(about, alignment, condition, rows, ready=ready, band_hz=BAND_HZ)
    assert reason is None
    return layer


def tracks_of_hiss(count=12):
    random = np.random.default_rng(7)
    frames = int(SONG_S * RATE_HZ)
    out = []
    for k in range(count):
        noise = 10 ** (random.uniform(-60, -45) / 20) * band_limited(random.normal(size=frames))
        gains = {
            "level_db": float(random.uniform(-6, 20)),
            "mix_db": float(random.uniform(-9, 3)),
            "pan": float(random.uniform(-1, 1)),
        }
        out.append((f"track{k}", noise, gains))
    return out


def test_prediction_against_the_mix_that_was_summed():
    """12 tracks, any gains and pans: stack within 0.5 dB flat, A and 468, left plus right."""
    tracks = tracks_of_hiss()
    bus = mix.Bus(int(SONG_S * RATE_HZ))
    for _, noise, gains in tracks:
        bus.add(noise * 10 ** (gains["level_db"] / 20), mix_db=gains["mix_db"], pan=gains["pan"])
    sides = [measure_hiss(bus.samples[:, side], RATE_HZ, 1.0, analysis_bands(RATE_HZ), BAND_HZ) for side in (0, 1)]
    predicted = stack.stacked([hiss_layer(name, noise, **gains) for name, noise, gains in tracks], song_s=SONG_S)
    for measure in ("flat_dbfs", "a_weighted_dbfs", "bs468_rms_dbfs"):
        actual = power_db(sum(10 ** (getattr(side, measure) / 10) for side in sides))
        assert predicted["total"][measure] == pytest.approx(actual, abs=0.5)
        assert abs(predicted["total"][measure] - actual) < 3 * predicted["total"][measure.replace("dbfs", "sigma_db")] < 0.15
    assert predicted["left_flat_dbfs"] == pytest.approx(sides[0].flat_dbfs, abs=0.5)
    assert predicted["right_flat_dbfs"] == pytest.approx(sides[1].flat_dbfs, abs=0.5)
    for band, power in zip(predicted["bands"], sides[0].band_powers + sides[1].band_powers, strict=True):
        if 400 <= band["nominal_hz"] <= 4000:
            assert band["hiss_dbfs"] == pytest.approx(power_db(power), abs=1.3)


@pytest.mark.parametrize("phase", [restoring.LINEAR, restoring.MINIMUM])
def test_hiss_that_was_equalised_stands_in_the_stack_as_it_was_mixed(phase):
    """A return restored towards its stem brings its hiss along: within 0.5 dB flat and weighted."""
    stem = make_stem(1, noisy=1.0)
    over_db = {band.nominal_hz: 40.0 if 300 < band.mid_hz < 5000 else -10.0 for band in analysis_bands(RATE_HZ)}
    laid = lfilter([1.0, -0.7], [1.0], band_limited(stem)).astype(np.float32)
    limits = {"phase": phase, "limit_db": 12.0, "lost_db": 3.0}
    found = restoring.equaliser(stem, laid, RATE_HZ, analysis_bands(RATE_HZ), over_db, **limits)
    noise = 0.001 * band_limited(np.random.default_rng(3).normal(size=int(SONG_S * RATE_HZ)))
    mixed = measure_hiss(found.applied(noise), RATE_HZ, 1.0, analysis_bands(RATE_HZ), BAND_HZ)
    layer = hiss_layer("bright", noise, ready={"equaliser": found.rows, "level_riding_undone": None})
    plain = hiss_layer("bright", noise)
    for measure in stack.MEASURES:
        assert layer.levels_dbfs[measure] == pytest.approx(getattr(mixed, f"{measure}_dbfs"), abs=0.5)
    assert abs(layer.levels_dbfs["a_weighted"] - plain.levels_dbfs["a_weighted"]) > 2.0, "the equaliser did something"
    assert layer.silence_flat_dbfs - plain.silence_flat_dbfs == pytest.approx(
        layer.levels_dbfs["flat"] - plain.levels_dbfs["flat"], abs=0.01
    )


def test_a_level_ride_taken_back_moves_hiss_in_rests_and_under_music():
    from ready_track import noise_gains

    frames, half = int(SONG_S * RATE_HZ), int(SONG_S * RATE_HZ / 2)
    noise = 0.001 * band_limited(np.random.default_rng(4).normal(size=frames))
    # Steps of 6 dB under the music, 10 dB down at rest.
    gain = np.where(np.arange(frames) % RATE_HZ < RATE_HZ / 2, 2.0, 1.0)
    gain[half:] = 10.0**-0.5
    undone = noise_gains(gain, RATE_HZ, [[0.0, SONG_S / 2]])
    rested = {"playing": ((0.0, SONG_S / 2),), "ready": {"equaliser": None, "level_riding_undone": undone}}
    muting = stack.stacked([hiss_layer("ridden", noise, **rested)], song_s=SONG_S)["with_muting"]
    actual = [measure_hiss(part, RATE_HZ, 1.0, analysis_bands(RATE_HZ), BAND_HZ) for part in np.split(gain * noise, [half])]
    assert muting["through_time"]["unmuted_dbfs"][1] == pytest.approx(actual[0].flat_dbfs, abs=0.5)
    assert muting["through_time"]["unmuted_dbfs"][-2] == pytest.approx(actual[1].flat_dbfs, abs=0.5)


def test_muting_against_the_mix_that_was_muted():
    """Returns silenced outside their stems' spans: mean, worst and best moment against the summed mix."""
    spans = [((0.0, 4.0),), ((2.0, 6.0),), ((3.0, 10.0),)]
    noises = np.random.default_rng(1).normal(scale=0.001, size=(3, int(SONG_S * RATE_HZ)))
    noises = np.array([band_limited(noise) for noise in noises])
    t = np.arange(noises.shape[1]) / RATE_HZ
    gates = np.array([sum((t >= a) & (t < b) for a, b in span) for span in spans])
    layers = [hiss_layer(f"t{k}", noise, playing=span) for k, (noise, span) in enumerate(zip(noises, spans, strict=True))]
    found = stack.stacked(layers, song_s=SONG_S)
    muted = (noises * gates).sum(axis=0)
    flat = [
        measure_hiss(part, RATE_HZ, 1.0, analysis_bands(RATE_HZ), BAND_HZ).flat_dbfs
        for part in (muted, muted[3 * RATE_HZ : 4 * RATE_HZ])
    ]
    assert found["with_muting"]["mean_dbfs"] == pytest.approx(flat[0], abs=0.3)
    assert found["with_muting"]["worst_dbfs"] == pytest.approx(flat[1], abs=0.5)
    # All three are open together from 3 s until the first has held for 0.1 s after its end at 4 s.
    assert 3.0 <= found["with_muting"]["worst_at_s"] <= 4.1
    # 4 + 4 + 7 of 30 track-seconds of equal hiss: 10 lg 2 saved.
    assert found["with_muting"]["saved_db"] == pytest.approx(3.01, abs=0.4)


def test_rows_run_from_the_loudest_to_the_whole():
    layers = [hiss_layer(name, noise, **gains) for name, noise, gains in tracks_of_hiss(6)]
    rows = stack.rows(layers, song_s=SONG_S)
    total = stack.stacked(layers, song_s=SONG_S)["total"]
    alone = [row["flat_dbfs"] for row in rows]
    running = [row["running_flat_dbfs"] for row in rows]
    assert alone == sorted(alone, reverse=True)
    assert running == sorted(running)
    assert running[-1] == pytest.approx(total["flat_dbfs"])
    assert rows[-1]["ten_lg_n_dbfs"] == pytest.approx(total["flat_dbfs"])
    assert rows[-1]["running_a_weighted_dbfs"] == pytest.approx(total["a_weighted_dbfs"])
    assert all(row["running_flat_dbfs"] >= row["ten_lg_n_dbfs"] - 1e-9 for row in rows)
    assert set(rows[0]) <= set(stack.columns(layers))


def test_what_helps_most_is_the_loudest_track():
    layers = [hiss_layer(name, noise, **gains) for name, noise, gains in tracks_of_hiss(5)]
    found = stack.stacked(layers, song_s=SONG_S)
    without = [one for one in layers if one.track != found["gains_most"]["track"]]
    again = stack.stacked(without, song_s=SONG_S)
    assert found["gains_most"]["without_it_db"] == pytest.approx(again["total"]["flat_dbfs"] - found["total"]["flat_dbfs"])


def test_silence_and_nothing():
    assert stack.stacked([], song_s=SONG_S)["total"]["flat_dbfs"] is None
    wire = stack.stacked([hiss_layer("wire", np.zeros(3 * RATE_HZ))], song_s=SONG_S)
    assert wire["total"]["flat_dbfs"] is None
    assert wire["programme_over_hiss_db"] is None
    assert finite(stack.rows([hiss_layer("wire", np.zeros(3 * RATE_HZ))], song_s=SONG_S))[0]["flat_dbfs"] is None


@pytest.mark.parametrize(
    ("alignment", "reason"),
    [
        (None, "no return yet"),
        ({"state": "rejected", "reason": "no click"}, "rejected: no click"),
        ({"state": "aligned", "level_db": None}, "nothing stands over its hiss, so it has no level"),
    ],
)
def test_tracks_left_out_say_why(alignment, reason):
    track = {"track": "t", "take": "take1", "mix_db": 0.0, "pan": 0.0}
    assert stack.layer(track, alignment, {"hiss": None}, []) == (None, reason)


def test_script_lists_everybody(tmp_path):
    session = FakeSession(tmp_path)
    session.measure()
    session.stack_and_mix()
    found = read_json(session.results / "noise" / "stack.json")
    assert found["simulated"] is True
    assert {one["track"] for one in found["left_out"]} == {"voice", "horn"}
    rows = read_table(session.results / "noise" / "stack.tsv")
    assert {row["track"] for row in rows} == {"drum", "drum_far", "keys.L", "keys.R"}
    assert all(row["simulated"] == "yes" for row in rows)


def test_a_mute_fades_and_looks_ahead():
    """A gate's power by hand: 1 while open, 3/8 over each fade of 50 ms (mean of the fourth power of a raised cosine's sine)."""
    power = stack._gate_power([(1.0, 2.0)], 80)
    assert power.sum() * stack.FRAME_S == pytest.approx(1.0 + 0.03 + 0.1 + 2 * 0.375 * 0.05, abs=0.002)
    assert power[20] == power[41] == pytest.approx(1.0)
    assert 0.0 < power[19] < 1.0
    assert power[10] == 0.0


def test_rests_that_hiss_louder_make_muting_worth_more():
    """Half the song rests, and hisses 10 dB louder there: (10 + 1) / 1 in power, 10.4 dB, less what gates leave open."""
    base = hiss_layer("a", 0.001 * np.random.default_rng(2).normal(size=3 * RATE_HZ), playing=((0.0, SONG_S / 2),))
    louder = base._replace(silence_flat_dbfs=base.levels_dbfs["flat"] + 10.0)
    found = stack.with_muting([louder], song_s=SONG_S)
    assert found["saved_db"] == pytest.approx(10.41, abs=1.2)
    assert len(found["through_time"]["muted_dbfs"]) == SONG_S
    assert found["through_time"]["muted_dbfs"][-1] is None


def test_what_single_step_gains_most():
    """Of two equal hisses: 12 dB hotter leaves 1/16 of one (2.7 dB); a mute for half the song takes a quarter (1.25 dB)."""
    noise = 0.001 * np.random.default_rng(3).normal(size=3 * RATE_HZ)
    low = hiss_layer("low", noise)._replace(room_db=20.0)
    rests = hiss_layer("rests", noise, playing=((0.0, SONG_S / 2),))
    first, *others = stack.stacked([low, rests], song_s=SONG_S)["helps"]
    assert (first["what"], first["track"], first["by_db"]) == ("record again hotter", "low", 12.0)
    assert first["gain_db"] == pytest.approx(-10 * np.log10((1 + 10**-1.2) / 2), abs=0.01)
    mute = next(step for step in others if step["what"] == "mute")
    assert mute["track"] == "rests"
    assert mute["gain_db"] == pytest.approx(-10 * np.log10(0.75), abs=0.1)
