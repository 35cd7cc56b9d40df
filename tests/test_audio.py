"""Audio files in and out: what comes back from files that other programs, and crashed recorders, left behind."""

import struct
import time

import numpy as np
import pytest
import soundfile
from bounceproof import audio
from hypothesis import given, settings
from hypothesis import strategies as st
from wave_maker import RATE_HZ, chunk, extensible_format, pcm, plain_format, riff, tone

TONE_16 = pcm(tone(), 16)
PLAIN_16 = np.frombuffer(TONE_16, "<i2") / 2.0**15


def put(path, content):
    path.write_bytes(content)
    return path


def sentence(path):
    """What a file that cannot be used is told to be; it has to be one line that names the file."""
    with pytest.raises(audio.AudioProblem) as problem:
        audio.read_audio(path)
    text = str(problem.value)
    assert str(path) in text
    assert "\n" not in text
    assert text.endswith(".")
    with pytest.raises(audio.AudioProblem):
        audio.look_at(path)
    return text


# --- headers never finished (a recorder that crashed leaves its sizes as they were at the start)


@pytest.mark.parametrize("size", [0, 4088])
@pytest.mark.parametrize("before", [b"", chunk(b"JUNK", bytes(4056))], ids=["plain", "junk-first"])
def test_an_unfinished_header_is_read_by_the_files_length(tmp_path, size, before):
    path = put(tmp_path / "a.wav", riff(before, plain_format(), chunk(b"data", TONE_16, size=0), size=size))
    got = audio.read_audio(path, dtype="float64")
    np.testing.assert_array_equal(got.samples[:, 0], PLAIN_16)
    assert got.notes == ("header unfinished, length taken from the file",)
    facts = audio.look_at(path)
    assert (facts.frames, facts.rate_hz, facts.channels, facts.subtype) == (48000, 48000, 1, "PCM_16")
    assert facts.notes == got.notes


def test_a_list_after_the_audio_is_not_audio(tmp_path):
    info = chunk(b"LIST", b"INFOISFT" + struct.pack("<I", 6) + b"thing\0")
    path = put(tmp_path / "a.wav", riff(plain_format(), chunk(b"data", TONE_16, size=0), info, size=0))
    got = audio.read_audio(path, dtype="float64")
    np.testing.assert_array_equal(got.samples[:, 0], PLAIN_16)


def test_sample_bytes_that_look_like_a_chunk_name_stay_samples(tmp_path):
    content = bytearray(TONE_16)
    content[-3000:-2996] = b"LIST"
    path = put(tmp_path / "a.wav", riff(plain_format(), chunk(b"data", bytes(content), size=0), size=0))
    assert audio.look_at(path).frames == 48000


def test_a_streamed_header_of_all_ones_is_read_by_the_files_length(tmp_path):
    path = put(tmp_path / "a.wav", riff(plain_format(), chunk(b"data", TONE_16, size=0xFFFFFFFF), size=0xFFFFFFFF))
    got = audio.read_audio(path, dtype="float64")
    np.testing.assert_array_equal(got.samples[:, 0], PLAIN_16)
    assert audio.look_at(path).frames == 48000


def test_twice_the_true_size_is_noted(tmp_path):
    path = put(tmp_path / "a.wav", riff(plain_format(), chunk(b"data", TONE_16, size=2 * len(TONE_16))))
    got = audio.read_audio(path, dtype="float64")
    np.testing.assert_array_equal(got.samples[:, 0], PLAIN_16)
    assert any("shorter than its header says" in note for note in got.notes)
    assert audio.look_at(path).frames == 48000, "the same length wherever it is told"


def test_a_file_cut_in_the_middle_of_a_frame_loses_that_frame_and_swaps_no_channel(tmp_path):
    both = np.stack([tone(4800), tone(4800, tone_hz=1000.0, peak=0.25)], axis=1)
    whole = riff(plain_format(channels=2, bits=24), chunk(b"data", pcm(both.ravel(), 24)))
    path = put(tmp_path / "a.wav", whole[:-37])
    got = audio.read_audio(path, dtype="float64")
    assert len(got.samples) == 4800 - 7, "37 bytes are six frames and a bit"
    np.testing.assert_allclose(got.samples, both[:4793], atol=2**-22)
    assert any("shorter than its header says" in note for note in got.notes)


