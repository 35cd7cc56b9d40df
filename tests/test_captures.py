"""Transfers found in captures of any length, by what their clicks spell."""

import numpy as np
import pytest
from bounceproof import audio
from bounceproof.audio import AudioBlocks, read_audio, write_float_part, write_float_wav
from bounceproof.captures import find_in_channels, find_spans, legs_together, take_name, with_repeats
from bounceproof.clicks import REFERENCE_SWEEP, sweep_times
from bounceproof.transfers import make_transfer
from hypothesis import given
from hypothesis import strategies as st
from recording import BAND_HZ, RATE_HZ, drums, plucks, record

SETTINGS = {"lead_in_s": 2.0, "gap_s": 1.0, "tail_s": 1.0, "click_below_peak_db": 14.0}
SECONDS = 3.0
NAMES = {3: "drum", 16: "bass", 255: "horn"}
STEMS = {3: drums(SECONDS), 16: plucks(SECONDS), 255: plucks(SECONDS, seed=9, low_hz=330.0)}
SENT = {
    number: make_transfer(stem, RATE_HZ, number=number, band_hz=BAND_HZ, settings=SETTINGS, send_db=-6.0)
    for number, stem in STEMS.items()
}
FACTS = [{"track": NAMES[number], **made.facts} for number, made in SENT.items()]


def spans_of(samples, facts=FACTS):
    return find_spans(np.asarray(samples, dtype=np.float32), RATE_HZ, facts, speed_search_percent=12.0)


def side(numbers, *, speed=0.985, seed=1):
    """(capture, [(track, start click, end click) in s]) of transfers played one after the other, each in a pass of its own."""
    pieces, truth, at_s = [], [], 0.0
    for k, number in enumerate(numbers):
        one = record(SENT[number].samples, speed=speed, wow=0.001, hiss_db=35, seed=seed + k)
        clicks_s = [at_s + one.capture_s(SENT[number].facts[f"{end}_click_sample"] / RATE_HZ) for end in ("start", "end")]
        truth.append((NAMES[number], *clicks_s))
        pieces.append(one.capture)
        at_s += one.capture.size / RATE_HZ
    return np.concatenate(pieces), truth


def agree(spans, truth):
    assert [span.track for span in spans] == [one[0] for one in truth]
    for span, (_, start_s, end_s) in zip(spans, truth, strict=True):
        # The recorder's band filter is some tens of microseconds late.
        assert span.start_s == pytest.approx(start_s, abs=1e-4)
        assert span.end_s == pytest.approx(end_s, abs=1e-4)
        assert span.note == ""
        assert span.first_sample / RATE_HZ < start_s - 0.25
        assert span.last_sample / RATE_HZ > end_s + 0.3


@pytest.mark.parametrize(
    "order", [(255, 3, 16), (16, 255), (3,), (3, 3, 16)], ids=["any order", "one missing", "alone", "repeated"]
)
def test_transfers_in_any_order_missing_or_repeated(order):
    agree(spans_of(side(order)[0]), side(order)[1])


def test_a_calibration_among_the_tracks_is_known_and_missed_nowhere():
    """One of three transfers stands for it; that a real one's tones and sweeps are no clicks, bench/whole_sides.py shows."""
    facts = [one for one in FACTS if one["track"] != "horn"]
    aside = {**next(one for one in FACTS if one["track"] == "horn"), "track": "calibration"}
    samples, truth = side((3, 255, 16))
    samples = np.asarray(samples, dtype=np.float32)
    spans = find_spans(samples, RATE_HZ, facts, speed_search_percent=12.0, beside=[aside])
    assert [span.track for span in spans] == ["drum", "calibration", "bass"]
    assert spans[1].start_s == pytest.approx(truth[1][1], abs=1e-4)


@pytest.mark.parametrize("speed", [0.89, 1.11])
def test_at_any_speed_and_polarity(speed):
    samples, truth = side((16, 3), speed=speed)
    agree(spans_of(-samples), truth)


