"""A return laid on its stem's time base through its two clicks, whatever the recorder and the capture did to it.

The recorder is the tests' own (recording.py). It knows which true time each sample holds, and maps are held against that.
"""

import numpy as np
import pytest
import soundfile
from bounceproof import mix
from bounceproof.aligning.channels import choose_channel
from bounceproof.aligning.lay import lay_return
from bounceproof.audio import resample, write_float_wav, write_pcm24_wav
from bounceproof.files import read_json, write_json
from bounceproof.timemap import read_time_map
from bounceproof.transfers import make_transfer
from fake_session import run
from recording import BAND_HZ, RATE_HZ, drums, hiss, plucks, record
from scipy import signal

SETTINGS = {"lead_in_s": 2.0, "gap_s": 1.0, "tail_s": 1.0, "click_below_peak_db": 14.0}
ALIGNMENT = {"method": "clicks", "speed_search_percent": 12.0}
NAMES = {1: "drum", 2: "bass"}
SECONDS = 6.0
STEMS = {1: drums(SECONDS).astype(np.float32), 2: plucks(SECONDS).astype(np.float32)}


def sent(number=1, *, stem=None, send_speed=1):
    stem = STEMS[number] if stem is None else stem
    return make_transfer(stem, RATE_HZ, number=number, band_hz=BAND_HZ, settings=SETTINGS, send_db=-6.0, send_speed=send_speed)


SENT = {number: sent(number) for number in STEMS}


def lay(capture, number=1, *, rate_hz=RATE_HZ, transfer=None, stem=None, **options):
    transfer = transfer or SENT[number]
    capture = np.asarray(capture, dtype=np.float32)
    return lay_return(
        capture if capture.ndim == 2 else capture[:, None],
        rate_hz,
        STEMS[number] if stem is None else stem,
        transfer.samples,
        transfer.facts,
        settings=ALIGNMENT,
        band_hz=BAND_HZ,
        names=NAMES,
        **options,
    )


def map_error_us(laid, recorded, facts, *, factor=1):
    """The map against the truth at each knot: sent time counts the transfer's own seconds."""
    sent_s = facts["stem_start_sample"] / RATE_HZ + laid.time_map.stem_s / facts["send_speed"]
    return 1e6 * (laid.time_map.return_s - recorded.capture_s(sent_s))


def likeness(one, two, band_hz=(500, 3500)):
    sections = signal.butter(4, band_hz, "band", fs=RATE_HZ, output="sos")
    one, two = (signal.sosfilt(sections, np.asarray(samples, dtype=float)) for samples in (one, two))
    return float(one @ two / np.sqrt((one @ one) * (two @ two)))


def rejected(laid, says):
    """A rejected take: its reason, and silence in place of anything that could be taken for the track."""
    alignment = laid.alignment
    assert alignment["state"] == "rejected", alignment
    assert says in alignment["reason"]
    assert alignment["next_step"]
    assert laid.time_map is None
    assert alignment["level_db"] is None
    assert not laid.aligned.any()
    assert not laid.aligned_clicks().any()
    assert laid.aligned.size == laid.aligned_clicks().size == int(SECONDS * RATE_HZ)
    return alignment


def placed(laid):
    assert laid.alignment["state"] == "aligned", laid.alignment["reason"]
    assert laid.alignment["reason"] is None
    return laid.alignment


# --- a wire


def delayed(samples, by_samples, *, up_to_hz=None):
    """Late by a fraction of a sample, exactly (the spectrum's phase), and without what lies above up_to_hz."""
    padded = np.pad(np.asarray(samples, dtype=float), (4000, 4000))
    freq_hz = np.fft.rfftfreq(padded.size, 1 / RATE_HZ)
    turned = np.fft.rfft(padded) * np.exp(-2j * np.pi * freq_hz * by_samples / RATE_HZ)
    if up_to_hz:
        turned *= np.clip((up_to_hz - freq_hz) / 1000.0, 0.0, 1.0)
    return np.fft.irfft(turned, padded.size)


