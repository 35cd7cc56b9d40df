"""Figures: what they show is what the tables hold; size, margins, languages; the same bytes twice."""

import re
from string import Formatter
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from bounceproof import filming
from bounceproof.figures import FIGURES, OF_MIXES, drawing, hissfilm, pairfilm, speed, stacking
from bounceproof.figures.rows import nice
from bounceproof.figures.song import Song, read_song, trace
from bounceproof.figures.style import RC, SAFE, Look, paint
from bounceproof.figures.words import WORDS
from bounceproof.files import file_sha256
from bounceproof.timemap import TimeMap, knot_times
from fake_session import copied_session, run
from PIL import Image

EMPTY = Song("empty", [], [], {}, [], {}, (400.0, 4000.0), 10.0, {})


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    return copied_session(tmp_path_factory)


@pytest.fixture(scope="module")
def song(session):
    return read_song(SimpleNamespace(**session.drawn_from()), session.drawing_settings())


def figure(name, song, **settings):
    import matplotlib

    with matplotlib.rc_context(RC):
        return drawing.DRAWN_BY[name].draw(Look(settings), song)


def words_of(figure):
    """All text that a figure draws."""
    from matplotlib.text import Text

    return [text.get_text() for text in figure.findobj(Text) if text.get_visible() and text.get_text()]


def test_every_figure_is_drawn_at_its_size_without_a_date(session):
    session.draw({"width_px": 1280, "height_px": 720})
    folder = session.results / "figures"
    assert {path.name for path in folder.iterdir()} == {f"{file}.{kind}" for file in FIGURES.values() for kind in ("png", "svg")}
    for file in FIGURES.values():
        with Image.open(folder / f"{file}.png") as picture:
            assert picture.size == (1280, 720)
        assert "<dc:date>" not in (folder / f"{file}.svg").read_text(encoding="utf-8")


def test_figures_of_the_tracks_need_nothing_of_the_mixes(session, tmp_path):
    files = {key: paths for key, paths in session.drawn_from().items() if key != "reference"}
    names = [name for name in FIGURES if name not in OF_MIXES]
    paths = {name: [tmp_path / f"{name}.png", tmp_path / f"{name}.svg"] for name in names}
    run("draw_figures", inputs=files, outputs=paths, settings=session.drawing_settings())
    whole = {name: [tmp_path / f"whole {name}.png", tmp_path / f"whole {name}.svg"] for name in FIGURES}
    run("draw_figures", inputs=session.drawn_from(), outputs=whole, settings=session.drawing_settings())
    for name, (picture, drawing_of_it) in paths.items():
        assert [picture.read_bytes(), drawing_of_it.read_bytes()] == [path.read_bytes() for path in whole[name]]
    assert set(OF_MIXES) < set(FIGURES)


def test_print_is_as_wide_as_asked_holds_real_text_and_is_the_same_twice(session, tmp_path):
    outputs = {name: [tmp_path / f"{file}.svg"] for name, file in FIGURES.items()}
    outputs["timing"].append(tmp_path / "timing.pdf")
    settings = session.drawing_settings({"print_width_mm": 88})
    run("print_figures", inputs=session.drawn_from(), outputs=outputs, settings=settings)
    for file in FIGURES.values():
        svg = (tmp_path / f"{file}.svg").read_text(encoding="utf-8")
        assert float(re.search(r'width="([0-9.]+)pt"', svg).group(1)) == pytest.approx(88 / 25.4 * 72, abs=0.2)
        assert "<text" in svg
    assert b"CreationDate" not in (tmp_path / "timing.pdf").read_bytes()
    song = read_song(SimpleNamespace(**session.drawn_from()), settings)
    again = [tmp_path / "again.svg", tmp_path / "again.pdf"]
    paint(drawing.DRAWN_BY["timing"].draw, Look(settings["figures"], preset="print"), song, again)
    assert [file_sha256(path) for path in again] == [file_sha256(path) for path in outputs["timing"]]


@pytest.mark.parametrize("name", FIGURES)
def test_what_is_drawn_stays_in_the_safe_area_and_every_axis_has_its_unit(song, name):
    drawn = figure(name, song)
    drawn.draw_without_rendering()
    renderer = drawn.canvas.get_renderer()
    for text in drawn.texts:
        if text.get_rotation() in (0.0, 90.0):
            box = text.get_window_extent(renderer)
            assert box.x0 >= SAFE * 1920 - 4 and box.x1 <= (1 - SAFE) * 1920 + 4, text.get_text()
            assert box.y0 >= SAFE * 1080 - 4 and box.y1 <= (1 - SAFE) * 1080 + 4, text.get_text()
    units = re.compile(r"(, |^|\n)(s|ms|µs|Hz|dB|dBFS|%|dBFS \(rms\)|µs rms)$|, (dB|s|Hz)\b|to its left$")
    labels = [label for axes in drawn.axes for label in (axes.get_xlabel(), axes.get_ylabel()) if label]
    assert all(units.search(label) for label in labels), labels


