"""Mix-ready files, the four rough mixes and their comparison; above all: no sample of a stem in any return."""

import re
import shutil
import sys
from pathlib import Path

import build_mix
import numpy as np
import pytest
from bounceproof import between_tracks, loudness, mix, quantities, reference, spectra, verdicts
from bounceproof.audio import AudioBlocks, read_audio, write_float_wav
from bounceproof.files import finite, read_json, write_json
from fake_session import (
    BAND_HZ,
    RATE_HZ,
    SONG_S,
    FakeSession,
    alignment,
    band_limited,
    copied_session,
    make_return,
    make_stem,
    run,
    write_take,
)
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

FRAMES = int(SONG_S * RATE_HZ)


@given(st.floats(-1, 1))
def test_pan_keeps_the_power(pan):
    """Sine and cosine law: left^2 + right^2 = 1 everywhere."""
    left, right = mix.pan_gains(pan)
    assert left**2 + right**2 == pytest.approx(1.0)
    assert min(left, right) >= 0


@pytest.mark.parametrize(("pan", "gains"), [(-1, (1.0, 0.0)), (1, (0.0, 1.0)), (0, (0.5**0.5, 0.5**0.5))])
def test_pan_at_its_marks(pan, gains):
    assert mix.pan_gains(pan) == pytest.approx(gains, abs=1e-15)
    if abs(pan) == 1:
        assert 0.0 in mix.pan_gains(pan)


def test_pan_outside_is_refused():
    with pytest.raises(ValueError, match="from -1 to 1"):
        mix.pan_gains(1.2)


def test_ready_is_the_return_times_its_level_and_faded():
    aligned = np.random.default_rng(1).normal(size=FRAMES)
    out = mix.Ready(aligned, RATE_HZ, level_db=6.0, frames=FRAMES + 500)[:]
    middle = slice(RATE_HZ, FRAMES - RATE_HZ)
    assert out[middle] == pytest.approx(aligned[middle] * 10 ** (6 / 20))
    assert out[0] == 0
    assert out[-1] == 0
    assert len(out) == FRAMES + 500


