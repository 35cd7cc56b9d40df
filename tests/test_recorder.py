"""The simulated recorder: its truth is right, it repeats itself, and each effect does what its settings say."""

import json

import numpy as np
import pytest
from bounceproof.reading import Reader
from bounceproof.recorder import PRESETS, RecorderProblem, resolve, simulate
from bounceproof.recorder.channel import loud_frames_rms
from bounceproof.recorder.motion import tape_motion
from scipy.signal import butter, chirp, sosfiltfilt

RATE_HZ = 48000
WOW = {"lines": [{"rate_hz": 2.3, "percent": 0.25, "phase_deg": 30}, {"rate_hz": 25, "percent": 0.1, "phase_deg": 0}]}


def music(seconds, seed=0, level=0.1):
    """Noise in bursts, 100 Hz to 8 kHz, with silence for the first half second."""
    generator = np.random.default_rng(seed)
    noise = sosfiltfilt(
        butter(2, (100, 8000), "bandpass", fs=RATE_HZ, output="sos"), generator.standard_normal(int(seconds * RATE_HZ))
    )
    time_s = np.arange(noise.size) / RATE_HZ
    return level * noise / noise.std() * (0.55 + 0.45 * np.sin(2 * np.pi * 1.7 * time_s)) * (time_s > 0.5)


def tone(freq_hz, seconds, level_dbfs=-12.0):
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def level_db(samples):
    return 20 * np.log10(np.sqrt(np.mean(np.square(samples))))


def band_rms_db(samples, low_hz, high_hz):
    spectrum = np.fft.rfft(samples)
    freq_hz = np.fft.rfftfreq(samples.size, 1 / RATE_HZ)
    power = np.sum(np.abs(spectrum[(freq_hz >= low_hz) & (freq_hz <= high_hz)]) ** 2) * 2 / samples.size**2
    return 10 * np.log10(power)


def peak_at_hz(samples, freq_hz):
    window = np.hanning(samples.size)
    return np.abs(np.sum(samples * window * np.exp(-2j * np.pi * freq_hz * np.arange(samples.size) / RATE_HZ))) / window.sum() * 2


# --- time ----------------------------------------------------------------------------------------------------------------


def test_a_wire_changes_nothing():
    sent = music(2.0)
    done = simulate(sent, RATE_HZ, "wire", seed=1)
    start = round(0.25 * RATE_HZ)
    assert np.array_equal(done.capture[start : start + sent.size], sent)
    assert not done.capture[:start].any()
    assert done.truth.speed_percent == pytest.approx(0.0, abs=1e-9)
    assert done.truth.capture_at([0.0, 1.5]) == pytest.approx([0.25, 1.75], abs=1e-12)


def test_constant_speed_on_either_pass_by_hand():
    replayed = resolve({"replay.speed_percent": 2.0})
    motion = tape_motion(replayed["record"], replayed["replay"], 10.0, seed=1, pre_roll_s=0.3)
    sent_s = np.linspace(0, 10, 77)
    assert motion.capture_at(sent_s) == pytest.approx(0.3 + sent_s / 1.02, abs=2e-11)
    recorded = resolve({"record.speed_percent": 2.0})
    motion = tape_motion(recorded["record"], recorded["replay"], 10.0, seed=1)
    assert motion.capture_at(sent_s) == pytest.approx(sent_s * 1.02, abs=2e-11)


def test_map_of_sines_agrees_with_their_integral():
    """Position = t + sum of -d / w (cos(w t + p) - cos p), integrated by hand; capture clock 40 ppm fast."""
    settings = resolve({"replay": WOW})
    motion = tape_motion(settings["record"], settings["replay"], 12.0, seed=1, pre_roll_s=0.5, clock_error_ppm=40.0)
    play_s = np.sort(np.random.default_rng(2).uniform(0, 11.9, 5000))
    position = play_s.copy()
    for line in WOW["lines"]:
        w, p = 2 * np.pi * line["rate_hz"], np.radians(line["phase_deg"])
        position -= line["percent"] / 100 / w * (np.cos(w * play_s + p) - np.cos(p))
    assert np.max(np.abs(motion.sent_at_play(play_s) - position)) < 2e-11
    capture_s = motion.capture_at(position)
    assert np.max(np.abs(capture_s - (play_s + 0.5) * (1 + 40e-6))) < 3e-11


