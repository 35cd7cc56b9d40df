"""Returns that no smooth speed explains, that are incomplete, or that are another's: followed, or refused with the reason.

The recorder is the tests' own (recording.py) and knows where each sample of a capture came from; maps are held against that.
Kinds of
fault as musicians report them in public; tolerances (1 ms half a second away from a jump, 0.5 s for a date) are ours.
"""

from functools import partial

import numpy as np
import pytest
import recording
from bounceproof.aligning.lay import lay_return
from bounceproof.follow import estimate
from bounceproof.follow.material import Return, Sent
from bounceproof.transfers import make_transfer
from recording import BAND_HZ, RATE_HZ, drums, plucks, record

SECONDS = 16.0
STEMS = {
    1: drums(SECONDS, 1).astype(np.float32),
    2: plucks(SECONDS, 2).astype(np.float32),
    3: drums(SECONDS, 9).astype(np.float32),
}
NAMES = {1: "drum", 2: "bass", 3: "tom"}
TRANSFER = {"lead_in_s": 1.0, "gap_s": 1.0, "tail_s": 0.5, "click_below_peak_db": 14.0}
SENT = {
    number: make_transfer(
        stem,
        RATE_HZ,
        number=number,
        band_hz=BAND_HZ,
        settings=TRANSFER,
        send_db=-6.0,
    )
    for number, stem in STEMS.items()
}
STEM_START_S = SENT[1].facts["stem_start_sample"] / RATE_HZ
worst_error_us = partial(recording.worst_error_us, stem=STEMS[1], stem_start_s=STEM_START_S)


def lay(capture, number=1, *, others=()):
    return lay_return(
        np.asarray(capture, dtype=np.float32)[:, None],
        RATE_HZ,
        STEMS[number],
        SENT[number].samples,
        SENT[number].facts,
        settings={"method": "follow", "speed_search_percent": 12.0},
        band_hz=BAND_HZ,
        names=NAMES,
        others=[(NAMES[other], STEMS[other]) for other in others],
    )


def recorded(number=1, **options):
    return record(SENT[number].samples, **{"wow": 0.001, "hiss_db": 45, "seed": number, **options})


def cut(take, keep):
    """(capture, capture_s) of a Recorded without the samples that are not kept."""
    played_s = take.played_s[keep]
    return take.capture[keep], lambda sent_s: np.interp(sent_s, played_s, np.arange(played_s.size) / RATE_HZ)


def test_blocks_the_computer_lost_are_dated_and_not_smeared():
    take, at_s = recorded(), (7.0, 14.0)
    keep = np.ones(take.capture.size, bool)
    for lost_s in at_s:
        keep[int(lost_s * RATE_HZ) : int(lost_s * RATE_HZ) + 512] = False
    capture, capture_s = cut(take, keep)
    laid = lay(capture)
    true_s = [take.played_s[int(lost_s * RATE_HZ)] - STEM_START_S for lost_s in at_s]
    jumps = laid.alignment["jumps"]
    assert [jump["at_s"] for jump in jumps] == pytest.approx(true_s, abs=0.25)
    assert [jump["by_us"] for jump in jumps] == pytest.approx([-1e6 * 512 / RATE_HZ] * 2, abs=300)
    assert {jump["kind"] for jump in jumps} <= {"capture gap", "jump"}
    assert set(laid.alignment["flags"]) <= {"capture gap", "jump"}
    assert worst_error_us(laid, capture_s, jumps_s=true_s) < 50


@pytest.mark.parametrize(("number", "by_s"), [(1, -0.008), (1, 0.005), (2, 0.002)])
def test_a_slip_of_the_capstan_is_found_and_followed(number, by_s):
    take = recorded(number, speed=lambda t: 1 - by_s / 0.05 * ((t >= 11) & (t < 11.05)))
    laid = lay(take.capture, number)
    (jump,) = laid.alignment["jumps"]
    true_s = take.played_s[11 * RATE_HZ] - STEM_START_S
    assert jump["at_s"] == pytest.approx(true_s, abs=0.5)
    assert jump["by_us"] == pytest.approx(1e6 * by_s, rel=0.25)
    assert worst_error_us(laid, take.capture_s, jumps_s=[true_s]) < 100