@settings(max_examples=60, deadline=None)
@given(keep=st.integers(0, 4844), bits=st.sampled_from([16, 24]), claimed=st.sampled_from([None, 0, 0xFFFFFFFF, 2**31]))
def test_however_a_file_is_cut_it_is_read_so_far_or_refused_in_a_sentence(tmp_path_factory, keep, bits, claimed):
    samples = tone(1200)
    whole = riff(plain_format(bits=bits), chunk(b"data", pcm(samples, bits), size=claimed))
    path = put(tmp_path_factory.mktemp("cut") / "a.wav", whole[:keep])
    there = max(0, min(keep, len(whole)) - 44) // (bits // 8)
    try:
        got = audio.read_audio(path, dtype="float64")
    except audio.AudioProblem as problem:
        assert there == 0, problem
    else:
        assert len(got.samples) == there == audio.look_at(path).frames
        np.testing.assert_allclose(got.samples[:, 0], samples[:there], atol=2.0 ** (2 - bits))


# --- WAVE_FORMAT_EXTENSIBLE, early and strange chunks


def many_chunks():
    bext = chunk(b"bext", b"a" * 602)
    return chunk(b"JUNK", bytes(4056)) + bext + chunk(b"iXML", b"<BWFXML></BWFXML>") + chunk(b"LGWV", b"odd")


@pytest.mark.parametrize(
    ("before", "form", "channels"),
    [
        (b"", extensible_format(), 1),
        (b"", extensible_format(extra=b"\0\0"), 1),
        (many_chunks(), plain_format(bits=24), 1),
        (b"", extensible_format(channels=2, mask=0), 2),
        (b"", extensible_format(channels=2, mask=63), 2),
    ],
    ids=["extensible", "extension-of-24", "chunks-first", "no-mask", "mask-of-6"],
)
def test_dialects_of_wave_read_bit_for_bit(tmp_path, before, form, channels):
    samples = np.repeat(tone(4801)[:, None], channels, axis=1)
    body = pcm(samples.ravel(), 24)
    simple = put(tmp_path / "plain.wav", riff(plain_format(channels=channels, bits=24), chunk(b"data", body)))
    path = put(tmp_path / "odd.wav", riff(before, form, chunk(b"data", body)))
    got = audio.read_audio(path, dtype="float64")
    np.testing.assert_array_equal(got.samples, audio.read_audio(simple, dtype="float64").samples)
    assert got.samples.shape == (4801, channels)
    assert got.notes == ()


def test_an_unfinished_extensible_file_reads_bit_for_bit(tmp_path):
    body = pcm(tone(4800), 24)
    path = put(tmp_path / "odd.wav", riff(many_chunks(), extensible_format(), chunk(b"data", body, size=0), size=0))
    simple = put(tmp_path / "plain.wav", riff(plain_format(bits=24), chunk(b"data", body)))
    np.testing.assert_array_equal(audio.read_audio(path).samples, audio.read_audio(simple).samples)


@pytest.mark.parametrize(("subtype", "dtype"), [("PCM_U8", "<u1"), ("PCM_32", "<i4"), ("FLOAT", "<f4"), ("DOUBLE", "<f8")])
def test_an_unfinished_file_of_any_coding_reads_as_the_finished_one(tmp_path, subtype, dtype):
    path = tmp_path / "a.wav"
    soundfile.write(path, tone(4801), RATE_HZ, subtype=subtype)
    whole = audio.read_audio(path, dtype="float64").samples
    content = bytearray(path.read_bytes())
    place = content.index(b"data")
    content[place + 4 : place + 8] = bytes(4)
    content = content[: place + 8 + 4801 * np.dtype(dtype).itemsize]
    cut = put(tmp_path / "b.wav", bytes(content))
    got = audio.read_audio(cut, dtype="float64")
    np.testing.assert_array_equal(got.samples, whole)
    assert got.notes


# --- over 4 GiB