def test_a_chirp_read_back_through_the_truth_is_the_chirp():
    """A timing error of 1 ns would leave -90 dB at 5 kHz; reading itself is good for about -110 dB here."""
    seconds = 4.0
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sent = chirp(time_s, 200, seconds, 6000) * np.hanning(time_s.size)
    machine = {"record": WOW, "replay": {**WOW, "speed_percent": -3.0, "drift_percent": 0.2, "random_percent": 0.1}}
    done = simulate(sent, RATE_HZ, machine, seed=8)
    inside = slice(4000, -4000)
    back = Reader(done.capture).at(done.truth.capture_at(time_s[inside]) * done.rate_hz)
    assert level_db(back - sent[inside]) - level_db(sent[inside]) < -95


def test_knots_of_the_truth_are_its_map():
    truth = simulate(music(2.0), RATE_HZ, "pocket-machine", seed=5).truth
    assert truth.sent_s[0] == 0.0
    assert np.diff(truth.sent_s).max() <= 0.0005 + 1e-12
    assert truth.sent_at(truth.capture_s) == pytest.approx(truth.sent_s, abs=1e-11)
    between = truth.sent_s[:-1] + 0.00025
    assert np.max(np.abs(np.interp(between, truth.sent_s, truth.capture_s) - truth.capture_at(between))) < 100e-9


@pytest.mark.parametrize("send_speed", [1, 2])
def test_time_map_counts_the_stems_own_time(send_speed):
    truth = simulate(music(4.0), RATE_HZ, {"replay.speed_percent": 1.0}, seed=5).truth
    time_map = truth.time_map(1.0, 2.0 * send_speed, send_speed=send_speed)
    assert (time_map.stem_s[0], time_map.stem_s[-1]) == pytest.approx((0.0, 2.0 * send_speed))
    assert time_map.at(0.0) == pytest.approx(truth.capture_at(1.0), abs=1e-9)
    assert time_map.at(1.0 * send_speed) == pytest.approx(truth.capture_at(2.0), abs=1e-9)


def test_slip_shifts_everything_after_it_and_nothing_before():
    settings = resolve({"replay.slips": [{"time_s": 3.0, "slip_ms": 12.0, "within_ms": 20.0}]})
    motion = tape_motion(settings["record"], settings["replay"], 6.0, seed=1)
    assert motion.sent_at_play([2.999, 3.021, 5.0]) == pytest.approx([2.999, 3.033, 5.012], abs=1e-8)


def test_speed_switch_and_swoop():
    settings = resolve(
        {"replay": {"switches": [{"time_s": 2.0, "ratio": 1.5, "within_ms": 100}], "swoop": {"from_percent": -40}}}
    )
    motion = tape_motion(settings["record"], settings["replay"], 8.0, seed=1)
    speed = np.diff(motion.sent_at_play(np.arange(0, 4, 0.001))) / 0.001
    assert speed[0] == pytest.approx(0.6, abs=0.01)
    assert speed[1800] == pytest.approx(1.0, abs=1e-3)
    assert speed[3000] == pytest.approx(1.5, abs=1e-3)