def test_fades_are_monotonous_and_short():
    curve, short = np.ones(FRAMES), np.ones(5)
    mix.fade(curve, FRAMES, RATE_HZ)
    mix.fade(short, 5, RATE_HZ)
    assert np.all(np.diff(curve[: int(0.01 * RATE_HZ)]) >= 0)
    assert np.all(np.diff(curve[-int(0.05 * RATE_HZ) :]) <= 0)
    assert np.all(curve[RATE_HZ // 2 : -RATE_HZ // 2] == 1)
    assert np.all((short >= 0) & (short <= 1))


@pytest.mark.parametrize("freq_hz", [87.5, 175.0, 350.0, 1000.0, 4200.0, 8400.0])
def test_narrow_band_is_butterworth_without_delay(freq_hz):
    """Fourth-order Butterworth magnitude on each side: 3.01 dB down at the edges (textbook), no shift in time."""
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = np.stack([np.sin(2 * np.pi * freq_hz * t), np.cos(2 * np.pi * freq_hz * t)], axis=1)
    out = mix.narrow_band(tone, RATE_HZ, BAND_HZ)[RATE_HZ:-RATE_HZ]
    expected = 1.0
    for order, edge, kind in ((4, BAND_HZ[0], "high"), (4, BAND_HZ[1], "low")):
        b, a = signal.butter(order, 2 * np.pi * edge, kind, analog=True)
        expected *= np.abs(signal.freqs(b, a, [2 * np.pi * freq_hz])[1][0])
    assert out == pytest.approx(expected * tone[RATE_HZ:-RATE_HZ], abs=2e-3 * expected + 2e-5)


def test_a_song_in_pieces_is_the_song(monkeypatch):
    """Fades, sums and the limits of the band do not show where one piece ends and the next begins."""
    random = np.random.default_rng(3)
    aligned, frames = random.normal(size=FRAMES - 3000), FRAMES + 500
    ready = mix.Ready(aligned, RATE_HZ, level_db=-2.0, frames=frames)[:]
    whole = mix.Bus(frames)
    whole.add(ready, mix_db=-3.0, pan=0.3)
    monkeypatch.setattr(mix, "PIECE", RATE_HZ + 77)
    parts = [(mix.Ready(aligned, RATE_HZ, level_db=-2.0, frames=frames), -3.0, 0.3)]
    assert np.array_equal(np.concatenate(list(mix.summed(parts, frames))), whole.samples)
    narrow = np.concatenate(list(mix.narrow_band_pieces(mix.summed(parts, frames), RATE_HZ, BAND_HZ)))
    assert narrow == pytest.approx(mix.narrow_band(whole.samples, RATE_HZ, BAND_HZ), abs=1e-8)


def test_a_songs_loudness_does_not_hang_on_how_it_is_read(tmp_path, monkeypatch):
    samples = np.stack([make_stem(1), 0.5 * make_stem(2)], axis=1)
    write_float_wav(tmp_path / "song.wav", samples, RATE_HZ)
    whole = loudness.loudness(samples, RATE_HZ), quantities.peak_dbfs(samples), loudness.peaks(samples, RATE_HZ).true_dbtp
    monkeypatch.setattr(quantities, "_PIECE", 12345)
    monkeypatch.setattr(loudness, "_READ", 3 * loudness._BLOCK)
    monkeypatch.setattr(loudness, "_STEPS_AT_ONCE", 7)
    song = AudioBlocks(tmp_path / "song.wav")
    parts = loudness.loudness(song, RATE_HZ), quantities.peak_dbfs(song), loudness.peaks(song, RATE_HZ).true_dbtp
    assert parts[0] == pytest.approx(whole[0], abs=1e-5)
    assert parts[1:] == pytest.approx(whole[1:], abs=1e-5)


def test_narrow_band_of_a_wire_leaves_the_middle_alone():
    stem = np.stack([band_limited(make_stem(1))] * 2, axis=1)
    out = mix.narrow_band(stem, RATE_HZ, (5.0, RATE_HZ))
    assert np.max(np.abs(out - stem)) < 1e-4 * np.abs(stem).max()


def test_mixes_of_a_wire_are_all_one(tmp_path):
    """Returns that are their stems: returned equals source bar the fades, correlation 1, nothing beside the reference."""
    stems = {"a": make_stem(1), "b": make_stem(2)}
    mixes = {}
    for name in reference.MIXES:
        bus = mix.Bus(FRAMES)
        for pan, stem in zip((-0.5, 0.5), stems.values(), strict=True):
            bus.add(stem, mix_db=-3.0, pan=pan)
        mixes[name] = bus.samples
    found = reference.compare(reference.measured(mixes, RATE_HZ), RATE_HZ, (50, 10000), hiss_dbfs=None)
    assert found["mixes"]["returned"]["correlation_with_source"] == pytest.approx(1.0)
    assert found["spectrum_rms_db"] == pytest.approx(0.0, abs=1e-9)
    assert found["programme_over_hiss_db"] is None
    nothing = {"tracks": ["a", "b"], "left_out": [], "timing": between_tracks.summed_up([])}
    answer = verdicts.reference_answer({**nothing, **found}, {})
    assert "No hiss" in answer
    assert "Behind" not in answer
    assert "Ahead" not in answer
    gains = [one["match_db"] + one["loudness_lufs"] for one in found["mixes"].values()]
    assert gains == pytest.approx([gains[0]] * 4)
    assert max(one["match_db"] + one["true_peak_dbtp"] for one in found["mixes"].values()) == pytest.approx(-1.0)


def test_programme_over_hiss_of_the_mix():
    """Programme by construction 26 dB over its hiss within the band."""
    stem = band_limited(make_stem(3))
    noise = band_limited(np.random.default_rng(1).normal(size=FRAMES))
    bands = spectra.band_powers([stem, noise], RATE_HZ, reference.analysis_bands(RATE_HZ)).mean(axis=0)
    chosen = reference.inside(reference.analysis_bands(RATE_HZ), BAND_HZ)
    programme, hiss = bands[:, chosen].sum(axis=1)
    noise *= np.sqrt(programme / hiss) * 10 ** (-26 / 20)
    bus = mix.Bus(FRAMES)
    bus.add(stem + noise, mix_db=0.0, pan=0.0)
    mixes = dict.fromkeys(reference.MIXES, bus.samples)
    level = 10 * np.log10(programme) - 26
    found = reference.compare(reference.measured(mixes, RATE_HZ), RATE_HZ, BAND_HZ, hiss_dbfs=level)
    assert found["programme_over_hiss_db"] == pytest.approx(26.0, abs=0.3)


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    made = FakeSession(tmp_path_factory.mktemp("mix"))
    made.measure()
    made.stack_and_mix()
    return made


def samples(session, name):
    return read_audio(session.results / "mix" / f"{name}.wav").samples


def test_all_files_are_equally_long_and_float(session):
    names = [one["track"] for one in session.tracks] + list(reference.MIXES)
    assert {len(samples(session, name)) for name in names} == {FRAMES}
    assert {samples(session, name).shape[1] for name in reference.MIXES} == {2}


def test_mixes_are_the_same_bytes_on_any_number_of_threads(session, tmp_path):
    alone = FakeSession(tmp_path)
    alone.measure()
    alone.stack_and_mix(threads=1)
    paths = [path for path in sorted((session.results / "mix").rglob("*")) if path.is_file()]
    assert session.results / "mix" / ".kept" / "source.wav" in paths
    for path in paths:
        assert (alone.results / path.relative_to(session.results)).read_bytes() == path.read_bytes()


@pytest.fixture
def mixed_again(tmp_path_factory, monkeypatch):
    """(a finished session of one's own, a function that builds its mixes: {file: bytes}, whether the stems were summed)."""
    made, sums = copied_session(tmp_path_factory), []
    through = build_mix.write_through

    def noted(*given):
        sums.append(given)
        return through(*given)

    monkeypatch.setattr(build_mix, "write_through", noted)

    def build():
        sums.clear()
        # As Snakemake does.
        for name in (*reference.MIXES, "keys"):
            (made.results / "mix" / f"{name}.wav").unlink(missing_ok=True)
        made.stack_and_mix()
        files = sorted(path for path in (made.results / "mix").rglob("*") if path.is_file())
        return {path.relative_to(made.results): path.read_bytes() for path in files}, bool(sums)

    return made, build


def test_mixes_of_the_stems_are_made_again_only_where_they_come_out_others(mixed_again):
    made, build = mixed_again
    first, _ = build()
    again, summed = build()
    assert not summed
    assert again == first
    made.tracks[0]["mix_db"] = -1.0
    other, summed = build()
    assert summed
    changed = {path.name for path in first if other[path] != first[path]}
    assert {"returned.wav", "source.wav", "narrow-band.wav", "reference.json", "kept.json"} <= changed
    made.tracks[0]["mix_db"] = 0.0
    assert build() == (first, True)


def test_another_take_leaves_the_mixes_of_the_stems_and_comes_to_what_it_would_without_them(mixed_again):
    made, build = mixed_again
    first, _ = build()
    clicks = made.take("drum") / "aligned-clicks.wav"
    write_float_wav(clicks, 0.5 * read_audio(clicks).samples[:, 0], RATE_HZ)
    taken, summed = build()
    assert not summed
    assert taken != first
    shutil.rmtree(made.results / "mix" / ".kept")
    assert build() == (taken, True)


def test_what_was_measured_of_the_mixes_of_the_stems_is_not_measured_again(mixed_again, monkeypatch):
    made, build = mixed_again
    first, _ = build()
    looked_at, peaks = [], reference.peaks

    def noted(samples, rate_hz):
        looked_at.append(samples)
        return peaks(samples, rate_hz)

    monkeypatch.setattr(reference, "peaks", noted)
    made.stack_and_mix(threads=1)
    assert len(looked_at) == 2
    (made.results / "mix" / ".kept-measures" / "kept.json").unlink()
    assert build()[0] == first
    looked_at.clear()
    made.tracks[0]["mix_db"] = -1.0
    made.stack_and_mix(threads=1)
    assert len(looked_at) == 4


def test_a_track_that_drops_out_leaves_the_mixes_of_the_stems_too(mixed_again):
    made, build = mixed_again
    build()
    values = read_json(made.take("drum") / "alignment.json")
    write_json(made.take("drum") / "alignment.json", {**values, "state": "rejected", "reason": "silent"})
    _, summed = build()
    assert summed
    left_out = read_json(made.results / "mix" / "reference.json")["left_out"]
    assert "drum" in [one["track"] for one in left_out]


def test_jobs_with_threads_hold_linear_algebra_to_one_before_it_is_loaded():
    """Snakemake would give it as many as the rule has, and the last digits of the reference would be others."""
    workflow = Path(build_mix.__file__).parents[1]
    rules = re.findall(r"^rule .*?(?=^rule |\Z)", "".join(map(Path.read_text, sorted(workflow.glob("rules/*.smk")))), re.M | re.S)
    scripts = [re.search(r'"\.\./scripts/(\w+\.py)"', rule)[1] for rule in rules if "    threads:" in rule]
    assert {"align_return.py", "measure_return.py", "build_mix.py"} <= set(scripts)
    for script in scripts:
        imports = re.findall(r"^(?:import|from) (\w+)", (workflow / "scripts" / script).read_text(), re.M)
        assert next(name for name in imports if name not in sys.stdlib_module_names) == "bounceproof_job"


def test_hiss_comes_onto_a_mix_as_if_summed_with_it(monkeypatch):
    monkeypatch.setattr(mix, "PIECE", 5000)
    parts = [(make_stem(seed), -3.0, 0.2 * seed) for seed in (1, 2)]
    hiss = [(mix.TypicalHiss(RATE_HZ, BAND_HZ, level_dbfs=-40.0, seed=[1, k]), -2.0, -0.5) for k in range(2)]
    together = np.concatenate(list(mix.summed([*parts, *hiss], FRAMES)))
    assert np.array_equal(np.concatenate(list(mix.with_hiss(mix.summed(parts, FRAMES), hiss))), together)


def test_the_reference_hisses_on_request_as_is_usual_for_the_medium(session, tmp_path):
    """Each track's hiss by construction: its stem's peak as a full sine, less what the medium's hiss lies under it."""
    other = FakeSession(tmp_path)
    other.measure()
    other.stack_and_mix(reference_hiss_below_full_db=35.0)
    left = samples(other, "narrow-band") - samples(session, "narrow-band")
    bands = reference.analysis_bands(RATE_HZ)
    chosen = reference.inside(bands, BAND_HZ)
    heard = 10 * np.log10(spectra.band_powers(list(left.T), RATE_HZ, bands).sum(axis=1).mean(axis=0)[chosen].sum())
    found = read_json(other.results / "mix" / "reference.json")
    expected = 10 * np.log10(
        sum(
            0.5 * np.abs(session.stems[one["track"]]).max() ** 2 * 10 ** ((one["mix_db"] - 35.0) / 10)
            for one in session.tracks
            if one["track"] in found["tracks"]
        )
    )
    assert heard == pytest.approx(expected, abs=0.5)
    plain = read_json(session.results / "mix" / "reference.json")
    assert plain["reference_over_hiss_db"] is None
    programme_db = plain["mixes"]["narrow-band"]["band_dbfs"]
    assert found["reference_over_hiss_db"] == pytest.approx(programme_db - expected, abs=0.3)
    (respect,) = (one for one in found["respects"] if one["what"] == "hiss")
    assert "usual for the medium" in respect["numbers"]
    assert samples(other, "source") == pytest.approx(samples(session, "source"))


def test_waiting_and_rejected_tracks_are_silent_and_say_so(session):
    for track, word in (("voice", "rejected"), ("horn", "no return")):
        assert not np.any(samples(session, track))
        about = read_json(session.results / "mix" / f"{track}.ready.json")
        assert about["silent"] is True
        assert word in about["reason"]


def test_the_four_mixes_leave_out_the_same_tracks(session):
    found = read_json(session.results / "mix" / "reference.json")
    assert found["tracks"] == ["drum", "drum_far", "keys.L", "keys.R"]
    assert {one["track"] for one in found["left_out"]} == {"voice", "horn"}
    assert finite(found) == found
    source = np.zeros((FRAMES, 2))
    for one in session.tracks:
        if one["track"] in found["tracks"]:
            source += np.outer(session.stems[one["track"]] * 10 ** (one["mix_db"] / 20), mix.pan_gains(one["pan"]))
    assert samples(session, "source") == pytest.approx(source, abs=1e-5)
    assert found["simulated"] is True
    assert "voice" in found["answer"]


def test_returned_mix_is_the_sum_of_the_ready_files(session):
    total = np.zeros((FRAMES, 2))
    for one in session.tracks:
        total += np.outer(samples(session, one["track"])[:, 0] * 10 ** (one["mix_db"] / 20), mix.pan_gains(one["pan"]))
    assert samples(session, "returned") == pytest.approx(total, abs=1e-5)


def test_levels_bring_the_returns_back_to_their_stems(session):
    """Within the medium's band the returned mix lies within 1 dB of the narrow-band reference, and correlates better than two
    clicks.
    """
    found = read_json(session.results / "mix" / "reference.json")
    assert found["spectrum_rms_db"] < 1.0
    assert (
        found["mixes"]["returned"]["correlation_with_source"] > found["mixes"]["returned-clicks"]["correlation_with_source"] + 0.2
    )


def test_no_sample_of_a_stem_enters_a_return(tmp_path):
    """A take that holds hiss alone, called aligned: whatever comes out must be incoherent with every stem.

    Zero-coherence level: Carter, Knapp, Nuttall 1973. A twentieth of the stem, 32 dB under that hiss, is caught.
    """
    made = FakeSession(tmp_path)
    random = np.random.default_rng(77)
    for track in ("drum", "drum_far", "keys.L", "keys.R"):
        hiss = {key: 0.01 * random.normal(size=FRAMES) for key in ("aligned", "clicks")}
        hiss |= {"capture": 0.01 * random.normal(size=FRAMES + 10 * RATE_HZ), "wander_s": np.zeros(FRAMES)}
        write_take(made.take(track), hiss, alignment(hiss, level_db=20.0))
    made.measure()
    made.stack_and_mix()
    for name in ("drum", "keys.L", "returned", "returned-clicks"):
        out = samples(made, name)[:, 0].astype(float)
        assert np.any(out)
        assert not heard(out, made.stems)
    caught = samples(made, "drum")[:, 0] + 0.05 * made.stems["drum"]
    assert heard(caught, made.stems)


def heard(out, stems):
    """Whether any stem is in `out`: by coherence, or by a matched filter over +-2 ms (5 sd of a white `out` is the limit)."""
    return any(coherent(out, stem) or matched(out, stem) > 5.0 for stem in stems.values())


def coherent(out, stem):
    """More bins over the 95 % zero-coherence level than chance explains."""
    both = spectra.spectral_matrix([out, stem], RATE_HZ, segment=1024)
    over = both.coherence(0, 1)[8:-8] > spectra.zero_coherence_level(both.averages[8:-8])
    return np.mean(over) > 0.05 + 4 * np.sqrt(0.05 * 0.95 / (len(over) / 2))


def matched(out, stem):
    """The largest correlation with the stem within 2 ms, in sd of what white noise of out's power would give."""
    reach = RATE_HZ // 500
    lags = [np.dot(out[reach:-reach], stem[reach + lag : len(stem) - reach + lag]) for lag in range(-reach, reach + 1)]
    return np.max(np.abs(lags)) / (np.std(out) * np.linalg.norm(stem))


def test_two_captures_17_db_apart_give_one_mix(tmp_path):
    """The same pass captured 17 dB lower, level_db 17 dB higher: stack and mix within 0.1 dB."""
    results = []
    for gain_db in (0.0, -17.0):
        made = FakeSession(tmp_path / f"{gain_db}")
        captured = {
            key: value * 10 ** (gain_db / 20)
            for key, value in make_return(made.stems["drum"], 3, gain=0.5).items()
            if key != "wander_s"
        }
        captured = {key: np.round(value * 2**15) / 2**15 for key, value in captured.items()} | {"wander_s": np.zeros(FRAMES)}
        quiet = captured["capture"][2 * RATE_HZ : 4 * RATE_HZ]
        from bounceproof.condition.level import level_db

        level = level_db(made.stems["drum"], captured["aligned"], RATE_HZ, BAND_HZ, quiet=quiet).level_db
        write_take(made.take("drum"), captured, alignment(captured, level_db=level))
        made.measure()
        made.stack_and_mix()
        results.append((samples(made, "returned"), read_json(made.results / "noise" / "stack.json")))
    (loud, stack), (soft, other) = results
    assert 20 * np.log10(np.std(soft) / np.std(loud)) == pytest.approx(0.0, abs=0.1)
    for measure, value in stack["total"].items():
        assert other["total"][measure] == pytest.approx(value, abs=0.1)


def test_nothing_returned_at_all(tmp_path):
    made = FakeSession(tmp_path)
    folder, stems = tmp_path / "m", made.results / "stems"
    mixes = {name.replace("-", "_"): folder / f"{name}.wav" for name in reference.MIXES}
    common = {"sample_rate_hz": RATE_HZ, "band_low_hz": BAND_HZ[0], "band_high_hz": BAND_HZ[1]}
    common["reference_hiss_below_full_db"] = 45.0
    common["tracks"] = [{"track": "horn", "take": None, "mix_db": 0.0, "pan": 0.0}]
    inputs = {"stems": [stems / "horn.wav"], "stem_abouts": [stems / "horn.json"], "ready": [stems / "horn.wav"]}
    run(
        "build_mix",
        inputs={**inputs, "alignments": [], "clicks": []},
        outputs={**mixes, "stereo": []},
        settings={**common, "session": "harbour", "seed": 1, "stereo": [], "song_samples": FRAMES},
    )
    tables = {"stem_abouts": [stems / "horn.json"], "stack": write_empty_stack(made)}
    run(
        "measure_mixes",
        inputs={**mixes, **tables, "alignments": [], "time_maps": [], "conditions": []},
        outputs={"reference": folder / "reference.json", "timing": folder / "timing.tsv"},
        settings={**common, "song_s": SONG_S, "thresholds": {}},
    )
    assert not np.any(read_audio(tmp_path / "m" / "returned.wav").samples)
    found = read_json(tmp_path / "m" / "reference.json")
    assert "silent" in found["answer"]
    assert found["mixes"]["returned"]["loudness_lufs"] is None


def write_empty_stack(made):
    run(
        "stack_noise",
        inputs={"alignments": [], "conditions": [], "bands": [], "ready": []},
        outputs={"summary": made.results / "noise" / "none.json", "table": made.results / "noise" / "none.tsv"},
        settings={"song_s": SONG_S, "band_low_hz": 300, "band_high_hz": 4000, "tracks": [{"track": "horn", "take": None}]},
    )
    return made.results / "noise" / "none.json"