@pytest.mark.parametrize("name", FIGURES)
def test_a_figure_with_nothing_to_show_says_so_in_every_language(name, tmp_path):
    for language, said in WORDS.items():
        texts = words_of(figure(name, EMPTY, language=language))
        assert {said[key] for key in ("no aligned return", "no return", "no hiss", "no pairs")} & set(texts)


def test_simulated_returns_are_marked_over_the_whole_sheet(song):
    for name in FIGURES:
        marks = [text for text in figure(name, song).texts if "SIMULATED" in text.get_text()]
        assert any(text.get_rotation() for text in marks), name
        assert any(not text.get_rotation() for text in marks), name
    real = song._replace(tracks=[one._replace(alignment={**one.alignment, "simulated": False}) for one in song.tracks])
    assert not any("SIMULATED" in text for text in words_of(figure("timing", real)))


def test_languages_say_the_same_things():
    fields = {
        language: {key: {field for _, field, _, _ in Formatter().parse(text) if field} for key, text in words.items()}
        for language, words in WORDS.items()
    }
    assert fields["de"] == fields["en"]
    assert fields["fr"] == fields["en"]


def test_tracks_labels_and_ground_are_as_asked(song, tmp_path):
    asked = {"tracks": ["keys", "drum"], "labels": {"drum": "Pauke $1$"}, "transparent": True, "language": "de"}
    look = Look({**asked, "width_px": 640, "height_px": 360})
    shown = song.shown(look.tracks)
    assert [track.name for track in shown.tracks] == ["keys.L", "keys.R", "drum"]
    assert {summary["pair"] for summary, _ in shown.pairs} == {"keys"}
    drawn = figure("survived", shown, **asked)
    names = [label.get_text() for label in drawn.axes[0].get_yticklabels()]
    assert names == ["keys.L", "keys.R", "Pauke $1$"]
    paint(drawing.DRAWN_BY["survived"].draw, look, shown, [tmp_path / "one.png"])
    with Image.open(tmp_path / "one.png") as picture:
        assert picture.size == (640, 360)
        assert picture.convert("RGBA").getpixel((0, 0))[3] == 0


def test_waiting_and_rejected_tracks_are_named_where_their_numbers_would_stand(song):
    states = {track.state for track in song.tracks}
    assert states == {"aligned", "waiting", "rejected"}
    for name in ("survived", "response", "song_sheet"):
        assert {"waiting", "rejected"} <= set(words_of(figure(name, song))), name


def test_hiss_of_equal_tracks_grows_along_the_line():
    """N equal incoherent hisses: 10 lg N; 16 tracks 12.04 dB (powers of independent noises add)."""
    rows = [{"track": str(k), "flat_dbfs": "-60"} for k in range(16)]
    _, _, running, line = stacking.growth(rows)
    assert running == pytest.approx(line)
    assert running[-1] + 60 == pytest.approx(12.04, abs=0.005)
    louder = [*rows, {"track": "loud", "flat_dbfs": "-30"}, {"track": "silent", "flat_dbfs": ""}]
    names, _, running, _ = stacking.growth(louder)
    assert names[-1] == "loud"
    assert running[-1] == pytest.approx(10 * np.log10(16 * 10**-6 + 10**-3))


def test_speed_shows_a_sine_of_wow_and_not_in_the_drift():
    """Speed 1 + d sin(2 pi f t): peak timing error d / (2 pi f)."""
    rate_hz, size = 0.8, 0.004
    stem_s = knot_times(30.0)
    late_s = size / (2 * np.pi * rate_hz) * np.cos(2 * np.pi * rate_hz * stem_s)
    time_map = TimeMap(stem_s, 3.0 + 1.02 * stem_s + late_s, 1.0)
    _, wow = speed.deviation_percent(time_map, speed.WOW_S)
    _, drift = speed.deviation_percent(time_map, speed.DRIFT_S)
    assert np.abs(wow).max() == pytest.approx(100 * size / 1.02, rel=0.03)
    assert np.abs(drift).max() < 0.25 * np.abs(wow).max()


