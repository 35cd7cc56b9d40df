"""Sending low instruments faster: the gain told against what the simulated recorder really gives, on either side of the tape."""

import numpy as np
import pytest
from bounceproof import spectra
from bounceproof.audio import resample, write_float_wav
from bounceproof.files import read_table, write_table
from bounceproof.planning import varispeed
from bounceproof.quantities import third_octave_bands
from bounceproof.recorder import simulate
from fake_session import run

RATE_HZ = 16000
SECONDS = 12.0
BANDS = third_octave_bands(40.0, 6300.0)


def low_stem(seed):
    """Power from 40 to 160 Hz, little above: a bass of noise, so that its spectrum is smooth."""
    random = np.random.default_rng(seed)
    noise = np.fft.rfft(random.normal(size=int(SECONDS * RATE_HZ)))
    freq_hz = np.fft.rfftfreq(int(SECONDS * RATE_HZ), 1 / RATE_HZ)
    shape = 1.0 / (1.0 + (freq_hz / random.uniform(120, 250)) ** 4) * (freq_hz > 30)
    out = np.fft.irfft(noise * shape)
    return 0.2 * out / np.abs(out).max()


def powers(samples):
    return spectra.band_powers([samples], RATE_HZ, BANDS, segment=4096)[:, 0].mean(axis=0)


def through(samples, recorder, seed):
    """(what came of the samples, the hiss beside it)."""
    done = simulate(
        samples, RATE_HZ, {"preset": "wire", "settings": recorder}, seed=seed, stem_span_s=(0, len(samples) / RATE_HZ)
    )
    first = round(0.25 * RATE_HZ)
    part = slice(first, first + len(samples))
    return done.capture[part] - done.truth.hiss[part], np.asarray(done.truth.hiss[part], dtype=float)


def recorder(seed, side):
    random = np.random.default_rng(seed)
    band = {"low_hz": float(random.uniform(250, 450)), "high_hz": 4500.0, "order": 2, "phase": "minimum"}
    other = {**band, "low_hz": 20.0}
    sides = {"record_band": band, "replay_band": other} if side == "record" else {"record_band": other, "replay_band": band}
    return {**sides, "hiss": {"level_dbfs": float(random.uniform(-60, -50))}}


def machine_of(settings, seed):
    """The recorder as noise of its own shows it: response and hiss by third-octaves."""
    probe = 0.1 * np.random.default_rng(seed + 500).normal(size=int(SECONDS * RATE_HZ))
    signal, hiss = through(probe, settings, seed + 900)
    return varispeed.Machine(BANDS, *(10 * np.log10(one) for one in (powers(signal) / powers(probe), powers(hiss))))


def true_gain_db(stem, settings, seed, factor):
    """Signal over hiss from 40 to 160 Hz of the stem sent faster and read slower, over that of the stem as it is."""
    lows = np.array([varispeed.LOWS_HZ[0] * 0.999 <= band.mid_hz <= varispeed.LOWS_HZ[1] * 1.001 for band in BANDS])
    over_db = []
    for speed in (1, factor):
        sent = stem if speed == 1 else resample(stem, RATE_HZ * speed, RATE_HZ)
        back = [one if speed == 1 else resample(one, RATE_HZ, RATE_HZ * speed) for one in through(sent, settings, seed)]
        signal, hiss = (powers(one)[lows].sum() for one in back)
        over_db.append(10 * np.log10(signal / hiss))
    return over_db[1] - over_db[0]


@pytest.mark.parametrize("side", ["record", "replay"])
def test_the_gain_is_within_a_decibel_and_the_advice_right(side):
    for seed in range(10):
        settings, stem = recorder(seed, side), low_stem(seed)
        machine = machine_of(settings, seed)
        for speed in varispeed.FACTORS if seed < 3 else (2,):
            told = varispeed.gain(machine, powers(stem), speed)
            assert told.lows_db == pytest.approx(true_gain_db(stem, settings, seed, speed), abs=1.0), (seed, speed)
        factor, sentence = varispeed.advice(machine, powers(stem))
        if side == "record":
            assert factor > 1, sentence
            assert "on the way to the tape" in sentence
        else:
            assert factor == 1, sentence
            assert "Equalise" in sentence


