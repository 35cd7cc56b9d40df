"""A session written from a folder of stems: names, roles, pairs, balance; against synthetic ensembles of known make."""

import sys
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from bounceproof import mix, spectra
from bounceproof.audio import resample
from bounceproof.new_session import WORK_RATE_HZ, fit_balance, likeness, read_roles, write_new_session
from bounceproof.quantities import amplitude_from_db
from bounceproof.session import SessionMistakes
from scipy import signal
from session_maker import PROJECT, load

RATE_HZ = 48000
ROLES = read_roles(PROJECT / "config" / "roles.yaml")


def hits(seed, *, rate_hz=RATE_HZ, seconds=6.0, low_hz=60, high_hz=3000, times=None):
    """Struck noise of a band, as an instrument plays it; the same `times` make two players play together."""
    random = np.random.default_rng(seed)
    out = np.zeros(int(seconds * rate_hz))
    decay = np.exp(-np.arange(rate_hz // 2) / (0.08 * rate_hz))
    for time_s in np.sort(random.uniform(0, seconds - 0.6, 14)) if times is None else times:
        first = int(time_s * rate_hz)
        out[first : first + len(decay)] += decay * random.normal(size=len(decay))
    return signal.sosfilt(signal.butter(2, [low_hz, high_hz], "band", fs=rate_hz, output="sos"), out) * 0.5


def late(samples, delay_s, rate_hz=RATE_HZ):
    spectrum = np.fft.rfft(samples)
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * np.fft.rfftfreq(len(samples), 1 / rate_hz) * delay_s), len(samples))