def test_a_small_rf64_is_read_whole(tmp_path):
    sizes = chunk(b"ds64", struct.pack("<QQQI", 0, len(TONE_16), 48000, 0))
    content = riff(sizes, plain_format(), chunk(b"data", TONE_16, size=0xFFFFFFFF), size=0xFFFFFFFF, head=b"RF64")
    got = audio.read_audio(put(tmp_path / "a.wav", content), dtype="float64")
    np.testing.assert_array_equal(got.samples[:, 0], PLAIN_16)
    assert got.notes == ()


def test_a_length_that_wrapped_round_at_4_gib_is_noticed(tmp_path):
    true_bytes = 2**32 + 192_000
    path = tmp_path / "long.wav"
    header = riff(plain_format(), chunk(b"data", b"", size=192_000), size=192_036)
    with path.open("wb") as out:
        out.write(header)
        out.truncate(len(header) + true_bytes)
    if path.stat().st_blocks * 512 > 10_000_000:
        path.unlink()
        pytest.skip("this file system keeps no sparse files")
    facts = audio.look_at(path)
    path.unlink()
    assert facts.frames == true_bytes // 2
    assert any("4 GiB" in note for note in facts.notes)


def test_an_output_that_riff_cannot_hold_becomes_rf64(tmp_path, monkeypatch):
    monkeypatch.setattr(audio, "RIFF_LIMIT_BYTES", 1000)
    audio.write_pcm24_wav(tmp_path / "a.wav", tone(4800), RATE_HZ)
    audio.write_float_wav(tmp_path / "b.wav", tone(4800), RATE_HZ)
    for name in "ab":
        assert (tmp_path / f"{name}.wav").read_bytes()[:4] == b"RF64"
        np.testing.assert_allclose(audio.read_audio(tmp_path / f"{name}.wav").samples[:, 0], tone(4800), atol=2e-7)


def test_the_limit_lies_under_what_riff_can_hold():
    assert audio.RIFF_LIMIT_BYTES + 4096 < 2**32


# --- AIFF in its dialects


@pytest.mark.parametrize(
    ("name", "subtype", "endian"),
    [
        ("a.aiff", "PCM_16", "BIG"),
        ("a.aifc", "PCM_16", "LITTLE"),
        ("a.AIF", "FLOAT", "FILE"),
        ("a.aif", "PCM_24", "BIG"),
        ("a.aiff", "PCM_24", "LITTLE"),
    ],
)
def test_aiff_reads_like_wav_and_is_left_as_it_was(tmp_path, name, subtype, endian):
    path, wav = tmp_path / name, tmp_path / "a.wav"
    soundfile.write(path, tone(4801), RATE_HZ, format="AIFF", subtype=subtype, endian=endian)
    soundfile.write(wav, tone(4801), RATE_HZ, subtype=subtype)
    before = path.read_bytes()
    np.testing.assert_array_equal(audio.read_audio(path).samples, audio.read_audio(wav).samples)
    assert audio.look_at(path).container == "AIFF"
    assert path.read_bytes() == before


def test_flac_reads_like_wav(tmp_path):
    # Written as integers: from floats, libsndfile rounds the two differently by one step.
    whole = np.rint(tone(4801) * 2**23).astype("<i4") << 8
    for name in ("a.flac", "a.wav"):
        soundfile.write(tmp_path / name, whole, RATE_HZ, subtype="PCM_24")
    np.testing.assert_array_equal(audio.read_audio(tmp_path / "a.flac").samples, audio.read_audio(tmp_path / "a.wav").samples)


# --- over full scale


def test_float_keeps_what_lies_over_full_scale(tmp_path):
    hot = tone(peak=10 ** (3.5 / 20))
    audio.write_float_wav(tmp_path / "a.wav", hot, RATE_HZ)
    np.testing.assert_array_equal(audio.read_audio(tmp_path / "a.wav").samples[:, 0], hot.astype(np.float32))


@pytest.mark.parametrize("peak", [1.08, -1.5, 1.0000001])
def test_24_bits_over_full_scale_are_refused_and_nothing_is_written(tmp_path, peak):
    samples = tone(4800)
    samples[100] = peak
    with pytest.raises(audio.AudioProblem, match="above full scale") as problem:
        audio.write_pcm24_wav(tmp_path / "a.wav", samples, RATE_HZ)
    assert "lower the level by" in str(problem.value)
    assert not list(tmp_path.iterdir())