def test_a_swoop_in_the_music_is_dated_and_silent():
    take = recorded(speed=lambda t: np.where((t > 9) & (t < 10), np.clip(t - 9, 0.02, 1), 1.0))
    laid = lay(take.capture)
    true_s = np.interp([9 * RATE_HZ, 10 * RATE_HZ], np.arange(take.played_s.size), take.played_s) - STEM_START_S
    assert len(laid.alignment["jumps"]) == 1
    assert laid.alignment["jumps"][0]["by_us"] == pytest.approx(5e5, rel=0.1)
    assert true_s[0] - 0.5 < laid.alignment["jumps"][0]["at_s"] < true_s[1] + 0.5
    assert worst_error_us(laid, take.capture_s, jumps_s=true_s) < 1000
    unknown = ~np.isfinite(laid.time_map.sigma_us)
    middle = np.interp(laid.time_map.stem_s[unknown].mean() + np.array([-0.05, 0.05]), [0, SECONDS], [0, STEMS[1].size]).astype(
        int
    )
    assert not laid.aligned[middle[0] : middle[1]].any()


def test_fading_batteries_are_followed_all_the_way_up():
    take = recorded(speed=lambda t: 1 + 0.12 * np.clip((t - 8) / 14, 0, 1) ** 2)
    assert worst_error_us(lay(take.capture), take.capture_s) < 300


def test_cut_at_both_ends_it_is_aligned_as_far_as_it_goes():
    take = recorded()
    first, last = (np.searchsorted(take.played_s, STEM_START_S + at_s) for at_s in (4.0, 12.0))
    capture, capture_s = cut(take, slice(first, last))
    laid = lay(capture)
    assert laid.alignment["state"] == "aligned", laid.alignment["reason"]
    assert {"no clicks", "cut short"} <= set(laid.alignment["flags"])
    ((from_s, to_s),) = laid.alignment["spans_s"]
    assert (from_s, to_s) == pytest.approx((4.0, 12.0), abs=0.1)
    assert worst_error_us(laid, capture_s) < 50
    assert not laid.aligned[: int(3.9 * RATE_HZ)].any()
    assert not laid.aligned[int(12.1 * RATE_HZ) :].any()


def test_bars_that_repeat_exactly_lie_right_though_both_clicks_were_wiped_out():
    """What stands where the clicks were, here a step of direct current, is no click; the bars are told apart by their ends."""
    stem = np.tile(drums(2.0, 1), 4)
    sent = make_transfer(stem, RATE_HZ, number=2, band_hz=BAND_HZ, settings=TRANSFER, send_db=-6.0)
    take, start_s = (
        record(sent.samples, speed=1.004, wow=0.002, hiss_db=40, before_s=3.2, seed=1),
        sent.facts["stem_start_sample"],
    )
    capture = take.capture.astype(np.float32)
    for end in ("start", "end"):
        click = int(take.capture_s(sent.facts[f"{end}_click_sample"] / RATE_HZ) * RATE_HZ)
        capture[click - 20000 : click + 8000] = 0.0005
    settings = {"method": "follow", "speed_search_percent": 12.0}
    laid = lay_return(capture[:, None], RATE_HZ, stem, sent.samples, sent.facts, settings=settings, band_hz=BAND_HZ)
    assert laid.alignment["state"] == "aligned", laid.alignment["reason"]
    assert laid.alignment["flags"] == ["no clicks"] and not laid.alignment["jumps"]
    error_us = 1e6 * (laid.time_map.return_s - take.capture_s(start_s / RATE_HZ + laid.time_map.stem_s))
    # The recorder's own band-pass delays by some 24 us.
    assert np.median(error_us) == pytest.approx(24, abs=4)
    assert np.abs(error_us - np.median(error_us)).max() < 30


