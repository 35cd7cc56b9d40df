"""Sounds in a return that are not its stem's: named with level and delay where they are, never where they are not."""

import numpy as np
import pytest
from bounceproof.condition import foreign
from bounceproof.condition.foreign import find_foreign
from bounceproof.condition.suspects import Search, Source, excess, playing_power
from bounceproof.quantities import power_db
from bounceproof.sketches import hop_samples, read_sketch, sketch, sketch_bands, write_sketch
from bounceproof.verdicts import track_verdict
from measuring import foreign_trial
from simulated import RATE_HZ, music

STEMS = {f"part {seed}": music(16.0, seed) for seed in (1, 2, 3)}


@pytest.mark.parametrize("kind", ["not erased", "other side", "print-through"])
def test_a_sound_thirty_db_under_the_stem_is_named_with_level_and_delay(kind):
    heard, track, delay_s = foreign_trial(1, STEMS, kind)
    assert heard
    assert {(one["kind"], one["track"]) for one in heard} == {(kind, track)}
    for one in heard:
        assert one["level_db"] == pytest.approx(-30.0, abs=2.5)
        assert abs(one["delay_s"]) == pytest.approx(abs(delay_s), abs=0.02)
    if kind == "print-through":
        assert sorted(np.sign(one["delay_s"]) for one in heard) == [-1, 1]
        for one in heard:
            assert one["level_db"] == pytest.approx(-30.0, abs=3 * one["level_sigma_db"])
            assert one["level_sigma_db"] < 1.0
            assert abs(one["delay_s"]) == pytest.approx(delay_s, abs=1e-4)
            assert one["delay_sigma_s"] < 1e-4


def plucked(seconds, seed):
    """Notes on a beat of half a second, of a few pitches, that die away slowly: no delay stands out far from its neighbours."""
    random, tail_s = np.random.default_rng(seed), np.arange(2 * RATE_HZ) / RATE_HZ
    out = np.zeros(int((seconds + 2) * RATE_HZ))
    for beat_s in np.arange(0, seconds, 0.5):
        pitch_hz = 220.0 * 2.0 ** (random.choice([0, 3, 5, 7, 10, 12]) / 12)
        note = sum(np.sin(2 * np.pi * pitch_hz * h * tail_s) / h**1.5 for h in range(1, 9)) * np.exp(-tail_s / 0.6)
        out[int(beat_s * RATE_HZ) :][: tail_s.size] += note * random.uniform(0.5, 1)
    return 0.5 * out[: int(seconds * RATE_HZ)] / np.abs(out).max()


def test_a_sound_whose_notes_die_away_slowly_is_named():
    stems = {f"part {seed}": plucked(20.0, seed) for seed in (1, 2, 3)}
    heard, track, delay_s = foreign_trial(3, stems, "not erased")
    assert [(one["kind"], one["track"]) for one in heard] == [("not erased", track)]
    assert heard[0]["level_db"] == pytest.approx(-30.0, abs=2.5)
    assert heard[0]["delay_s"] == pytest.approx(delay_s, abs=0.02)


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_is_named_where_nothing_is(seed):
    assert foreign_trial(seed, STEMS, None)[0] == []


def test_a_stem_that_shares_its_sound_with_the_own_is_not_taken_for_foreign():
    """Two microphones on one instrument: what the return's own stem leaves over is like the other microphone's stem."""
    near = STEMS["part 1"]
    far = np.convolve(near, [0.0] * 30 + [0.7, 0.2, -0.1])[: near.size] + 0.02 * STEMS["part 2"]
    assert foreign_trial(3, {"near": near, "far": far}, None)[0] == []


def test_a_foreign_sound_in_words():
    sound = {"track": "piano", "level_db": -31.2, "level_sigma_db": 0.5, "delay_s": -0.8}
    condition = {"level": {"level_db": 0.0}, "foreign": [{**sound, "kind": "not erased"}]}
    verdict = track_verdict("voice", {"state": "aligned"}, condition)
    assert verdict.word == "look"
    said = "The stem of piano is heard in it, not erased, 31.2 dB (± 1.0) under the stem, 0.80 s early."
    assert verdict.findings[0].sentence == said
    faint = {**condition, "foreign": [{**sound, "kind": "other side", "level_db": -60.0}]}
    assert track_verdict("voice", {"state": "aligned"}, faint).word == "ready"