def in_channels(path, *channels):
    write_float_wav(path, np.stack(channels, axis=1), RATE_HZ)
    return find_in_channels(AudioBlocks(path), FACTS, speed_search_percent=12.0)


def test_of_two_channels_the_live_one_is_searched_piece_by_piece(tmp_path):
    samples, truth = side((3, 16))
    found = in_channels(tmp_path / "side.wav", 0.0001 * np.random.default_rng(1).normal(size=samples.size), samples)
    assert [channel for channel, _ in found] == [2]
    agree(found[0][1], truth)


def test_two_transfers_played_at_once_are_found_in_their_channels(tmp_path):
    """Those of one stereo track are cut from and to the same samples."""
    (left, its), (right, others) = side((3,)), side((16,), seed=5)
    count = min(left.size, right.size)
    found = dict(in_channels(tmp_path / "side.wav", left[:count], 0.7 * right[:count]))
    agree(found[1], its)
    agree(found[2], others)
    cuts = [(channel, span) for channel in (1, 2) for span in found[channel]]
    (_, one, beside), (_, two, its_beside) = legs_together(cuts, {"drum": "bass", "bass": "drum"})
    assert (beside, its_beside) == ("bass", "drum")
    assert (one.first_sample, one.last_sample) == (two.first_sample, two.last_sample)
    assert [together for *_, together in legs_together(cuts, {})] == ["", ""]


def test_one_recording_in_both_channels_is_one_programme(tmp_path):
    samples, truth = side((3,))
    found = in_channels(tmp_path / "side.wav", samples, -0.6 * samples)
    assert [channel for channel, _ in found] == [1]
    agree(found[0][1], truth)


def test_a_cut_written_in_pieces_is_the_part_of_its_capture(tmp_path, monkeypatch):
    monkeypatch.setattr(audio, "_BLOCK", 1000)
    samples = np.random.default_rng(4).normal(size=(7777, 2)).astype(np.float32)
    write_float_wav(tmp_path / "side.wav", samples, RATE_HZ)
    blocks = AudioBlocks(tmp_path / "side.wav")
    for name in ("one.wav", "two.wav"):
        write_float_part(tmp_path / name, blocks, 1234, 7000)
    write_float_part(tmp_path / "right.wav", blocks, 1234, 7000, channel=2)
    assert np.array_equal(read_audio(tmp_path / "right.wav").samples, samples[1234:7000, 1:])
    assert np.array_equal(read_audio(tmp_path / "one.wav").samples, samples[1234:7000])
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_a_side_of_two_machines_is_found_whole():
    """The second was played 7 % faster than the first: not near the speed that the first click told."""
    one, first = side((3, 255), speed=0.95)
    two, second = side((16, 255), speed=1.02, seed=7)
    at_s = one.size / RATE_HZ
    truth = first + [(track, start_s + at_s, end_s + at_s) for track, start_s, end_s in second]
    agree(spans_of(np.concatenate((one, two))), truth)


def test_what_came_twice_or_was_broken_off_says_so():
    samples, truth = side((3, 16, 3))
    cut = int((truth[2][1] + 1.5) * RATE_HZ)
    spans = with_repeats(spans_of(samples[:cut]))
    assert [span.track for span in spans] == ["drum", "bass", "drum"]
    assert [span.note for span in spans[:2]] == ["", ""]
    assert "interrupted: the first" in spans[2].note and "time 2 in this capture" in spans[2].note
    (late,) = spans_of(samples[int((truth[0][1] + 1.0) * RATE_HZ) : int((truth[0][2] + 1.0) * RATE_HZ)])
    assert late.note.startswith("interrupted: the last")


def test_spans_hold_their_whole_transfer_and_only_little_of_others():
    samples, truth = side((3, 16, 255))
    for span, (_, start_s, end_s) in zip(spans_of(samples), truth, strict=True):
        assert (span.last_sample - span.first_sample) / RATE_HZ < end_s - start_s + 6.1
        times = span.times(RATE_HZ)
        assert times["from_s"] <= start_s <= end_s <= times["to_s"]