def test_a_stem_with_treble_is_left_as_it_is():
    machine = machine_of(recorder(3, "record"), 3)
    bright = np.ones(len(BANDS))
    factor, sentence = varispeed.advice(machine, bright)
    assert factor == 1
    assert "leave it as it is" in sentence


def test_a_calibration_tells_the_same():
    """Lows lost by 20 dB an octave below 320 Hz, all before the tape: an octave up brings them back but for the wider hiss."""
    rows = [{"freq_hz": hz, "level_db": min(0.0, 20 * np.log2(hz / 320))} for hz in 1000 * 2 ** (np.arange(-60, 32) / 12)]
    stem = np.array([1.0 if band.mid_hz < 200 else 0.0 for band in BANDS])
    for share, least, most in ((1.0, 16.0, 17.1), (0.0, -3.2, -2.8)):
        values = {"response": [{**row, "before_tape_db": share * row["level_db"]} for row in rows]}
        told = varispeed.gain(varispeed.from_recorder(values, BANDS), stem, 2)
        assert least < told.lows_db < most


def test_returns_of_several_tracks_show_one_machine():
    """Two tracks at levels 9 dB apart, each knowing its own bands: one shape, exactly."""
    truth = np.linspace(-20, 5, len(BANDS))
    tables = {}
    for track, offset, first in (("bass", 3.0, 0), ("voice", -6.0, 6)):
        tables[track] = [
            {
                "nominal_hz": str(band.nominal_hz),
                "response_db": str(truth[k] + offset) if k >= first else "",
                "hiss_dbfs": str(-70.0 + offset),
            }
            for k, band in enumerate(BANDS)
        ]
    found = varispeed.from_returns(tables, BANDS)
    assert np.diff(found.response_db) == pytest.approx(np.diff(truth))
    assert np.ptp(found.hiss_db) == pytest.approx(0.0, abs=1e-9)


def test_a_machine_that_carries_its_lows_needs_no_help():
    factor, sentence = varispeed.advice(
        varispeed.Machine(BANDS, np.zeros(len(BANDS)), np.full(len(BANDS), -60.0)), low_stem_power()
    )
    assert factor == 1
    assert "carries its lows" in sentence


def low_stem_power():
    return np.array([1.0 if band.mid_hz < 200 else 1e-3 for band in BANDS])


def test_where_nothing_is_known_nothing_is_advised():
    nothing = varispeed.Machine(BANDS, np.full(len(BANDS), -10.0), np.full(len(BANDS), np.nan))
    assert varispeed.advice(nothing, np.ones(len(BANDS)))[0] == 1


def test_the_rule_advises_from_returns_and_says_so(tmp_path):
    stem, path = low_stem(1), tmp_path / "bass.wav"
    write_float_wav(path, stem, RATE_HZ)
    machine = machine_of(recorder(1, "record"), 1)
    rows = [
        {"nominal_hz": band.nominal_hz, "response_db": response, "hiss_dbfs": hiss}
        for band, response, hiss in zip(BANDS, machine.response_db, machine.hiss_db, strict=True)
    ]
    write_table(tmp_path / "bands.tsv", rows, ("nominal_hz", "response_db", "hiss_dbfs"))
    table = tmp_path / "send-speeds.tsv"
    run(
        "propose_speeds",
        inputs={"stems": [path], "recorder": [], "bands": [tmp_path / "bands.tsv"]},
        outputs={"table": table},
        settings={"tracks": ["bass"], "returned": ["bass"]},
    )
    (row,) = read_table(table)
    assert int(row["send_speed"]) > 1
    assert row["known_from"] == "returns"
    assert float(row["lows_gain_2_db"]) == pytest.approx(varispeed.gain(machine, powers(stem), 2).lows_db, abs=0.5)
    run(
        "propose_speeds",
        inputs={"stems": [path], "recorder": [], "bands": []},
        outputs={"table": table},
        settings={"tracks": ["bass"], "returned": []},
    )
    assert "Nothing is known" in read_table(table)[0]["advice"]