def write(folder, **stems):
    folder.mkdir(parents=True, exist_ok=True)
    for name, samples in stems.items():
        soundfile.write(folder / f"{name}.wav", samples, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture(scope="module")
def ensemble(tmp_path_factory):
    """Kick in two microphones, doubled mandolins, bass, accordion as two files, a stereo choir, and a name no file may bear."""
    times = np.random.default_rng(9).uniform(0, 5.3, 16)
    kick = hits(1, high_hz=800)
    far = late(kick, 0.0023) + 0.2 * hits(2)
    room = hits(6)
    stems = {
        "Kick In": kick,
        "Kick Out": 0.4 * far,
        "Mandoline 1": hits(3, low_hz=300, high_hz=4000, times=times),
        "Mandoline 2": hits(4, low_hz=300, high_hz=4000, times=times + 0.004),
        "Bass DI": hits(5, high_hz=500),
        "Akkordeon L": room + hits(7),
        "Akkordeon R": room + hits(8),
        "Chor": np.stack([hits(10), hits(11)], axis=1),
        "50%": hits(12),
    }
    return write(tmp_path_factory.mktemp("stems"), **stems)


def test_a_session_from_stems(ensemble, tmp_path):
    lines = write_new_session(ensemble, tmp_path / "my song", roles=ROLES)
    record = load(tmp_path / "my song")
    assert record["name"] == "my song"
    assert record["notes"] == []
    assert {t["parent"]: (t["role"], t["group"]) for t in record["tracks"]} == {
        "50": ("other", ""), "Akkordeon L": ("accordion", "accordion"), "Akkordeon R": ("accordion", "accordion"),
        "Bass DI": ("bass", "bass"), "Chor": ("choir", "choir"), "Kick In": ("kick", "drums"), "Kick Out": ("kick", "drums"),
        "Mandoline 1": ("plucked", "plucked"), "Mandoline 2": ("plucked", "plucked"),
    }  # fmt: skip
    assert [t["number"] for t in record["tracks"]] == list(range(1, 11))
    assert {frozenset((p["first"], p["second"])): (p["pair"], p["kind"]) for p in record["pairs"]} == {
        frozenset(("Akkordeon L", "Akkordeon R")): ("Akkordeon", "stereo"),
        frozenset(("Kick In", "Kick Out")): ("Kick", "one-source"),
        frozenset(("Mandoline 1", "Mandoline 2")): ("Mandoline", "doubled"),
        frozenset(("Chor.L", "Chor.R")): ("Chor", "stereo"),
    }
    assert {t["track"]: t["pan"] for t in record["tracks"] if t["role"] == "accordion"} == {"Akkordeon L": -1, "Akkordeon R": 1}
    assert any("second +2.3" in line for line in lines), lines
    assert any(line.startswith("50%.wav: its track is called 50") for line in lines)
    assert sorted(path.name for path in ensemble.iterdir()) == sorted(f"{n}.wav" for n in STEM_NAMES), "nothing moved"


STEM_NAMES = ["Kick In", "Kick Out", "Mandoline 1", "Mandoline 2", "Bass DI", "Akkordeon L", "Akkordeon R", "Chor", "50%"]


@pytest.mark.parametrize("delay_s", [0.0, 0.0023, -0.008])
def test_likeness_of_two_microphones(delay_s):
    first = hits(1, rate_hz=WORK_RATE_HZ)
    found = likeness(first, late(first, delay_s, WORK_RATE_HZ) + 0.1 * hits(2, rate_hz=WORK_RATE_HZ))
    assert found.coherence > 0.8
    assert found.delay_s == pytest.approx(delay_s, abs=0.5 / WORK_RATE_HZ + 1e-9)
    assert found.envelopes > 0.8


def test_likeness_agrees_with_a_reference_library():
    """The same segments through scipy.signal.coherence (Welch); here with its bias (Carter, Knapp, Nuttall 1973) taken off."""
    first, second = (
        hits(1, rate_hz=WORK_RATE_HZ, seconds=20),
        hits(1, rate_hz=WORK_RATE_HZ, seconds=20) + hits(2, rate_hz=WORK_RATE_HZ, seconds=20),
    )
    options = {"fs": WORK_RATE_HZ, "window": "hann", "nperseg": 4096, "detrend": False}
    _, coherence = signal.coherence(first, second, **options)
    weight = np.sqrt(signal.welch(first, **options)[1] * signal.welch(second, **options)[1])
    raw = np.sum(weight * coherence) / np.sum(weight)
    found = likeness(first, second).coherence
    assert found < raw
    assert found == pytest.approx(raw, abs=0.05)
    assert spectra.segment_count(len(first), 4096) > 100


def test_unlike_and_silent_stems():
    apart = likeness(hits(1, rate_hz=WORK_RATE_HZ), hits(2, rate_hz=WORK_RATE_HZ))
    assert apart.coherence < 0.2
    assert likeness(np.zeros(9000), hits(1, rate_hz=WORK_RATE_HZ)) == (0.0, 0.0, 0.0)


GAINS = {"a": (-3.0, 0.0), "b": (2.5, -0.6), "c": (-12.0, 1.0), "d": (-20.0, 0.35), "s": (-4.0, 0.0), "t": (1.0, 0.4)}


def ensemble_mix(stems, *, shift_samples=0.0):
    """The rough mix the project itself makes of these stems, stereo ones by their two legs; optionally late by some samples."""
    bus = mix.Bus(max(len(s) for s in stems.values()))
    for name, samples in stems.items():
        mix_db, pan = GAINS[name]
        for channel in range(samples.shape[1]):
            place = pan if samples.shape[1] == 1 else min(1, max(-1, pan + 2 * channel - 1))
            bus.add(samples[:, channel], mix_db=mix_db, pan=place)
    moved = [late(np.pad(bus.samples[:, side], (0, 9600)), shift_samples / RATE_HZ) for side in (0, 1)]
    return np.stack(moved, axis=1)


@pytest.fixture(scope="module")
def parts():
    stems = {name: hits(seed)[:, None] for seed, name in enumerate("abcd")}
    return stems | {name: np.stack([hits(seed), hits(seed + 1)], axis=1) for seed, name in ((20, "s"), (30, "t"))}


@pytest.mark.parametrize("shift", [0.0, 1234.5, 7000.25])
@pytest.mark.parametrize("noise_db", [-90, -50])
def test_balance_of_a_rough_mix(parts, shift, noise_db):
    """Gains come back within 0.2 dB and pans within 0.03, under noise and wherever the mix begins."""
    rough = ensemble_mix(parts, shift_samples=shift)
    rough = rough + amplitude_from_db(noise_db) * np.random.default_rng(5).normal(size=rough.shape)
    found = fit_balance({n: resample(s, RATE_HZ, WORK_RATE_HZ) for n, s in parts.items()}, resample(rough, RATE_HZ, WORK_RATE_HZ))
    for name, (mix_db, pan) in GAINS.items():
        assert found.mix_db[name] == pytest.approx(mix_db, abs=0.2), name
        assert found.pan[name] == pytest.approx(pan, abs=0.03), name
    assert found.explained > 0.95


def test_balance_of_odd_mixes(parts):
    few = {name: resample(parts[name], RATE_HZ, WORK_RATE_HZ) for name in "ab"}
    both = 0.5 * few["a"]
    found = fit_balance(few, both)
    assert found.mix_db == {"a": pytest.approx(-3.0, abs=0.1), "b": -60.0}
    assert found.pan["a"] == 0
    assert found.remarks == [r for r in found.remarks if r.startswith("b: it is hardly heard")]
    upside_down = fit_balance(few, few["a"] - few["b"])
    assert upside_down.mix_db["b"] == pytest.approx(3.0, abs=0.1)
    assert any(r.startswith("b: it is upside down") for r in upside_down.remarks)


def test_mix_given(parts, tmp_path):
    stems = {name: parts[name] for name in "abc"}
    write(tmp_path / "s" / "stems", **stems)
    soundfile.write(tmp_path / "rough.flac", 0.5 * ensemble_mix(stems), RATE_HZ, subtype="PCM_24")
    lines = write_new_session(tmp_path / "s" / "stems", tmp_path / "s", roles=ROLES, mix_path=tmp_path / "rough.flac")
    record = load(tmp_path / "s")
    for track in record["tracks"]:
        mix_db, pan = GAINS[track["track"]]
        assert track["mix_db"] == pytest.approx(mix_db - 6.02, abs=0.2)
        assert track["pan"] == pytest.approx(pan, abs=0.03)
    assert any("explain 100 percent" in line for line in lines)


def test_a_mix_of_something_else(parts, tmp_path):
    write(tmp_path / "stems", a=parts["a"])
    write(tmp_path / "other", mix=hits(99))
    lines = write_new_session(tmp_path / "stems", tmp_path / "s", roles=ROLES, mix_path=tmp_path / "other" / "mix.wav")
    assert any("too little to read gains from" in line for line in lines)
    assert load(tmp_path / "s")["tracks"][0]["mix_db"] == 0


def test_nothing_is_overwritten(ensemble, tmp_path):
    (tmp_path / "s").mkdir()
    (tmp_path / "s" / "tracks.tsv").write_text("mine")
    (tmp_path / "s" / "session.yaml").write_text("mine")
    with pytest.raises(SessionMistakes) as caught:
        write_new_session(ensemble, tmp_path / "s", roles=ROLES)
    assert [line.split(": ")[0].rsplit("/", 1)[-1] for line in caught.value.lines] == ["session.yaml", "tracks.tsv"]
    assert (tmp_path / "s" / "tracks.tsv").read_text() == "mine"
    assert not (tmp_path / "s" / "pairs.tsv").exists()


def test_what_stands_in_the_way(tmp_path):
    def lines(stems, session=tmp_path / "new"):
        with pytest.raises(SessionMistakes) as caught:
            write_new_session(stems, session, roles=ROLES)
        return caught.value.lines

    assert "there is no such folder" in lines(tmp_path / "none")[0]
    (tmp_path / "empty").mkdir()
    assert "holds no audio files" in lines(tmp_path / "empty")[0]
    bad = write(tmp_path / "bad", five=np.full((100, 5), 0.1), silent=np.zeros(100))
    (bad / "page.wav").write_bytes(b"<html>" * 9)
    told = lines(bad)
    assert len(told) == 3
    assert all(any(word in line for line in told) for word in ("5 channels", "page.wav", "silent.wav: it is silent"))
    assert not (tmp_path / "new").exists()


def test_a_stereo_file_with_one_channel_twice(tmp_path):
    stems = write(tmp_path / "stems", vox=np.repeat(hits(1)[:, None], 2, axis=1))
    lines = write_new_session(stems, tmp_path / "s", roles=ROLES)
    assert "vox.wav: both channels are the same, so only the left one is sent" in lines
    assert [(t["track"], t["channel"]) for t in load(tmp_path / "s")["tracks"]] == [("vox", "left")]


def test_names_that_clash_are_told_apart(tmp_path):
    stems = write(tmp_path / "stems", kick=hits(1), Kick=hits(2))
    write_new_session(stems, tmp_path / "s", roles=ROLES)
    assert [t["track"] for t in load(tmp_path / "s")["tracks"]] == ["Kick", "kick-2"]


def test_the_rules_script(ensemble, tmp_path, capsys, monkeypatch):
    monkeypatch.syspath_prepend(str(PROJECT / "workflow" / "scripts"))
    monkeypatch.delitem(sys.modules, "new_session", raising=False)
    import new_session

    settings = {"stems": str(ensemble), "session": str(tmp_path / "s"), "mix": None}
    new_session.main(SimpleNamespace(params=SimpleNamespace(settings=settings), log=[tmp_path / "log.txt"]))
    out = capsys.readouterr().out
    assert f"wrote {tmp_path / 's' / 'session.yaml'}" in out
    assert (tmp_path / "log.txt").read_text() == out
    with pytest.raises(SystemExit, match="add --config stems=PATH"):
        new_session.main(SimpleNamespace(params=SimpleNamespace(settings={"stems": None, "session": "x"}), log=[]))
