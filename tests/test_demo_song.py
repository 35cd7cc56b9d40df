"""The demo's song: complete, the same each time, musical enough, and its two-microphone pairs physically consistent."""

import csv
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import yaml
from bounceproof.demo_song import catalogue, score, synthesise
from bounceproof.demo_song.instruments import hertz, oscillate, partials, wave_table
from bounceproof.demo_song.microphones import heard
from bounceproof.recorder import resolve

DEMO = Path(__file__).parents[1] / "config" / "demo"
RATE_HZ = 48000
SEED = 1


@cache
def stem(name):
    return synthesise(name, SEED)


class Song(Mapping):
    """The stems by name, each synthesised when first asked for."""

    def __getitem__(self, name):
        return stem(name)

    def __iter__(self):
        return iter(catalogue(SEED))

    def __len__(self):
        return len(catalogue(SEED))


@pytest.fixture
def song():
    return Song()


def spectrum(samples):
    return np.abs(np.fft.rfft(samples)) ** 2, np.fft.rfftfreq(samples.size, 1 / RATE_HZ)


def share_db(samples, low_hz, high_hz):
    power, freq_hz = spectrum(samples)
    return 10 * np.log10(power[(freq_hz >= low_hz) & (freq_hz < high_hz)].sum() / power.sum())


def test_catalogue_tells_what_is_synthesised(song):
    assert len(song) >= 10
    for name, facts in catalogue(SEED).items():
        samples = song[name]
        assert samples.shape == (facts["frames"], facts["channels"])
        assert samples.dtype == np.float32
        assert facts["frames"] / facts["rate_hz"] >= 40
        assert np.isfinite(samples).all()


