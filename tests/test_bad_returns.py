"""Captures that are broken, cut, disturbed or stopped, followed as far as they go; and files that change, or find no room, in
mid-run.

The recorder is the tests' own (recording.py); what has to come out is told by the recipe of each fault.
"""

import errno
import resource
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
import recording
from bounceproof.aligning.lay import lay_return
from bounceproof.audio import AudioProblem, resample, write_float_wav
from bounceproof.files import file_sha256, read_json, write_json
from bounceproof.transfers import make_transfer
from bounceproof_job import run_job
from fake_session import run
from recording import BAND_HZ, RATE_HZ, drums, record
from scipy.signal import butter, sosfilt

SECONDS = 8.0
STEM = drums(SECONDS, 1).astype(np.float32)
TRANSFER = {"lead_in_s": 1.0, "gap_s": 1.0, "tail_s": 0.5, "click_below_peak_db": 14.0}
SENT = make_transfer(STEM, RATE_HZ, number=1, band_hz=BAND_HZ, settings=TRANSFER, send_db=-6.0)
STEM_START_S = SENT.facts["stem_start_sample"] / RATE_HZ
CLICK_S = SENT.facts["start_click_sample"] / RATE_HZ
worst_error_us = partial(recording.worst_error_us, stem=STEM, stem_start_s=STEM_START_S)


def recorded(**options):
    return record(SENT.samples, **{"wow": 0.001, "hiss_db": 45, "seed": 1, **options})


def lay(capture, method="follow"):
    settings = {"method": method, "speed_search_percent": 12.0}
    capture = np.asarray(capture, dtype=np.float32)[:, None]
    laid = lay_return(capture, RATE_HZ, STEM, SENT.samples, SENT.facts, settings=settings, band_hz=BAND_HZ, names={1: "drum"})
    assert np.isfinite(laid.aligned).all()
    return laid


def said(laid):
    """All that a person is told of a return."""
    alignment = laid.alignment
    return " ".join([alignment["reason"] or "", *alignment["hints"], *alignment["remarks"]])


@pytest.fixture(scope="module")
def take():
    return recorded()


@pytest.mark.parametrize(
    ("kind", "state", "told"),
    [
        ("none a number", "rejected", "The capture is digital silence"),
        ("denormal", "rejected", "The capture is digital silence"),
        ("square", "aligned", "Clipped"),
        ("60 dB too low", "aligned", "dBFS only, near the interface's own noise."),
        ("a tenth of a second", "rejected", "The capture lasts only 0.10 s."),
    ],
)
def test_what_a_broken_capture_becomes(take, kind, state, told):
    capture = take.capture.astype(np.float32)
    broken = {
        "none a number": np.full_like(capture, np.nan),
        "denormal": capture * np.float32(1e-40),
        "square": np.sign(capture),
        "60 dB too low": capture * np.float32(0.001),
        "a tenth of a second": capture[:4800],
    }
    laid = lay(broken[kind], "clicks")
    assert laid.alignment["state"] == state, laid.alignment["reason"]
    assert told in said(laid)


def test_of_a_capture_without_clicks_and_without_music_it_is_said_that_nothing_was_recorded(take):
    """Hiss at -50 dBFS in the machine's band, and hum, as a recorder gives that erased the tape and recorded nothing."""
    at_s, noise = np.arange(take.capture.size) / RATE_HZ, np.random.default_rng(7).normal(size=take.capture.size)
    hiss = 10 ** (-50 / 20) * sosfilt(butter(2, (200, 7000), "band", fs=RATE_HZ, output="sos"), noise)
    assert "only steady noise from end to end" in said(lay(hiss + 0.001 * np.sin(2 * np.pi * 50 * at_s)))


def test_bursts_a_second_click_and_samples_that_are_no_numbers_move_nothing(take):
    """Bursts of a telephone nearby (217 a second, common practice), as loud as the music; the start click once more in the
    music; ten samples that are no numbers."""
    capture, random = take.capture.copy(), np.random.default_rng(4)
    for start_s in (4.1, 7.3):
        piece = slice(int(start_s * RATE_HZ), int((start_s + 0.3) * RATE_HZ))
        pulses = np.sin(2 * np.pi * 217 * np.arange(piece.stop - piece.start) / RATE_HZ) > 0.9
        capture[piece] += np.abs(capture).max() * pulses * random.normal(size=pulses.size)
    click_s = float(take.capture_s(CLICK_S))
    click = slice(int((click_s - 0.3) * RATE_HZ), int((click_s + 0.05) * RATE_HZ))
    capture[6 * RATE_HZ : 6 * RATE_HZ + click.stop - click.start] += take.capture[click]
    capture[400000:400010] = [np.nan, np.inf, -np.inf, 1e30, *[np.nan] * 6]
    laid = lay(capture)
    assert laid.alignment["start_click_return_s"] == pytest.approx(click_s, abs=0.001)
    assert "10 samples are no numbers, the first at 8.333 s; they are taken as silence" in said(laid)
    assert worst_error_us(laid, take.capture_s) < 200