def test_24_bits_up_to_full_scale_do_not_wrap_round(tmp_path):
    ramp = np.linspace(-1.0, 1.0, 4001)
    audio.write_pcm24_wav(tmp_path / "a.wav", ramp, RATE_HZ)
    back = audio.read_audio(tmp_path / "a.wav", dtype="float64").samples[:, 0]
    np.testing.assert_allclose(back, ramp, atol=1.5 * 2.0**-23)
    assert np.all(np.diff(back) > 0)
    assert audio.look_at(tmp_path / "a.wav").subtype == "PCM_24"


# --- not audio at all, though called .wav


def test_what_is_no_audio_is_told_in_a_line_each(tmp_path):
    mp3 = riff(plain_format(tag=0x55), chunk(b"data", TONE_16[:4000]))
    assert "web page" in sentence(put(tmp_path / "page.wav", b"<html><body>Not found</body></html>" * 40))
    assert "MP3" in sentence(put(tmp_path / "mp3.wav", mp3))
    assert "empty" in sentence(put(tmp_path / "empty.wav", b""))
    assert sentence(put(tmp_path / "._Kick.wav", bytes.fromhex("00051607") + bytes(4092)))
    assert "no such file" in sentence(tmp_path / "missing.wav")
    assert "no samples" in sentence(put(tmp_path / "header.wav", riff(plain_format(), chunk(b"data", b""))))
    assert sentence(put(tmp_path / "noise.wav", np.random.default_rng(1).bytes(5000)))


@settings(max_examples=60, deadline=None)
@given(
    content=st.binary(max_size=120),
    head=st.sampled_from([b"", b"RIFF\xff\xff\xff\xffWAVE", b"RIFF\0\0\0\0WAVEfmt ", b"FORM", b"fLaC"]),
)
def test_any_bytes_are_read_or_refused_in_a_sentence(tmp_path_factory, content, head):
    path = put(tmp_path_factory.mktemp("any") / "a.wav", head + content)
    try:
        got = audio.read_audio(path)
    except audio.AudioProblem as problem:
        assert "\n" not in str(problem)
    else:
        assert len(got.samples) > 0


# --- captures with samples that are no numbers


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e30])
def test_samples_that_are_no_numbers_are_taken_as_silence_and_told(tmp_path, value):
    samples = np.stack([tone(4800), -tone(4800)], axis=1).astype(np.float32)
    samples[1200:1203, 1] = value
    soundfile.write(tmp_path / "a.wav", samples, RATE_HZ, subtype="FLOAT")
    got = audio.read_capture(tmp_path / "a.wav")
    assert got.notes == ("3 samples are no numbers, the first at 0.025 s; they are taken as silence",)
    expected = samples.copy()
    expected[1200:1203, 1] = 0
    np.testing.assert_array_equal(got.samples, expected)
    np.testing.assert_array_equal(audio.AudioBlocks(tmp_path / "a.wav").frames(1000, 1300), expected[1000:1300])


def test_a_capture_without_any_number_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.full(4800, np.nan, np.float32), RATE_HZ, subtype="FLOAT")
    with pytest.raises(audio.AudioProblem, match="none of its samples is a number; capture it again"):
        audio.read_capture(tmp_path / "a.wav")


# --- headers that cannot be true


@pytest.mark.parametrize(
    ("place", "number", "said"),
    [(4, 7, "its header says 7 Hz"), (4, 99_000_000, "its header says 99000000 Hz"), (2, 200, "200 channels; at most 64")],
)
def test_a_header_that_cannot_be_true_is_refused(tmp_path, place, number, said):
    form = bytearray(plain_format())
    width = 4 if place == 4 else 2
    form[8 + place : 8 + place + width] = number.to_bytes(width, "little")
    if place == 2:
        form[8 + 12 : 8 + 14] = (number * 2).to_bytes(2, "little")
    assert said in sentence(put(tmp_path / "a.wav", riff(bytes(form), chunk(b"data", TONE_16))))