@pytest.mark.parametrize(("method", "delays"), [("clicks", (17.0, 1170.37)), ("follow", (1170.37,))])
def test_a_wire_gives_the_stem_back_whatever_its_delay(method, delays):
    """Whole and fractional delays; stem below 16 kHz: the mix-ready file is the stem within 0.01 dB and -80 dB of residual."""
    stem = delayed(STEMS[1], 0.0, up_to_hz=16000.0)[4000:-4000].astype(np.float32)
    transfer = sent(stem=stem)
    for by_samples in delays:
        capture = delayed(transfer.samples, by_samples).astype(np.float32)
        laid = lay_return(
            capture[:, None], RATE_HZ, stem, transfer.samples, transfer.facts,
            settings={**ALIGNMENT, "method": method}, band_hz=(20.0, 20000.0),
        )  # fmt: skip
        ready = mix.Ready(laid.aligned, RATE_HZ, level_db=placed(laid)["level_db"], frames=stem.size)[:]
        # The mean is no music, and a capture's is taken off.
        inner = slice(RATE_HZ // 10, -RATE_HZ // 10)
        ready, whole = (one[inner] - one[inner].mean() for one in (ready, stem.astype(float)))
        gain = np.dot(ready, whole) / np.dot(whole, whole)
        assert 20 * np.log10(gain) == pytest.approx(0.0, abs=0.01)
        assert 20 * np.log10(np.std(ready / gain - whole) / np.std(whole)) < -80


# --- speed, polarity, level


@pytest.mark.parametrize("speed_percent", [-12, -8.333, -4, -0.5, 0, 1.1, 5, 12])
@pytest.mark.parametrize("number", [1, 2])
def test_any_speed_is_undone(number, speed_percent):
    recorded = record(SENT[number].samples, speed=1 + speed_percent / 100, hiss_db=40, band_hz=None)
    laid = lay(recorded.capture, number)
    alignment = placed(laid)
    assert alignment["speed_percent"] == pytest.approx(speed_percent, abs=0.01)
    assert alignment["polarity"] == 1
    assert alignment["level_db"] == pytest.approx(6.0 - SENT[number].facts["gain_db"], abs=0.3), "played at half the level"
    assert alignment["flags"] == []
    assert np.abs(map_error_us(laid, recorded, SENT[number].facts)).max() < 8
    assert likeness(laid.aligned, STEMS[number]) > 0.99
    np.testing.assert_array_equal(laid.aligned, laid.aligned_clicks())


@pytest.mark.parametrize("number", [1, 2])
def test_polarity_is_put_right(number):
    recorded = record(SENT[number].samples, speed=0.98, wow=0.001, hiss_db=35)
    laid = lay(-recorded.capture, number)
    assert placed(laid)["polarity"] == -1
    np.testing.assert_allclose(laid.aligned, lay(recorded.capture, number).aligned, atol=1e-6)
    low = (450, 800)
    assert likeness(laid.aligned, STEMS[number], low) > 0.5, "the sign is the stem's own, not that of a half period later"


def test_the_contracts_fields_are_there_and_finite_or_none():
    alignment = placed(lay(record(SENT[1].samples, hiss_db=35).capture))
    for key in ("clicks_only_rms_us", "residual_rms_us", "offset_sigma_us", "start_click_return_s", "end_click_return_s"):
        assert np.isfinite(alignment[key]), key
    for key in ("drift_percent", "wow_percent", "flutter_percent"):
        assert alignment[key] is None or np.isfinite(alignment[key])
    assert [(click["end"], click["number"]) for click in alignment["clicks"]] == [("start", 1), ("end", 1)]
    capture = alignment["capture"]
    assert (capture["rate_hz"], capture["channel"], capture["channels"]) == (RATE_HZ, 1, 1)


def test_wow_shows_as_the_time_the_clicks_leave_over():
    """A speed error of +-0.4 % at 0.5 Hz moves time by 0.4 % / (2 pi 0.5 Hz) = 1.27 ms at most, 0.9 ms rms."""
    laid = lay(record(SENT[1].samples, wow=0.004, wow_hz=0.5, hiss_db=45, seed=3).capture)
    alignment = placed(laid)
    assert 400 < alignment["clicks_only_rms_us"] < 2500
    assert np.all(laid.time_map.sigma_us == pytest.approx(alignment["clicks_only_rms_us"]))


@pytest.mark.parametrize("level_db", [0, -40, -70])
def test_the_captures_level_drops_out(level_db):
    recorded = record(SENT[2].samples, speed=1.02, hiss_db=30)
    base = placed(lay(recorded.capture, 2))
    laid = lay(10 ** (level_db / 20) * recorded.capture, 2)
    assert placed(laid)["level_db"] == pytest.approx(base["level_db"] - level_db, abs=0.02)
    assert laid.alignment["start_click_return_s"] == pytest.approx(base["start_click_return_s"], abs=1e-7)


# --- channels, rates, files


@pytest.mark.parametrize("live", [0, 1])
def test_of_two_channels_the_live_one_is_used_alone(live):
    capture = record(SENT[1].samples, hiss_db=40).capture
    both = np.stack([0.001 * np.random.default_rng(1).normal(size=capture.size)] * 2, axis=1)
    both[:, live] = capture
    laid = lay(both)
    alignment = placed(laid)
    assert alignment["capture"]["channel"] == live + 1
    assert any(f"channel {live + 1}" in remark for remark in alignment["remarks"])
    np.testing.assert_array_equal(laid.aligned, lay(capture).aligned)


def test_two_channels_out_of_polarity_are_not_summed():
    capture = record(SENT[1].samples, hiss_db=40).capture
    laid = lay(np.stack([capture, -0.8 * capture], axis=1))
    np.testing.assert_array_equal(laid.aligned, lay(capture).aligned)


def test_of_two_channels_without_a_sample_no_difference_is_told():
    (remark,) = choose_channel(np.zeros((RATE_HZ, 2)), RATE_HZ).remarks
    assert remark == "The capture has 2 channels; channel 1 is used."


def test_a_loud_hum_in_the_dead_channel_is_not_the_return():
    capture = record(SENT[1].samples, hiss_db=40).capture
    hum = 0.3 * np.sin(2 * np.pi * 50 * np.arange(capture.size) / RATE_HZ)
    assert placed(lay(np.stack([hum, capture], axis=1)))["capture"]["channel"] == 2


def test_each_leg_is_read_from_its_own_channel():
    one, two = (record(SENT[number].samples, hiss_db=40, seed=number).capture for number in (1, 2))
    length = min(one.size, two.size)
    both = np.stack([one[:length], 0.2 * two[:length]], axis=1)
    assert placed(lay(both, 2, channel=2))["capture"]["channel"] == 2
    assert placed(lay(both, 1, channel=1))["capture"]["channel"] == 1


@pytest.mark.parametrize("rate_hz", [16000, 22050, 44100, 88200, 96000, 192000])
def test_captures_of_any_rate(rate_hz):
    recorded = record(SENT[2].samples, speed=0.97, hiss_db=40, band_hz=None)
    laid = lay(resample(recorded.capture, RATE_HZ, rate_hz), 2, rate_hz=rate_hz)
    assert placed(laid)["speed_percent"] == pytest.approx(-3.0, abs=0.01)
    assert np.abs(map_error_us(laid, recorded, SENT[2].facts)).max() < 8
    assert likeness(laid.aligned, STEMS[2]) > 0.99


def align_file(folder, capture, *, number=1):
    """The rule's script on a capture's file."""
    transfer = SENT[number]
    write_float_wav(folder / "stem.wav", STEMS[number], RATE_HZ)
    write_pcm24_wav(folder / "transfer.wav", transfer.samples, RATE_HZ)
    write_json(folder / "facts.json", transfer.facts)
    outputs = {
        "alignment": "alignment.json",
        "time_map": "time-map.tsv",
        "aligned": "aligned.wav",
        "clicks": "aligned-clicks.wav",
    }
    run(
        "align_return",
        inputs={
            "capture": capture,
            "stem": folder / "stem.wav",
            "transfer": folder / "transfer.wav",
            "facts": folder / "facts.json",
            "others": [],
        },
        outputs={key: folder / name for key, name in outputs.items()},
        settings={
            "track": NAMES[number],
            "take": "take1",
            "simulated": False,
            "capture_channel": None,
            "partner": None,
            "alignment": ALIGNMENT,
            "names": {str(key): name for key, name in NAMES.items()},
            "band_low_hz": BAND_HZ[0],
            "band_high_hz": BAND_HZ[1],
        },
    )
    return read_json(folder / "alignment.json")


@pytest.mark.parametrize(
    ("name", "subtype"), [("a.wav", "PCM_16"), ("a.flac", "PCM_24"), ("a.aiff", "PCM_16"), ("a.wav", "FLOAT")]
)
def test_files_of_any_kind(tmp_path, name, subtype):
    soundfile.write(tmp_path / name, record(SENT[1].samples, speed=1.03, hiss_db=40).capture, RATE_HZ, subtype=subtype)
    alignment = align_file(tmp_path, tmp_path / name)
    assert alignment["state"] == "aligned"
    assert alignment["speed_percent"] == pytest.approx(3.0, abs=0.01)
    stem_samples = int(SECONDS * RATE_HZ)
    facts = soundfile.info(tmp_path / "aligned.wav")
    assert (facts.frames, facts.channels, facts.samplerate, facts.subtype) == (stem_samples, 1, RATE_HZ, "FLOAT")
    time_map = read_time_map(tmp_path / "time-map.tsv")
    assert time_map.stem_s[0] == 0
    assert time_map.stem_s[-1] == pytest.approx(SECONDS)
    assert np.diff(time_map.stem_s).max() <= 0.0020001


@pytest.mark.parametrize("content", [b"", b"<html>not a capture</html>", b"RIFF\0\0\0\0WAVEjunk"])
def test_a_capture_that_is_no_audio_is_a_rejected_take_not_a_crash(tmp_path, content):
    (tmp_path / "a.wav").write_bytes(content)
    alignment = align_file(tmp_path, tmp_path / "a.wav")
    assert alignment["state"] == "rejected"
    assert "a.wav" in alignment["reason"]
    assert alignment["next_step"]
    assert read_time_map(tmp_path / "time-map.tsv") is None
    assert not soundfile.read(tmp_path / "aligned.wav")[0].any()


# --- wrong speeds


@pytest.mark.parametrize(
    ("factor", "words"), [(0.5, "half speed"), (2.0, "double speed"), (4.0, "four times"), (0.25, "a quarter")]
)
def test_another_of_the_machines_speeds_is_named_and_used(factor, words):
    recorded = record(SENT[2].samples, speed=factor * 1.01, hiss_db=40, band_hz=None)
    laid = lay(recorded.capture, 2)
    alignment = placed(laid)
    assert "wrong speed" in alignment["flags"]
    assert any(words in hint for hint in alignment["hints"])
    assert alignment["speed_percent"] == pytest.approx(100 * (factor * 1.01 - 1), abs=0.02 * factor)
    assert np.abs(map_error_us(laid, recorded, SENT[2].facts)).max() < 20 / min(factor, 1)
    assert likeness(laid.aligned, STEMS[2]) > 0.9


def test_a_transfer_sent_at_double_speed_comes_back_at_the_songs_own():
    transfer = sent(2, send_speed=2)
    recorded = record(transfer.samples, speed=0.98, hiss_db=40, band_hz=None)
    laid = lay(recorded.capture, 2, transfer=transfer)
    alignment = placed(laid)
    assert "wrong speed" not in alignment["flags"]
    assert np.abs(map_error_us(laid, recorded, transfer.facts)).max() < 8
    assert likeness(laid.aligned, STEMS[2], (500, 1800)) > 0.98
    # The contract counts speed from the stem's and the return's durations as they are.
    assert alignment["speed_percent"] == pytest.approx(100 * (2 * 0.98 - 1), abs=0.05)


def test_slow_by_a_twelfth_is_a_slow_tape_and_not_a_sample_rate():
    """110 beats a minute for 120; 44.1 / 48 is only 0.23 % away and would leave half a second at the end of four minutes."""
    alignment = placed(lay(record(SENT[1].samples, speed=110 / 120, wow=0.002, hiss_db=40).capture))
    assert alignment["speed_percent"] == pytest.approx(-8.333, abs=0.2)
    assert "wrong speed" not in alignment["flags"]


# --- what is not the return


@pytest.mark.parametrize(
    ("header_hz", "ran_at_hz", "told"), [(44100, 48000, True), (48000, 44100, True), (44100, 44100, False), (96000, 96000, False)]
)
def test_a_sample_rate_that_may_be_mistaken_is_a_guess_and_not_applied(header_hz, ran_at_hz, told):
    capture = resample(record(SENT[1].samples, speed=1.003, hiss_db=40).capture, RATE_HZ, ran_at_hz)
    laid = lay(capture, rate_hz=header_hz)
    assert laid.alignment["speed_percent"] == pytest.approx(100 * (1.003 * header_hz / ran_at_hz - 1), abs=0.02)
    assert ("rate in doubt" in laid.alignment["flags"]) == told
    assert told == any(
        f"If the capture ran at {ran_at_hz} Hz, the tape was +0.3 % off" in hint for hint in laid.alignment["hints"]
    )


def test_backwards_is_said_to_be_backwards():
    rejected(lay(record(SENT[1].samples, hiss_db=40).capture[::-1]), "backwards")


@pytest.mark.parametrize(
    "samples", [np.zeros(10 * RATE_HZ), np.full(10 * RATE_HZ, 0.1), np.zeros(1)], ids=["zeros", "constant", "one"]
)
def test_digital_silence(samples):
    rejected(lay(samples), "digital silence")


@pytest.mark.parametrize("what", ["hiss", "music"])
def test_without_clicks_a_return_cannot_be_laid_by_them(what):
    random = np.random.default_rng(1)
    samples = 0.01 * random.normal(size=12 * RATE_HZ) if what == "hiss" else record(STEMS[1], hiss_db=40).capture
    rejected(lay(samples), "nothing was recorded" if what == "hiss" else "No click was found")


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_hiss_alone_between_good_clicks_is_rejected(number, seed):
    """The clicks were sent and the music was not: none of the stem may get out, and hiss must not pass for it."""
    transfer = SENT[number]
    only_clicks = transfer.samples.copy()
    first = transfer.facts["stem_start_sample"]
    only_clicks[first : first + transfer.facts["stem_samples"]] = 0
    capture = record(only_clicks, speed=0.99, wow=0.002, hiss_db=15, seed=seed).capture
    rejected(lay(capture, number), "the music is not")


@pytest.mark.parametrize(("clicks", "music"), [(1, 2), (2, 1)])
def test_another_tracks_music_between_the_right_clicks_is_rejected(clicks, music):
    transfer = SENT[clicks]
    mixed = transfer.samples.copy()
    first = transfer.facts["stem_start_sample"]
    mixed[first : first + STEMS[music].size] = 0.5 * STEMS[music]
    rejected(lay(record(mixed, hiss_db=40).capture, clicks), "the music is not")


def test_the_clicks_of_another_track_are_named():
    alignment = rejected(lay(record(SENT[2].samples, speed=1.02, hiss_db=40).capture, 1), "track bass")
    assert "File the capture under that track" in alignment["next_step"]
    stranger = make_transfer(STEMS[1], RATE_HZ, number=99, band_hz=BAND_HZ, settings=SETTINGS, send_db=-6.0)
    rejected(lay(record(stranger.samples, hiss_db=40).capture, 1), "99")


# --- flaws that are no rejection


def test_clipping_is_flagged_though_no_sample_is_near_full_scale():
    capture = record(SENT[1].samples, hiss_db=45).capture
    top = 0.35 * capture.max()
    alignment = placed(lay(0.5 * np.minimum(capture, top)))
    assert "clipped" in alignment["flags"]
    assert any("upper side only" in hint for hint in alignment["hints"])
    assert alignment["next_step"] == "Lower the capture level and play the tape again."


def test_clipping_at_full_scale_is_flagged():
    capture = record(SENT[1].samples, hiss_db=45).capture
    loud = np.clip(4 * capture / np.abs(capture).max(), -1, 1)
    alignment = placed(lay(loud))
    assert "clipped" in alignment["flags"]


def test_clean_music_is_not_called_clipped():
    for number in STEMS:
        assert placed(lay(record(SENT[number].samples, hiss_db=30).capture, number))["flags"] == []


def test_direct_current_is_taken_off_and_named():
    capture = record(SENT[2].samples, hiss_db=40).capture
    laid, clean = lay(capture + 0.05, 2), lay(capture, 2)
    alignment = placed(laid)
    assert "direct current" in alignment["flags"]
    assert alignment["capture"]["dc_dbfs"] == pytest.approx(-26.0, abs=0.2)
    np.testing.assert_allclose(laid.aligned, clean.aligned, atol=2e-4)
    assert alignment["level_db"] == pytest.approx(clean.alignment["level_db"], abs=0.02)


def test_a_thump_before_the_click_is_not_the_click():
    capture = record(SENT[2].samples, hiss_db=40).capture
    base = placed(lay(capture, 2))
    decay = np.arange(capture.size) / RATE_HZ
    thumped = capture - 0.8 * np.exp(-decay / 0.3)
    later = int((base["start_click_return_s"] - 0.6) * RATE_HZ)
    thumped[later:] -= 0.4 * np.exp(-decay[: capture.size - later] / 0.05)
    alignment = placed(lay(thumped, 2))
    assert alignment["start_click_return_s"] == pytest.approx(base["start_click_return_s"], abs=50e-6)


@pytest.mark.parametrize("ghost_db", [-40, -26])
def test_the_ghost_of_print_through_is_not_the_click(ghost_db):
    """One turn of a cassette's pack is 1.4 to 3.3 s: a loud sound is heard so much before and after itself, more faintly."""
    recorded = record(SENT[1].samples, hiss_db=45, before_s=3.0)
    base = placed(lay(recorded.capture))
    echo = 10 ** (ghost_db / 20) * signal.sosfilt(
        signal.butter(2, (300, 2000), "band", fs=RATE_HZ, output="sos"), recorded.capture
    )
    turn = int(1.9 * RATE_HZ)
    ghostly = recorded.capture.copy()
    ghostly[:-turn] += echo[turn:]
    ghostly[turn:] += 0.7 * echo[:-turn]
    alignment = placed(lay(ghostly))
    assert alignment["start_click_return_s"] == pytest.approx(base["start_click_return_s"], abs=50e-6)
    assert alignment["end_click_return_s"] == pytest.approx(base["end_click_return_s"], abs=50e-6)


@pytest.mark.parametrize("kept", ["start", "end"])
def test_one_click_is_enough_and_flagged(kept):
    facts = SENT[1].facts
    recorded = record(SENT[1].samples, speed=0.985, hiss_db=40, band_hz=None)
    lost_s = recorded.capture_s(facts[f"{'end' if kept == 'start' else 'start'}_click_sample"] / RATE_HZ)
    capture = recorded.capture.copy()
    span = slice(max(0, int((lost_s - 0.3) * RATE_HZ)), int((lost_s + 0.3) * RATE_HZ))
    capture[span] = hiss(capture, 40, np.random.default_rng(1))[span]
    laid = lay(capture)
    alignment = placed(laid)
    assert "one click" in alignment["flags"]
    assert alignment[f"{kept}_click_return_s"] is not None
    assert alignment["next_step"] == "Capture the whole transfer."
    error_us = map_error_us(laid, recorded, facts)
    near = error_us[0] if kept == "start" else error_us[-1]
    assert abs(near) < 300, "near the click that is left the map holds"
    assert np.abs(error_us).max() < 5000, "the speed of one click alone is good to a few hundred ppm"


@pytest.mark.parametrize("end", ["head", "foot"])
def test_cut_short_it_is_used_as_far_as_it_goes(end):
    facts = SENT[1].facts
    recorded = record(SENT[1].samples, speed=1.01, hiss_db=40, band_hz=None)
    cut = int(recorded.capture_s((facts["stem_start_sample"] + 2 * RATE_HZ) / RATE_HZ) * RATE_HZ)
    capture = recorded.capture[cut:] if end == "head" else recorded.capture[: cut + 2 * RATE_HZ]
    laid = lay(capture)
    alignment = placed(laid)
    assert {"one click", "cut short"} <= set(alignment["flags"])
    assert any("2.0 s of the stem lie outside" in hint for hint in alignment["hints"])
    quiet, sounding = (slice(0, 90000), slice(110000, None)) if end == "head" else (slice(200000, None), slice(0, 180000))
    assert not laid.aligned[quiet].any(), "what was not captured stays silent"
    assert likeness(laid.aligned[sounding], STEMS[1][sounding]) > 0.8


def test_a_long_wait_before_the_transfer_is_found_across():
    """A search limited to half a minute once hid a true offset of 37.2 s."""
    recorded = record(SENT[1].samples, speed=1.0000145, hiss_db=40, before_s=37.2, band_hz=None)
    laid = lay(recorded.capture)
    alignment = placed(laid)
    assert alignment["flags"] == []
    assert np.abs(map_error_us(laid, recorded, SENT[1].facts)).max() < 8


def test_clicks_of_a_neighbour_in_the_same_capture_are_only_a_remark():
    one, two = (record(SENT[number].samples, hiss_db=40, seed=number).capture for number in (1, 2))
    alignment = placed(lay(np.concatenate((one, two)), 1))
    assert alignment["flags"] == []
    # Which clicks are met on the way depends on where the first look ends: all of this capture is within it.
    assert any("bass" in remark for remark in alignment["remarks"])