@pytest.mark.parametrize("lost", ["start", "end"])
def test_a_lost_click_is_said_and_the_transfer_still_cut(lost):
    samples, truth = side((3, 16))
    place = int(truth[0][1 if lost == "start" else 2] * RATE_HZ)
    samples[max(0, place - 15000) : place + 15000] = 0.0005
    first, second = spans_of(samples)
    assert first.track == "drum"
    assert first.note == f"the {lost} click is missing"
    assert getattr(first, f"{lost}_s") is None
    assert first.first_sample / RATE_HZ < truth[0][1]
    assert first.last_sample / RATE_HZ > truth[0][2] - 0.5
    agree([second], truth[1:])


def test_a_repeat_with_damaged_clicks_is_found_though_no_track_is_missing():
    """One sweep of four is gone from either click: nobody looks for a number, but there is room for a transfer."""
    samples, truth = side((3, 3))
    for end, click_s in zip(("start", "end"), truth[1][1:], strict=True):
        times = sweep_times(3, end)
        gone = int((click_s + (times[0] - times[REFERENCE_SWEEP]) / 0.985) * RATE_HZ)
        samples[gone - RATE_HZ // 40 : gone + RATE_HZ // 40] = 0.0005
    rest = 0.0005 * np.random.default_rng(4).normal(size=5 * RATE_HZ)
    first, second = spans_of(np.concatenate([samples, rest]), FACTS[:1])
    agree([first], truth[:1])
    assert (second.track, second.note) == ("drum", "")
    assert (second.start_s, second.end_s) == pytest.approx(truth[1][1:], abs=5e-4)


def test_a_capture_that_ends_in_the_middle_of_a_transfer_is_cut_as_far_as_it_goes():
    samples, truth = side((3, 16))
    cut = int((truth[1][1] + 2.0) * RATE_HZ)
    first, second = spans_of(samples[:cut])
    agree([first], truth[:1])
    assert (second.track, second.end_s, second.last_sample) == ("bass", None, cut)


def test_hiss_music_and_the_clicks_of_another_session_are_no_transfer():
    assert spans_of(0.01 * np.random.default_rng(2).normal(size=10 * RATE_HZ)) == []
    assert spans_of(record(STEMS[3], hiss_db=40).capture) == []
    assert spans_of(np.zeros(5 * RATE_HZ)) == []
    samples, truth = side((16, 3))
    agree(spans_of(samples, [facts for facts in FACTS if facts["track"] == "drum"]), truth[1:])


def test_a_start_and_an_end_too_far_apart_are_two_broken_transfers():
    one, two = (record(SENT[3].samples, hiss_db=40, seed=seed).capture for seed in (1, 2))
    middle = int(3.5 * RATE_HZ)
    waiting = 0.0005 * np.random.default_rng(3).normal(size=8 * RATE_HZ)
    spans = spans_of(np.concatenate([one[: middle + RATE_HZ], waiting, two[middle:]]))
    assert [(span.track, span.note) for span in spans] == [
        ("drum", "the end click is missing"),
        ("drum", "the start click is missing"),
    ]
    assert spans[0].last_sample <= spans[1].first_sample, "neither holds a part of the other"


@given(st.text(min_size=1, max_size=20), st.sets(st.sampled_from(["take", "Take", "take-2", "side a"]), max_size=3))
def test_a_take_never_gets_a_name_that_is_taken(capture, taken):
    name = take_name(capture, taken)
    assert name
    assert name.casefold() not in {one.casefold() for one in taken}
    assert "/" not in name


def test_takes_are_named_after_their_capture():
    assert take_name("side A", set()) == "side A"
    assert take_name("side A", {"Side a"}) == "side A-2"
    assert take_name("side A", {"side A", "side A-2"}) == "side A-3"