def test_a_block_twice_is_dated_and_aligned_around(take):
    at, count = 6 * RATE_HZ, 1024
    keep = np.concatenate((np.arange(at), np.arange(at - count, take.capture.size)))
    laid, true_s = lay(take.capture[keep]), take.played_s[at] - STEM_START_S
    (jump,) = laid.alignment["jumps"]
    assert jump["at_s"] == pytest.approx(true_s, abs=0.5)
    assert jump["by_us"] == pytest.approx(1e6 * count / RATE_HZ, rel=0.1)
    assert "; followed." in said(laid)

    def capture_s(sent_s):
        in_take_s = take.capture_s(sent_s)
        return np.where(in_take_s < at / RATE_HZ, in_take_s, in_take_s + count / RATE_HZ)

    assert worst_error_us(laid, capture_s, jumps_s=[true_s]) < 100


def test_a_rate_that_changed_in_mid_capture_is_dated(take):
    """From 6 s on the samples come at 44.1 kHz under a header of 48 kHz: that part plays 8.8 % fast."""
    at = 6 * RATE_HZ
    laid = lay(np.concatenate((take.capture[:at], resample(take.capture[at:], RATE_HZ, 44100))))
    true_s = take.played_s[at] - STEM_START_S
    assert laid.alignment["flags"] == ["change of speed"]
    assert [jump["at_s"] for jump in laid.alignment["jumps"]] == pytest.approx([true_s], abs=0.5)

    def capture_s(sent_s):
        in_take_s = take.capture_s(sent_s)
        return np.where(in_take_s < 6, in_take_s, 6 + (in_take_s - 6) * 44100 / RATE_HZ)

    assert worst_error_us(laid, capture_s, jumps_s=[true_s]) < 1000


def test_a_tape_stopped_and_started_is_dated_and_aligned_around():
    def speed(t):
        return np.where((t > 5) & (t < 7.5), np.clip(np.abs(t - 6.25) / 1.25 - 0.6, 0.001, 1.0), 1.0)

    stopped = recorded(speed=speed)
    true_s = np.interp([5 * RATE_HZ, 7.5 * RATE_HZ], np.arange(stopped.played_s.size), stopped.played_s) - STEM_START_S
    laid = lay(stopped.capture)
    assert "stop" in laid.alignment["flags"]
    assert any(true_s[0] - 0.5 < jump["at_s"] < true_s[1] + 0.5 for jump in laid.alignment["jumps"])
    assert worst_error_us(laid, stopped.capture_s, jumps_s=true_s) < 1000


# --- in mid-run


def test_a_return_saved_anew_while_it_is_read_is_refused(tmp_path):
    capture = tmp_path / "take1.wav"
    capture.write_bytes(b"no audio, which is rejected")
    planned = file_sha256(capture)
    write_json(tmp_path / "alignment.json", {"track": "drum", "take": "take1", "state": "rejected", "reason": "x"})
    files = {
        "inputs": {"alignment": tmp_path / "alignment.json", "capture": capture},
        "outputs": {"condition": tmp_path / "condition.json", "bands": tmp_path / "bands.tsv"},
        "settings": {"track": "drum", "take": "take1"},
    }
    run("measure_return", **files, content=planned)
    assert read_json(tmp_path / "condition.json")["take"] == "take1"
    capture.write_bytes(b"another take")
    with pytest.raises(AudioProblem, match=r"take1\.wav: it changed while it was read; run again\."):
        run("measure_return", **files, content=planned)


def test_a_full_disk_is_told_in_a_sentence(tmp_path, capsys):
    def full(snakemake):
        raise OSError(errno.ENOSPC, "No space left on device", "results/mix/drum.wav")

    with pytest.raises(SystemExit) as ended:
        run_job(full, SimpleNamespace(log=[tmp_path / "logs" / "one.log"]))
    assert ended.value.code == 1
    sentence = "results/mix/drum.wav: No space left on device; free some space and run again.\n"
    assert capsys.readouterr().err == sentence
    assert (tmp_path / "logs" / "one.log").read_text() == sentence


@pytest.mark.parametrize("seconds", [0.2, 3.0])
def test_audio_that_finds_no_room_is_told_by_the_systems_own_reason(tmp_path, seconds):
    """A limit on how large a file may grow stands for a full disk; a short file fails only as it is closed."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20000, before[1]))
    try:
        with pytest.raises(OSError, match="File too large") as told:
            write_float_wav(tmp_path / "mix.wav", np.ones(int(seconds * RATE_HZ)), RATE_HZ)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert told.value.filename == str(tmp_path / "mix.wav")
    assert not list(tmp_path.iterdir())


def test_a_disk_too_full_for_the_log_is_told_too(tmp_path, capsys):
    (tmp_path / "logs").write_text("no folder")
    with pytest.raises(SystemExit):
        run_job(lambda snakemake: None, SimpleNamespace(log=[tmp_path / "logs" / "one.log"]))
    assert "mend it and run again." in capsys.readouterr().err