def test_tape_that_stops_while_replaying_waits_and_goes_on():
    sent = tone(1000, 6.0)
    machine = {"replay.stops": [{"time_s": 2.0, "restart_s": 3.5}], "replay_band": {"order": 2}, "pre_roll_s": 0.0}
    done = simulate(sent, RATE_HZ, machine, seed=1)
    quiet, loud = done.capture[int(2.4 * RATE_HZ) : int(3.4 * RATE_HZ)], done.capture[int(4 * RATE_HZ) : int(5 * RATE_HZ)]
    assert level_db(quiet) < level_db(loud) - 60
    # Both ramps are raised cosines of 60 ms: halting and starting each cost half of it.
    assert done.truth.capture_at(5.0) == pytest.approx(5.0 + 1.5, abs=1e-3)
    assert [event["kind"] for event in done.truth.events] == ["stop"]
    assert (np.diff(done.truth.capture_s) > 0).all()


@pytest.mark.parametrize("which", ["record", "replay"])
def test_tape_that_stops_for_good_ends_the_truth(which):
    machine = {
        which: {"stops": [{"time_s": 2.0}]},
        "hiss.level_dbfs": -60,
        "replay_band": {},
        "pre_roll_s": 0.5,
        "post_roll_s": 1.0,
    }
    done = simulate(tone(1000, 6.0), RATE_HZ, machine, seed=1)
    assert done.truth.heard_until_s == pytest.approx(2.0, abs=0.05)
    assert np.isnan(done.truth.capture_at(3.0))
    assert done.truth.time_map(0.5, 5.0).stem_s[-1] == pytest.approx(1.5, abs=0.05)
    assert done.truth.time_map(4.0, 1.0) is None
    after = done.capture[int((0.5 + 2.2) * RATE_HZ) :]
    assert level_db(after) < -50


def test_voice_activation_loses_the_pause_and_the_beginning_after_it():
    sent = np.concatenate((tone(800, 2.0), np.zeros(4 * RATE_HZ), tone(800, 2.0)))
    done = simulate(sent, RATE_HZ, {"voice_activation": {"hang_s": 1.0, "wake_ms": 100}}, seed=1)
    lost_s = 8.0 - (done.truth.capture_at(8.0) - done.truth.capture_at(0.0))
    assert lost_s == pytest.approx(3.0, abs=0.1)
    assert done.truth.events[0]["kind"] == "stop"


def test_capture_at_another_rate_keeps_time():
    sent = music(2.0)
    done = simulate(sent, RATE_HZ, {"capture_rate_hz": 44100, "replay_band": {"phase": "zero"}}, seed=1)
    same = simulate(sent, RATE_HZ, {"replay_band": {"phase": "zero"}}, seed=1)
    assert done.rate_hz == 44100
    times_s = np.arange(0.8, 2.2, 1 / 20000)
    difference = Reader(done.capture).at(times_s * 44100) - Reader(same.capture).at(times_s * RATE_HZ)
    assert level_db(difference) < level_db(same.capture) - 80


# --- repeatability -------------------------------------------------------------------------------------------------------


def test_same_seed_same_samples_other_seed_other_samples():
    sent = music(2.0)
    first, second, other = (simulate(sent, RATE_HZ, "pocket-machine", seed=s).capture for s in (3, 3, 4))
    assert first.tobytes() == second.tobytes()
    assert first.size != other.size or not np.array_equal(first, other)


def test_one_effect_more_leaves_the_other_streams_alone():
    sent = music(3.0)
    base = {"preset": "prototype", "hiss": {"level_dbfs": -50}}
    plain = simulate(sent, RATE_HZ, base, seed=3)
    for extra in ({"hum": {}}, {"whine": {}}, {"saturation": {}}, {"dropouts": {"per_minute": 60}}, {"polarity": -1}):
        other = simulate(sent, RATE_HZ, {**base, **extra}, seed=3)
        assert np.array_equal(other.truth.capture_s, plain.truth.capture_s)
        assert np.array_equal(np.abs(other.truth.hiss), np.abs(plain.truth.hiss))
    drifting = simulate(sent, RATE_HZ, {**base, "replay": {"random_percent": 0.0}}, seed=3)
    common = min(drifting.truth.hiss.size, plain.truth.hiss.size)
    assert np.array_equal(drifting.truth.hiss[:common], plain.truth.hiss[:common])