def test_without_clicks_five_seconds_of_music_are_enough_and_the_constant_is_doubted():
    stem = STEMS[2][int(4.0 * RATE_HZ) : int(9.3 * RATE_HZ)]
    sent = make_transfer(stem, RATE_HZ, number=2, band_hz=BAND_HZ, settings=TRANSFER, send_db=-6.0)
    take, start_s = record(sent.samples, wow=0.001, hiss_db=45, seed=2), sent.facts["stem_start_sample"] / RATE_HZ
    first, last = (np.searchsorted(take.played_s, start_s + at_s) for at_s in (0.2, 5.25))
    capture, capture_s = cut(take, slice(first, last))

    def laid_as(capture):
        settings = {"method": "follow", "speed_search_percent": 12.0}
        return lay_return(
            capture.astype(np.float32)[:, None], RATE_HZ, stem, sent.samples, sent.facts, settings=settings, band_hz=BAND_HZ
        )

    laid, whole = laid_as(capture), laid_as(take.capture)
    assert laid.alignment["state"] == "aligned", laid.alignment["reason"]
    assert "no clicks" in laid.alignment["flags"]
    inner = (laid.time_map.stem_s > 0.4) & (laid.time_map.stem_s < 5.0)
    error_us = 1e6 * (laid.time_map.return_s - capture_s(start_s + laid.time_map.stem_s))[inner]
    assert np.abs(error_us - np.median(error_us)).max() < 50
    assert laid.alignment["offset_sigma_us"] > 2 * whole.alignment["offset_sigma_us"]


def test_tape_erased_from_the_middle_on_is_silent_from_there():
    take = recorded()
    first = np.searchsorted(take.played_s, STEM_START_S + 10.0)
    capture = take.capture.copy()
    capture[first:] = 1e-3 * np.random.default_rng(6).normal(size=capture.size - first)
    laid = lay(capture)
    assert "music lost" in laid.alignment["flags"]
    assert laid.alignment["spans_s"][-1][1] == pytest.approx(10.0, abs=0.6)
    assert worst_error_us(laid, take.capture_s) < 50


def test_a_third_of_all_blocks_missing_is_refused_with_the_share():
    take = recorded()
    laid = lay(take.capture[np.arange(take.capture.size) // 2000 % 3 != 2])
    assert laid.alignment["state"] == "rejected"
    assert "apture incomplete: about 33 % missing" in laid.alignment["reason"]


@pytest.mark.parametrize("number", [0, 3])
def test_good_clicks_do_not_vouch_for_what_lies_between_them(number):
    own = recorded()
    first, last = (np.searchsorted(own.played_s, STEM_START_S + at_s) for at_s in (-0.3, SECONDS + 0.3))
    capture = own.capture.copy()
    capture[first:last] = recorded(3).capture[first:last] if number else 0.02 * np.random.default_rng(1).normal(size=last - first)
    laid = lay(capture, others=(2, 3) if number else ())
    assert laid.alignment["state"] == "rejected"
    assert not laid.aligned.any()
    assert number == 0 or NAMES[number] in laid.alignment["reason"]


def test_a_wire_is_a_pure_delay_and_no_wow():
    laid = lay(np.pad(SENT[1].samples, (1170, 0)))
    delay_us = 1e6 * (laid.time_map.return_s - laid.time_map.stem_s - STEM_START_S - 1170 / RATE_HZ)
    assert np.abs(delay_us).max() < 0.1
    assert laid.alignment["flags"] == []


def test_a_wire_is_told_though_its_stem_has_direct_current():
    """A capture's own has been taken off, the stem's is still there."""
    stem = STEMS[2] + np.float32(0.1)
    assert estimate._plain_copy(Sent(stem, RATE_HZ), Return(stem, RATE_HZ), (0.0, 1.0)) is not None
    hissing = stem + (0.01 * np.random.default_rng(1).normal(size=stem.size)).astype(np.float32)
    assert estimate._plain_copy(Sent(stem, RATE_HZ), Return(hissing, RATE_HZ), (0.0, 1.0)) is None