def test_a_streamed_flac_that_does_not_tell_its_length_is_refused(tmp_path):
    soundfile.write(tmp_path / "a.flac", tone(4801), RATE_HZ)
    content = bytearray((tmp_path / "a.flac").read_bytes())
    # STREAMINFO (RFC 9639, section 8.2): the last 36 of the 64 bits from byte 18 on are the number of samples, 0 if unknown.
    content[21] &= 0xF0
    content[22:26] = bytes(4)
    assert "does not say how long it is" in sentence(put(tmp_path / "b.flac", bytes(content)))


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW", "PCM_U8", "PCM_32", "DOUBLE"])
def test_eight_to_sixty_four_bits_and_the_telephone_laws_are_read(tmp_path, subtype):
    soundfile.write(tmp_path / "a.wav", tone(4801), RATE_HZ, subtype=subtype)
    got = audio.read_audio(tmp_path / "a.wav")
    assert got.notes == ()
    np.testing.assert_allclose(got.samples[:, 0], tone(4801), atol=0.02)


def test_a_flac_with_a_bad_frame_is_used_up_to_it_as_a_capture(tmp_path):
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, 48000)
    soundfile.write(tmp_path / "a.flac", samples, RATE_HZ)
    content = bytearray((tmp_path / "a.flac").read_bytes())
    content[len(content) // 2 : len(content) // 2 + 400] = bytes(400)
    path = put(tmp_path / "b.flac", bytes(content))
    with pytest.raises(audio.AudioProblem, match="reading stopped"):
        audio.read_audio(path)
    got = audio.read_capture(path)
    assert 10000 < len(got.samples) <= 24000
    assert np.abs(got.samples[:, 0] - samples[: len(got.samples)]).max() < 1e-4
    assert got.notes == (f"reading stopped at {len(got.samples) / RATE_HZ:.3f} s; what lies behind is left out",)


# --- the same bytes each time


def test_two_float_files_1_2_seconds_apart_are_the_same_bytes(tmp_path):
    samples = np.stack([tone(), -tone()], axis=1)
    audio.write_float_wav(tmp_path / "a.wav", samples, RATE_HZ)
    audio.write_pcm24_wav(tmp_path / "a24.wav", samples, RATE_HZ)
    time.sleep(1.2)
    audio.write_float_wav(tmp_path / "b.wav", samples, RATE_HZ)
    audio.write_pcm24_wav(tmp_path / "b24.wav", samples, RATE_HZ)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    assert (tmp_path / "a24.wav").read_bytes() == (tmp_path / "b24.wav").read_bytes()
    np.testing.assert_array_equal(audio.read_audio(tmp_path / "a.wav").samples, samples.astype(np.float32))


@pytest.mark.parametrize("frames", [0, 1, (1 << 20) + 3])
def test_any_length_can_be_written(tmp_path, frames):
    samples = np.linspace(-0.5, 0.5, frames, dtype=np.float32)
    audio.write_float_wav(tmp_path / "a.wav", samples, 16000)
    back, rate_hz = soundfile.read(tmp_path / "a.wav", dtype="float32")
    np.testing.assert_array_equal(back, samples)
    assert rate_hz == 16000


# --- rates


@pytest.mark.parametrize(("from_hz", "to_hz"), [(44100, 48000), (48000, 44100), (96000, 48000), (48000, 12000)])
def test_resampling_moves_nothing_in_time(from_hz, to_hz):
    # soxr's VHQ recipe: 28 bits, pass band to 0.91 of the lower rate's half (its own documentation, from memory).
    seconds = np.arange(from_hz) / from_hz
    wave = 0.5 * np.sin(2 * np.pi * 1000 * seconds + 0.3)
    got = audio.resample(wave, from_hz, to_hz)
    assert len(got) == to_hz
    inner = slice(to_hz // 10, -to_hz // 10)
    expected = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(to_hz) / to_hz + 0.3)
    np.testing.assert_allclose(got[inner], expected[inner], atol=2e-6)


def test_resampling_keeps_float32_and_works_along_an_axis():
    both = np.stack([tone(4800), -tone(4800)]).astype(np.float32)
    got = audio.resample(both, 48000, 24000, axis=1)
    assert got.dtype == np.float32
    assert got.shape == (2, 2400)
    np.testing.assert_array_equal(got[0], -got[1])
    assert audio.resample(both, 48000, 48000) is both