def test_thinned_traces_keep_their_peaks():
    times_s = np.arange(50000) * 0.02
    values = np.zeros(50000)
    values[[777, 40001]] = 3.0, -2.0
    thin_s, thin = trace(times_s, values)
    assert len(thin) <= 1200
    assert (thin.max(), thin.min()) == (3.0, -2.0)
    assert thin_s[thin.argmax()] == pytest.approx(777 * 0.02, abs=1.7)


@pytest.mark.parametrize(("limit", "expected"), [(6.69, 7), (0.0201, 0.025), (10, 10), (11, 15), (0.1, 0.1)])
def test_scales_are_round(limit, expected):
    assert nice(limit) == pytest.approx(expected)


# ---------------------------------------------------------------------------------------------------------------- films

STEPS = [
    {"from_s": 0.0, "to_s": 1.0, "tracks": 1, "muted": False, "level_dbfs": -60.0},
    {"from_s": 1.0, "to_s": 2.0, "tracks": 2, "muted": False, "level_dbfs": -57.0},
    {"from_s": 2.0, "to_s": 3.0, "tracks": 2, "muted": True, "level_dbfs": -63.0},
]
SMALL = {"width_px": 480, "height_px": 270}


def through_time(drift_us):
    times_s = np.arange(0.0, 30.0, 0.5)
    late = [drift_us * (max(t, 15.0) - 15.0) if t % 2 else None for t in times_s]
    still = [None if one is None else 0.0 for one in late]
    sds = [5.0] * len(times_s)
    columns = {"clicks_us": late, "clicks_sd_us": sds, "aligned_us": still, "aligned_sd_us": sds}
    return {"time_s": list(times_s), "weight": [1.0] * len(times_s), **columns}


def test_hiss_film_moves_with_the_steps_and_marks_what_is_simulated():
    pictures = list(hissfilm.frames(Look(SMALL), ["one", "two"], STEPS, simulated=(1, 2), frames_per_s=4))
    assert len(pictures) == 13
    assert {picture.shape for picture in pictures} == {(270, 480, 3)}
    changes = [k for k in range(1, 13) if (pictures[k] != pictures[k - 1]).any()]
    # The newest point rises for 0.7 s, then all is still until the next step.
    assert changes == [4, 5, 6, 7, 8, 9, 10, 11]


def test_pair_film_shows_the_passage_that_drifts_and_pulls_it_together():
    span_s = pairfilm.passage(through_time(100.0), 30.0, 6.0)
    assert span_s[0] >= 15.0
    pair = {"first": {"track": "a"}, "second": {"track": "b"}, "simulated": False, "through_time": through_time(100.0)}
    pictures = list(pairfilm.frames(Look(SMALL), pair, span_s, frames_per_s=2))
    assert len(pictures) == 2 * round(2 * (6.0 + pairfilm.PAUSE_S))
    assert (pictures[0] != pictures[-1]).any()


def test_delays_within_their_uncertainty_are_not_told_as_zero():
    look = Look({"language": "en"})
    assert pairfilm._apart(look, 0.0, 0.0155) == "less than 31 µs"
    assert pairfilm._apart(look, 4.04, 0.0155) == "4.0 ms"


def test_without_an_encoder_a_film_is_pictures_frames_and_sound(tmp_path):
    frames = [np.full((90, 160, 3), shade, dtype=np.uint8) for shade in (0, 80, 160, 240)]
    paths = {"film": tmp_path / "a.gif", "frames": tmp_path / "a", "sound": tmp_path / "a.wav"}
    filming.write_film(paths, frames, np.zeros((4800, 2)), 48000)
    assert sorted(path.name for path in paths["frames"].iterdir()) == [f"{k:05d}.png" for k in range(4)]
    with Image.open(paths["film"]) as film:
        assert film.n_frames == 2
    assert soundfile.info(paths["sound"]).frames == 4800


def test_an_encoder_that_fails_is_said_in_a_sentence_and_leaves_no_film(tmp_path, monkeypatch):
    program = tmp_path / "ffmpeg"
    program.write_text("#!/bin/sh\necho no such codec\nexit 1\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    assert filming.encoder() == str(program)
    frames = [np.zeros((90, 160, 3), dtype=np.uint8)] * 3
    with pytest.raises(OSError, match=r"the encoder stopped \(no such codec\)"):
        filming.write_film({"film": tmp_path / "a.mp4"}, frames, np.zeros((4800, 2)), 48000)
    assert not (tmp_path / "a.mp4").exists()