def test_a_sketch_is_kept_and_is_the_same_at_half_the_rate(tmp_path):
    sound = music(4.0, 5)
    whole = sketch(sound, RATE_HZ)
    write_sketch(tmp_path / "one.npy", whole)
    kept = read_sketch(tmp_path / "one.npy")
    assert kept.shape == whole.shape == (len(kept), len(sketch_bands(RATE_HZ)))
    told = whole > 1e-9
    assert 10 * np.log10(kept[told] / whole[told]) == pytest.approx(0.0, abs=0.04)
    from bounceproof.audio import resample

    half = sketch(resample(sound.astype(np.float32), RATE_HZ, RATE_HZ // 2), RATE_HZ, factor=2)
    low = slice(0, half.shape[1] - 2)
    assert half[2:-2, low].sum(axis=0) == pytest.approx(whole[2 : len(half) - 2, low].sum(axis=0), rel=0.02)
    assert hop_samples(44100) % 8 == 0


def test_excess_takes_off_what_hiss_and_stem_account_for():
    random = np.random.default_rng(1)
    expected = random.exponential(size=(2000, 5)) ** 3
    found = excess((0.3 + 0.1 * expected) * random.exponential(size=expected.shape), expected)
    assert found.share == pytest.approx(0.1, rel=0.3)
    assert found.floor == pytest.approx(0.3, rel=0.3)
    part = found.share * expected / (found.floor + found.share * expected)
    assert np.abs(np.mean(found.over * (part - part.mean(axis=0)), axis=0)).max() < 0.02


def test_silence_holds_nothing():
    class Silent:
        rate_hz = RATE_HZ
        stem = expected = residual = np.zeros(4 * RATE_HZ)

    assert find_foreign(Silent, RATE_HZ, {}, "one", np.ones(len(sketch_bands(RATE_HZ)))) == []


def test_a_long_song_is_gone_through_in_portions_and_names_a_sound_once(monkeypatch):
    """Every portion holds it; it is told once, at the song's own time."""
    whole = foreign_trial(1, STEMS, "not erased")
    monkeypatch.setattr(foreign, "_PORTION_S", 8.0)
    heard, track, delay_s = foreign_trial(1, STEMS, "not erased")
    assert [(one["kind"], one["track"]) for one in heard] == [("not erased", track)] == [(whole[0][0]["kind"], track)]
    assert heard[0]["delay_s"] == pytest.approx(delay_s, abs=0.02)
    # Against the stem of that half, which is louder than the whole.
    assert heard[0]["level_db"] == pytest.approx(whole[0][0]["level_db"], abs=3.0)
    assert heard[0]["end_s"] <= 16.0


def test_bands_in_which_a_sound_has_nothing_do_not_tell_its_level():
    """A dull pad: in its highest band there is only what rounding left, as even as the hiss, and worth any share of that."""
    random = np.random.default_rng(1)
    expected, sound, hiss = random.gamma(1.0, 1.0, (3, 1200, 8))
    sound[:, -1] = 1e-12 * (1.0 + 1e-6 * random.normal(size=1200))
    search = Search(excess(1e-3 * (hiss + sound), expected), np.ones(8), 0.02)
    ((level_db, sd_db),) = search.levels_db([(sound, sound)])
    true_db = power_db(1e-3 * playing_power(sound) / playing_power(expected))
    assert sd_db < 0.5
    assert level_db == pytest.approx(true_db, abs=3 * sd_db)


@pytest.mark.parametrize("seed", range(3))
def test_print_through_is_suspected_though_what_is_left_of_each_bar_is_like_the_next(seed):
    """A stroke a bar of 1 s; of each, more is left unexplained a little later than the stem says, and far more than the print."""
    random, hop_s, frames, late = np.random.default_rng(seed), 0.02, 1500, 63
    strokes = np.zeros((frames, 8))
    strokes[::50] = random.uniform(0.3, 1.0, (30, 8))
    own = np.apply_along_axis(lambda band: np.convolve(band, np.exp(-np.arange(20) / 3.0))[:frames], 0, strokes)
    left, printed = 0.3 * np.roll(own, 1, axis=0), 0.01 * np.roll(own, late, axis=0)
    residual = (0.02 + left + printed) * random.gamma(8.0, 1 / 8.0, own.shape)
    search = Search(excess(residual, own), np.ones(8), hop_s)
    found = search.suspects(Source("drum", False, True, own), **foreign._PRINT)
    from_the_print_s = np.array([one.delay_s for one in found]) - late * hop_s
    assert np.abs(from_the_print_s - np.round(from_the_print_s)).min() < 0.05, "all are whole bars away from the song"