def test_a_longer_file_moves_alike_as_far_as_the_shorter_goes():
    settings = resolve("prototype")
    short, long = (tape_motion(settings["record"], settings["replay"], s, seed=9) for s in (5.0, 9.0))
    play_s = np.arange(0, 4, 0.01)
    assert np.max(np.abs(short.sent_at_play(play_s) - long.sent_at_play(play_s))) < 1e-9


# --- sound ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("down_db", [35, 20, 10])
def test_hiss_lies_as_far_under_the_stem_as_asked(down_db):
    """N = rms from 350 to 4200 Hz; S = rms of the frames within 30 dB of the loudest, after the band: measured apart."""
    sent = music(8.0)
    machine = {"preset": "prototype", "hiss": {"below_signal_db": down_db}, "capture_gain_db": -4.0}
    done = simulate(sent, RATE_HZ, machine, seed=2)
    silent = simulate(sent, RATE_HZ, {**machine, "hiss": False}, seed=2)
    signal_db = 20 * np.log10(loud_frames_rms(silent.capture, RATE_HZ))
    hiss = done.capture - silent.capture
    assert np.max(np.abs(hiss - done.truth.hiss)) < 1e-7
    assert signal_db - band_rms_db(hiss, 350, 4200) == pytest.approx(down_db, abs=0.15)
    assert done.truth.hiss_below_signal_db == pytest.approx(down_db, abs=1e-9)
    assert done.truth.signal_rms_dbfs == pytest.approx(signal_db, abs=0.1)


@pytest.mark.parametrize("wide", [False, True])
def test_hiss_of_a_stated_level_needs_no_signal(wide):
    machine = {"hiss": {"level_dbfs": -52.0, "wide": wide}, "replay_band": {}}
    done = simulate(np.zeros(6 * RATE_HZ), RATE_HZ, machine, seed=2)
    assert band_rms_db(done.capture, 350, 4200) == pytest.approx(-52.0, abs=0.15)
    above_db = band_rms_db(done.capture, 9000, 15000)
    assert (above_db > -55) if wide else (above_db < -60)


def test_hiss_rises_under_signal():
    sent = np.concatenate((np.zeros(4 * RATE_HZ), tone(1000, 4.0)))
    hiss = simulate(sent, RATE_HZ, {"hiss": {"level_dbfs": -50.0, "rise_db": 15.0}}, seed=2).truth.hiss
    rest, under = hiss[RATE_HZ : 4 * RATE_HZ], hiss[5 * RATE_HZ : 8 * RATE_HZ]
    assert level_db(under) - level_db(rest) == pytest.approx(15.0, abs=0.2)


def test_silence_asks_for_no_hiss_below_it():
    done = simulate(np.zeros(RATE_HZ), RATE_HZ, "prototype", seed=1)
    assert not done.capture.any()


def test_level_control_holds_its_range_and_nothing_beyond():
    """Static law: output = target over the range, slope 1 outside it."""
    control = {"target_dbfs": -12, "max_gain_db": 30, "range_db": 35, "attack_ms": 2, "release_ms": 60}
    for sent_db, expected_db in ((-60, -30), (-50, -20), (-42, -12), (-30, -12), (-10, -12), (-7, -12), (-1, -6)):
        done = simulate(tone(1000, 3.0, sent_db), RATE_HZ, {"automatic_level": control}, seed=1)
        peak_db = 20 * np.log10(np.max(np.abs(done.capture[2 * RATE_HZ : 3 * RATE_HZ])))
        assert peak_db == pytest.approx(expected_db, abs=0.1)