def test_stems_are_balanced_and_never_digitally_silent(song):
    total = np.zeros((next(iter(song.values())).shape[0], 2))
    for samples in song.values():
        peak_dbfs = 20 * np.log10(np.abs(samples).max())
        assert -13 < peak_dbfs < -6
        assert not (np.abs(samples[: RATE_HZ // 10]) == 0).all()
        total += samples if samples.shape[1] == 2 else samples * np.sqrt(0.5)
    assert np.abs(total).max() < 1.0


@pytest.mark.parametrize("name", ["kick-outside", "mandolin-two", "announcer"])
def test_same_seed_same_bytes_other_seed_other_playing(song, name):
    assert synthesise(name, SEED).tobytes() == song[name].tobytes()
    assert not np.allclose(synthesise(name, SEED + 1), song[name], atol=1e-3)


def test_unknown_stem_is_named():
    with pytest.raises(KeyError, match="no stem 'tuba'"):
        synthesise("tuba", SEED)


def test_spectra_are_where_the_trade_expects_them(song):
    """Common practice: kick 60 to 100 Hz with its attack at 2 to 4 kHz, bass about 100 Hz, a voice's brilliance from 8 kHz up."""
    kick = song["kick-inside"][:, 0]
    assert share_db(kick, 55, 110) > -2
    power, freq_hz = spectrum(kick)
    thirds = [(power[(freq_hz >= f) & (freq_hz < 1.26 * f)].sum(), f) for f in 700 * 1.26 ** np.arange(14)]
    assert 1700 < max(thirds)[1] < 4300
    assert share_db(song["bass-pickup"][:, 0], 60, 240) > -3
    assert share_db(song["bass-pickup"][:, 0], 1000, 4000) > -25
    assert share_db(song["announcer"][:, 0], 8000, 16000) > -25
    assert share_db(song["brushes"][:, 0], 1500, 10000) > -4
    for name, samples in song.items():
        assert share_db(samples[:, 0], 350, 4200) > -28, name


def test_music_has_rests_and_a_quiet_passage(song):
    quiet = slice(int(score.at(score.QUIET[0], 2) * RATE_HZ), int(score.at(score.QUIET[-1], 2) * RATE_HZ))
    verse = slice(int(score.at(score.VERSE[0]) * RATE_HZ), int(score.at(score.VERSE[-1]) * RATE_HZ))
    for name in ("kick-inside", "mandolin-one", "mandolin-two"):
        assert np.abs(song[name][quiet]).max() < 0.03 * np.abs(song[name][verse]).max()
    music = sum(samples[:, 0].astype(float) for name, samples in song.items() if name != "announcer")
    loudness = [np.sqrt(np.mean(music[part] ** 2)) for part in (quiet, verse)]
    assert 20 * np.log10(loudness[0] / loudness[1]) < -3


@pytest.mark.parametrize(
    ("near", "far", "distance_m", "low_hz", "high_hz"),
    [("kick-inside", "kick-outside", 0.55, 1200, 6000), ("bass-pickup", "bass-mic", 0.45, 800, 3000)],
)
def test_two_microphones_hear_one_source_later_by_the_distance(song, near, far, distance_m, low_hz, high_hz):
    """343 m/s (speed of sound in air at 20 degrees); the filters' own delay is below half a millisecond in these bands."""
    first, second = song[near][:, 0].astype(float), song[far][:, 0].astype(float)
    cross = np.conj(np.fft.rfft(first)) * np.fft.rfft(second)
    freq_hz = np.fft.rfftfreq(first.size, 1 / RATE_HZ)
    cross[(freq_hz < low_hz) | (freq_hz > high_hz)] = 0
    analytic = np.fft.ifft(np.concatenate((cross, np.zeros(first.size - cross.size))))
    lags = np.abs(analytic[:480])
    assert np.argmax(lags) / RATE_HZ == pytest.approx(distance_m / 343, abs=0.25e-3)
    assert lags.max() > 1.5 * np.abs(analytic[4800:48000]).max()


def test_doubled_mandolins_are_two_performances(song):
    one, two = song["mandolin-one"][:, 0].astype(float), song["mandolin-two"][:, 0].astype(float)
    alike = np.corrcoef(one, two)[0, 1]
    assert abs(alike) < 0.3
    frame = RATE_HZ // 10
    envelopes = [np.sqrt(np.mean(s[: s.size // frame * frame].reshape(-1, frame) ** 2, axis=1)) for s in (one, two)]
    assert np.corrcoef(*envelopes)[0, 1] > 0.8


def test_melody_is_in_the_key_it_says():
    """D major: D E F# G A B C#."""
    scale = {2, 4, 6, 7, 9, 11, 1}
    assert {n.pitch % 12 for n in score.tune()} <= scale
    assert {n.pitch % 12 for n in (*score.bass_line(), *score.accordion_chords(), *score.accordion_tune())} <= scale
    assert all(n.start_s + n.length_s < score.DURATION_S for n in score.tune())


def test_partials_and_table_by_hand():
    assert hertz(69) == 440.0
    time_s = np.arange(4800) / RATE_HZ
    made = partials(0.1, [440.0, 30000.0], [0.5, 1.0], [0.05, 1.0], [0.3, 0.0])[:4800]
    assert made == pytest.approx(0.5 * np.exp(-time_s / 0.05) * np.sin(2 * np.pi * 440 * time_s + 0.3), abs=1e-9)
    table = wave_table([1.0], np.random.default_rng(0))
    assert np.ptp(oscillate(table, 100 * time_s)) == pytest.approx(2.0, abs=1e-3)


def test_microphone_delay_is_exact():
    generator = np.random.default_rng(3)
    source = np.zeros(RATE_HZ)
    source[1000:30000] = generator.standard_normal(29000)
    # 343 / 48000 m is one sample.
    assert heard(source, distance_m=5 * 343 / 48000)[5:] == pytest.approx(source[:-5], abs=1e-10)
    tone = np.sin(2 * np.pi * 1000 * np.arange(RATE_HZ) / RATE_HZ)
    boosted = heard(tone, resonances=((1000, 6.0, 2.0),))[RATE_HZ // 4 : RATE_HZ // 2]
    assert np.abs(boosted).max() == pytest.approx(10 ** (6 / 20), rel=0.01)


def test_demo_session_fits_the_song():
    tables = {}
    for name in ("tracks", "pairs"):
        with (DEMO / f"{name}.tsv").open(encoding="utf-8") as lines:
            tables[name] = list(csv.DictReader(lines, delimiter="\t"))
    tracks = {row["track"]: row for row in tables["tracks"]}
    assert {row["stem"] for row in tracks.values()} == set(catalogue(SEED))
    for pair in tables["pairs"]:
        assert {pair["first"], pair["second"]} <= set(tracks)
    roles = yaml.safe_load((DEMO.parent / "roles.yaml").read_text(encoding="utf-8"))
    assert {row["role"] for row in tracks.values()} <= set(roles)
    session = yaml.safe_load((DEMO / "session.yaml").read_text(encoding="utf-8"))
    assert resolve(session["recorder"])["hiss"]["level_dbfs"] == session["recorder"]["settings"]["hiss.level_dbfs"]