def test_level_control_attacks_fast_and_recovers_slowly():
    sent = np.concatenate((tone(1000, 2.0, -30), tone(1000, 1.0, -6), tone(1000, 4.0, -30)))
    truth = simulate(sent, RATE_HZ, {"automatic_level": {"attack_ms": 5, "release_ms": 800}}, seed=1).truth
    gain_db = np.interp([1.9, 2.005, 2.5, 3.8, 6.9], truth.level_time_s, truth.level_gain_db)
    assert gain_db[[0, 2]] == pytest.approx([18.0, -6.0], abs=0.2)
    # One time constant: 1 - 1/e = 63 % of the 24 dB.
    assert gain_db[1] == pytest.approx(18 - 24 * 0.632, abs=2.0)
    assert gain_db[3] == pytest.approx(-6 + 24 * 0.632, abs=1.0)
    assert gain_db[4] > 17.5


def test_level_control_opens_up_on_the_inputs_noise():
    sent = np.concatenate((tone(1000, 2.0, -12), np.zeros(4 * RATE_HZ)))
    machine = {"input_noise": {"level_dbfs": -70}, "automatic_level": {"release_ms": 500}}
    hiss = simulate(sent, RATE_HZ, machine, seed=1).truth.hiss
    under, silence = hiss[RATE_HZ : 2 * RATE_HZ], hiss[5 * RATE_HZ : 6 * RATE_HZ]
    assert level_db(silence) - level_db(under) > 20


def test_hum_whine_and_direct_current_are_where_they_should_be():
    quiet = np.zeros(4 * RATE_HZ)
    machine = {
        "hum": {"mains_hz": 60, "level_dbfs": -50, "harmonics_db": [-6, -20]},
        "whine": {"rate_hz": 900, "level_dbfs": -55},
    }
    capture = simulate(quiet, RATE_HZ, {**machine, "dc_percent": 1.0}, seed=1).capture[: 4 * RATE_HZ]
    levels_db = [20 * np.log10(peak_at_hz(capture, f)) for f in (60, 120, 180, 900)]
    assert levels_db == pytest.approx([-50, -56, -70, -55], abs=0.1)
    assert capture.mean() == pytest.approx(0.01, abs=1e-4)


def test_dropouts_dip_as_deep_as_listed():
    machine = {"dropouts": {"at": [{"time_s": 1.0, "depth_db": 20, "length_ms": 100}]}, "pre_roll_s": 0}
    done = simulate(tone(2000, 3.0), RATE_HZ, machine, seed=1)
    middle = int(1.05 * RATE_HZ)
    dip_db = level_db(done.capture[middle - 48 : middle + 48]) - level_db(done.capture[: RATE_HZ // 2])
    assert dip_db == pytest.approx(-20, abs=0.3)
    assert level_db(done.capture[int(1.2 * RATE_HZ) : 2 * RATE_HZ]) == pytest.approx(
        level_db(done.capture[: RATE_HZ // 2]), abs=0.01
    )
    drawn = simulate(tone(2000, 60.0), RATE_HZ, {"dropouts": {"per_minute": 30}}, seed=1).truth.events
    assert 15 < len(drawn) < 50  # 30 +- 5.5 (Poisson)


def test_print_through_old_recording_and_azimuth():
    burst = np.zeros(5 * RATE_HZ)
    burst[2 * RATE_HZ : 2 * RATE_HZ + 4800] = tone(1000, 0.1, 0)
    done = simulate(burst, RATE_HZ, {"print_through": {"level_db": -40, "turn_s": 1.5}, "pre_roll_s": 0}, seed=1)
    for at_s in (0.5, 3.5):
        echo = done.capture[int(at_s * RATE_HZ) : int(at_s * RATE_HZ) + 4800]
        assert np.max(np.abs(echo)) == pytest.approx(0.01, rel=0.01)

    sent = music(6.0)
    shining = {"old_recording": {"below_signal_db": 20}, "replay_band": {}}
    rest = simulate(sent, RATE_HZ, shining, seed=1).capture - simulate(sent, RATE_HZ, {"replay_band": {}}, seed=1).capture
    truth = simulate(sent, RATE_HZ, shining, seed=1).truth
    assert 20 * np.log10(loud_frames_rms(rest, RATE_HZ)) == pytest.approx(truth.signal_rms_dbfs - 20, abs=0.2)
    given = simulate(sent, RATE_HZ, shining, seed=1, old_recording=tone(1111, 1.0)).capture
    assert peak_at_hz(given, 1111) > 5 * peak_at_hz(given, 1234)

    tilted = simulate(tone(4000, 2.0), RATE_HZ, {"head": {"azimuth_arc_minutes": 10.0}}, seed=1).capture[RATE_HZ : 2 * RATE_HZ]
    straight = simulate(tone(4000, 2.0), RATE_HZ, {"head": {}}, seed=1).capture[RATE_HZ : 2 * RATE_HZ]
    # sin(x)/x at 4 kHz of a null at 5457 Hz
    assert level_db(tilted) - level_db(straight) == pytest.approx(20 * np.log10(np.sinc(4000 / 5457)), abs=0.2)


def test_polarity_gain_and_clipping_converter():
    sent = tone(700, 2.0, -6)
    turned = simulate(sent, RATE_HZ, {"polarity": -1, "capture_gain_db": -3}, seed=1)
    start = RATE_HZ // 4
    assert turned.capture[start : start + sent.size] == pytest.approx(-sent * 10 ** (-3 / 20), abs=1e-12)
    clipped = simulate(sent, RATE_HZ, {"capture_gain_db": 12}, seed=1)
    assert np.max(clipped.capture) == 1.0
    assert clipped.truth.clipped_samples > 1000
    assert np.max(simulate(sent, RATE_HZ, {"capture_gain_db": 12, "clips_at_dbfs": None}, seed=1).capture) > 1.9


def test_zero_phase_band_has_no_delay_and_the_same_size():
    sent = music(2.0)
    causal, zero = (
        simulate(sent, RATE_HZ, {"replay_band": {"phase": phase}, "post_roll_s": 1.0}, seed=1) for phase in ("minimum", "zero")
    )
    assert band_rms_db(causal.capture, 300, 3000) == pytest.approx(band_rms_db(zero.capture, 300, 3000), abs=0.01)
    freq_hz = np.array([300.0, 1000.0, 4000.0])
    assert np.abs(causal.truth.response(freq_hz)) == pytest.approx(zero.truth.response(freq_hz), rel=1e-9)
    start = RATE_HZ // 4
    spectrum = np.fft.rfft(zero.capture[start : start + sent.size]) * np.conj(np.fft.rfft(sent))
    smooth = spectrum[1000:7000].reshape(-1, 100).sum(axis=1)
    assert np.max(np.abs(np.angle(smooth))) < 0.01


# --- settings ------------------------------------------------------------------------------------------------------------


def test_overrides_nested_dotted_and_under_settings_are_one():
    nested = resolve({"preset": "pocket-machine", "hiss": {"level_dbfs": -60}, "replay": {"speed_percent": 1}})
    dotted = resolve({"preset": "pocket-machine", "settings": {"hiss.level_dbfs": -60, "replay.speed_percent": 1}})
    assert nested == dotted
    assert nested["hiss"]["below_signal_db"] is None
    assert nested["replay"]["random_percent"] == PRESETS["pocket-machine"]["replay"]["random_percent"]
    assert resolve({"preset": "pocket-machine", "automatic_level": False})["automatic_level"] is None


@pytest.mark.parametrize(
    ("recorder", "words"),
    [
        ("no-such", "no-such"),
        ({"wobble": 1}, "wobble"),
        ({"hiss": {"loudness": 1}}, "hiss has no property 'loudness'"),
        ({"hiss": {"level_dbfs": -50, "below_signal_db": 20}}, "not both"),
        ({"hiss.level_dbfs": "loud"}, "a number"),
        ({"polarity": 0}, "1 or -1"),
        ({"replay": {"lines": [{"rate_hz": 1}]}}, "lacks percent"),
        ({"replay": {"slips": [{"time_s": 1, "slip_ms": -20}]}}, "backwards"),
        ({"replay": {"stops": [{"time_s": 2, "restart_s": 1}]}}, "restart_s"),
        ({"record_band": {"low_hz": 900, "high_hz": 300}}, "low_hz under high_hz"),
        ({"replay_band": {"phase": "linear"}}, "minimum or zero"),
        ({"replay.speed_percent": -95}, "above -90"),
        ({"hum": 3}, "expected its properties"),
    ],
)
def test_bad_settings_get_one_sentence(recorder, words):
    with pytest.raises(RecorderProblem) as problem:
        resolve(recorder)
    assert words in str(problem.value)
    assert "\n" not in str(problem.value)


@pytest.mark.parametrize("sent", [np.zeros((4, 2)), np.zeros(0), np.array([0.0, np.nan])])
def test_bad_samples_get_one_sentence(sent):
    with pytest.raises(RecorderProblem):
        simulate(sent, RATE_HZ, "wire", seed=1)


@pytest.mark.parametrize("preset", PRESETS)
def test_every_preset_runs_and_its_record_is_plain(preset):
    done = simulate(music(3.0), RATE_HZ, preset, seed=1)
    assert np.isfinite(done.capture).all()
    assert done.truth.clipped_samples == 0
    record = done.truth.record()
    again = json.loads(json.dumps(record))
    assert again["settings"]["replay"]["speed_percent"] == resolve(preset)["replay"]["speed_percent"]
    assert again["simulated"] is True


def run_script(tmp_path, transfer, meta, settings):
    from types import SimpleNamespace

    import simulate_return
    from bounceproof.audio import write_pcm24_wav
    from bounceproof.files import write_json

    write_pcm24_wav(tmp_path / "transfer.wav", transfer, RATE_HZ)
    write_json(tmp_path / "transfer.json", meta)
    paths = {name: tmp_path / f"return.{name}" for name in ("wav", "json", "tsv")}
    simulate_return.main(
        SimpleNamespace(
            input=SimpleNamespace(transfer=tmp_path / "transfer.wav", meta=tmp_path / "transfer.json", measured=[]),
            output=SimpleNamespace(capture=paths["wav"], truth=paths["json"], map=paths["tsv"]),
            params=SimpleNamespace(settings=settings),
        )
    )
    return paths


def test_script_writes_capture_truth_and_map_in_the_songs_time(tmp_path):
    import soundfile
    from bounceproof.timemap import read_time_map

    meta = {"sample_rate_hz": RATE_HZ, "stem_start_sample": RATE_HZ, "stem_samples": 2 * RATE_HZ, "send_speed": 2}
    recorder = {"preset": "pocket-machine-good", "settings": {"capture_gain_db": 30}}
    settings = {"recorder": recorder, "medium": {}, "seed": 1, "track": "A.L"}
    paths = run_script(tmp_path, music(4.0), meta, settings)
    first = [path.read_bytes() for path in paths.values()]
    info = soundfile.info(paths["wav"])
    assert (info.subtype, info.channels) == ("PCM_24", 1)
    truth = json.loads(paths["json"].read_text())
    assert truth["track"] == "A.L"
    assert truth["clipped_samples"] > 0
    time_map = read_time_map(paths["tsv"])
    assert time_map.stem_s[-1] == pytest.approx(4.0)
    # Stem time runs twice as fast as the transfer did, which the tape then replayed some 2 % slow.
    assert 100 * (time_map.mean_speed_ratio / 2 - 1) == pytest.approx(truth["speed_percent"], abs=1e-4)
    assert [path.read_bytes() for path in run_script(tmp_path, music(4.0), meta, settings).values()] == first
    other = run_script(tmp_path, music(4.0), meta, {**settings, "track": "A.R"})
    assert other["wav"].read_bytes() != first[0]
