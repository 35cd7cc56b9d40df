"""The report end to end on a small session: what it says, that it loads nothing, and that it is the same twice."""

import re
from html.parser import HTMLParser

import numpy as np
import pytest
from bounceproof import verdicts
from bounceproof.files import read_table, write_json
from bounceproof.report import board, words
from fake_session import FakeSession, alignment, copied_session, rejected

VOID = {"meta", "img", "br", "link", "hr", "input"}


class Page(HTMLParser):
    """Tags balanced, texts by tag, attributes gathered."""

    def __init__(self, text):
        super().__init__()
        self.open, self.problems, self.cells, self.ids, self.links, self.sources = [], [], [], [], [], []
        self.heads, self.drawings, self.text = [], [], []
        self.feed(text)
        if self.open:
            self.problems.append(f"left open: {self.open}")

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        if tag not in VOID:
            self.open.append(tag)
        if tag in ("td", "th"):
            self.cells.append("")
        if tag == "th":
            self.heads.append(attributes.get("scope"))
        if tag == "svg":
            self.drawings.append(attributes)
        self.ids += [attributes["id"]] if "id" in attributes else []
        self.links += [attributes["href"]] if "href" in attributes else []
        self.sources += [attributes["src"]] if "src" in attributes else []

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.problems.append(f"closed out of turn: {tag}")

    def handle_data(self, data):
        if "style" in self.open or "script" in self.open:
            return
        self.text.append(data)
        if "td" in self.open or "th" in self.open:
            self.cells[-1] += data


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    return copied_session(tmp_path_factory)


@pytest.fixture(scope="module")
def text(session):
    return (session.results / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


def test_page_is_well_formed(page):
    assert page.problems == []
    assert len(page.ids) == len(set(page.ids))


def test_page_loads_nothing_from_outside(page, text):
    assert len(page.sources) == 6
    assert all(source.startswith("data:audio/mpeg;base64,") for source in page.sources)
    assert all(link.startswith("#") for link in page.links)
    assert not re.search(r"url\((?!#)|@import|<script src|<link", text)
    assert re.findall(r"https?://", text) == []
    assert "default-src 'none'" in text


def test_sixteen_tracks_fit_into_twelve_megabytes(text, page):
    assert len(text.encode()) * 16 / len(page.sources) < 12e6


def test_every_link_leads_somewhere(page):
    assert {link.removeprefix("#") for link in page.links} <= set(page.ids)


def test_no_cell_reads_nan_or_inf_and_every_head_has_a_scope(page):
    shown = [cell.strip().lower() for cell in page.cells]
    assert len(shown) > 200
    assert not any(re.match(r"[−-]?(nan|inf|none|null)\b", cell) for cell in shown)
    assert set(page.heads) == {"col", "row", "rowgroup"}
    seen = [drawing for drawing in page.drawings if drawing.get("aria-hidden") != "true"]
    assert all(drawing.get("role") == "img" and drawing.get("aria-label") for drawing in seen)
    # Three a track that came back, two each of the pairs' sums, the stack and the mixes.
    assert len(seen) == 3 * 4 + 2 + 2 + 2


def test_first_screen_says_whether_why_and_what_next(page, text):
    first = text[: text.index('id="board"')]
    plain = re.sub(r"<[^>]+>", " ", first[first.index("<header>") :])
    assert "Not ready to mix" in plain
    assert "voice" in plain
    assert "horn" in plain
    assert "Record it again." in plain
    assert "Its clicks are there but the music is not." in plain
    assert first.count("<li>") >= 3


def test_simulated_waiting_and_rejected_are_unmistakable(page, text):
    assert "No tape was heard" in "".join(page.text)
    assert text.count('class="simulated"') > 10
    assert "No return yet." in text
    assert 'class="word waiting"' in text
    assert 'class="word rejected"' in text


def test_names_are_escaped(text):
    assert "harbour &lt;test&gt;" in text
    assert "none &amp; all simulated" in text


def test_cautions_settings_and_versions_are_there(page):
    shown = "".join(page.text)
    for phrase in ("85 dBA", "never lift a safety earth", "Recording erases", "medium.band_low_hz", "numpy ", "padded by 0.2 s"):
        assert phrase in shown


def test_no_date_and_the_same_bytes_twice(session, text):
    before = {path: path.read_bytes() for path in sorted(session.results.rglob("*")) if path.is_file()}
    session.measure()
    session.check_pairs()
    session.stack_and_mix()
    session.draw()
    session.report()
    differing = [path.name for path, content in before.items() if path.read_bytes() != content]
    assert differing == []
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b", re.sub(r"base64,[^\"]+", "", text))


def test_a_forecast_stands_beside_what_came(session, text):
    ranges = {"over_hiss_db": [10.0, 15.0, 99.0], "two_click_rms_us": [1.0, 2.0, 9e9], "followed_rms_us": [1.0, 2.0, 2.5]}
    tracks = [{"track": one["track"], **ranges, "role_bands": []} for one in session.tracks]
    found = {"draws": 60, "guess": True, "two_click_rms_us": [1.0, 2.0, 9e9], "programme_over_hiss_db": [20.0, 25.0, 30.0]}
    write_json(session.results / "forecast.json", {**found, "tracks": tracks})
    session.report(forecast=[session.results / "forecast.json"])
    told = (session.results / "report.html").read_text(encoding="utf-8")
    session.report()
    came = len([track for track in session.there() if session.alignments[track]["state"] == "aligned"])
    assert f"{came} of {came} tracks lie in their range by two clicks" in told
    assert f"0 of {came} tracks lie in their range followed" in told
    assert "Forecast, and what came" in told and "Forecast, and what came" not in text


def test_the_wires_hiss_stands_beside_every_other(session, text):
    write_json(session.results / "wire.json", {"hiss": {"flat_dbfs": -97.3, "a_weighted_dbfs": -99.1}})
    session.report(wire=[session.results / "wire.json"])
    beside = (session.results / "report.html").read_text(encoding="utf-8")
    session.report()
    assert (
        beside.count('The interface alone, through a wire</a></th><td class="value">−97.3 dBFS') == text.count("Hiss, flat") > 1
    )
    assert "through a wire</a>" not in text


def test_tables(session):
    tracks = {row["track"]: row for row in read_table(session.results / "tracks.tsv")}
    pairs = {row["pair"]: row for row in read_table(session.results / "pairs.tsv")}
    assert set(tracks) == {one["track"] for one in session.tracks}
    assert tracks["drum"]["verdict"] == "ready"
    assert tracks["voice"]["state"] == "rejected"
    assert tracks["voice"]["speed_percent"] == ""
    assert tracks["horn"]["verdict"] == "waiting"
    assert tracks["drum"]["simulated"] == "yes"
    assert pairs["drum"]["verdict"] == "adds up"
    assert pairs["voices"]["state"] == "waiting"
    for rows, columns in ((tracks, board.TRACK_COLUMNS), (pairs, board.PAIR_COLUMNS)):
        assert list(next(iter(rows.values()))) == list(columns)
        assert not any(value.lower() in ("nan", "inf", "-inf", "none") for row in rows.values() for value in row.values())


def test_report_of_a_session_laid_through_clicks_alone(tmp_path):
    made = FakeSession(tmp_path, simulated=False, method="clicks")
    made.all(figures={"width_px": 640, "height_px": 360})
    tracks = {row["track"]: row for row in read_table(made.results / "tracks.tsv")}
    assert tracks["drum"]["verdict"] == "look"
    assert "two clicks" in tracks["drum"]["reason"]
    page = Page((made.results / "report.html").read_text(encoding="utf-8"))
    assert page.problems == []
    assert "No tape was heard" not in "".join(page.text)


# ------------------------------------------------------------------------------------------------------------- verdicts


def condition(**more):
    return {
        "level": {"level_db": 3.0},
        "signal_over_hiss_db": 25.0,
        "clipped": {"runs": 0},
        "peak_dbfs": -6.0,
        "dc_dbfs": -90.0,
        **more,
    }


def good(**more):
    return alignment({"wander_s": np.zeros(2)}, level_db=3.0, simulated=False, **more)


@pytest.mark.parametrize(
    ("values", "measured", "word", "phrase"),
    [
        (None, None, "waiting", "No return yet"),
        (rejected("no click was found"), None, "rejected", "No click was found."),
        (good(), condition(), "ready", ""),
        (good(residual_rms_us=50.0), condition(), "look", "50 µs"),
        (good(residual_rms_us=5000.0), condition(), "look", "5.0 ms"),
        (good(offset_sigma_us=80.0), condition(), "look", "constant delay"),
        (good(), condition(signal_over_hiss_db=2.0), "record again", "lost"),
        (good(), condition(signal_over_hiss_db=7.0), "look", "marginal"),
        (good(), condition(level={"level_db": None}), "record again", "Nothing of the stem"),
        (good(), condition(peak_dbfs=-52.0), "look", "-52 dBFS"),
        (good(), condition(dc_dbfs=-26.0), "look", "Direct current"),
        (good(flags=["half_speed"], hints=["played at half speed"]), condition(), "look", "Played at half speed."),
        (
            good(),
            condition(clipped={"runs": 9, "full_scale": False, "side": "upper", "at_dbfs": -6.1, "first_s": 3.2}),
            "look",
            "upper half only",
        ),
    ],
)
def test_track_verdicts(values, measured, word, phrase):
    found = verdicts.track_verdict("kick", values, measured)
    assert found.word == word
    assert phrase in " ".join(one.sentence for one in found.findings)
    assert (found.next_step is not None) == (word != "ready")


def test_thresholds_of_the_session_decide():
    assert verdicts.track_verdict("k", good(), condition(signal_over_hiss_db=12.0)).word == "ready"
    strict = {"signal_over_hiss_kept_db": 15.0}
    assert verdicts.track_verdict("k", good(), condition(signal_over_hiss_db=12.0), thresholds=strict).word == "look"


@pytest.mark.parametrize(("over_db", "word"), [(12.0, "kept"), (5.0, "marginal"), (-3.0, "lost"), (None, "not known here")])
def test_words_of_a_band(over_db, word):
    assert verdicts.kept(over_db) == word


def ready(count=3):
    return {f"t{k}": verdicts.track_verdict(f"t{k}", good(), condition()) for k in range(count)}


def test_readiness():
    fine = verdicts.stack_verdict({"tracks": 3, "programme_over_hiss_db": 40.0})
    assert verdicts.readiness(ready(), {}, fine, simulated=[]).ready
    mixed = {**ready(), "late": verdicts.track_verdict("late", None, None)}
    found = verdicts.readiness(mixed, {}, fine, simulated=[])
    assert not found.ready
    assert found.next_steps[0]["subject"] == "late"
    forecast = verdicts.readiness(ready(), {}, fine, simulated=["t0", "t1", "t2"])
    assert not forecast.ready
    assert forecast.headline.startswith("Forecast")
    partly = verdicts.readiness(ready(), {}, fine, simulated=["t1"])
    assert not partly.ready
    assert "t1" in partly.why
    assert not verdicts.readiness({}, {}, fine, simulated=[]).ready


@pytest.mark.parametrize(("over_db", "word"), [(35.0, "ready"), (25.0, "look"), (12.0, "record again"), (None, "ready")])
def test_stack_verdict(over_db, word):
    summary = {
        "tracks": 4,
        "programme_over_hiss_db": over_db,
        "helps": [{"what": "record again hotter", "track": "bass", "by_db": 8.0, "gain_db": 4.0}],
        "with_muting": {"saved_db": 2.0},
    }
    found = verdicts.stack_verdict(summary)
    assert found.word == word
    if word in ("look", "record again"):
        assert "bass" in found.next_step


def test_terminal_lines():
    line = verdicts.terminal_line("kick", "take2", good(flags=["clipped"]), condition())
    assert line.startswith("kick/take2: aligned (follow), speed +0.00 %, 25 dB over hiss, flags: clipped - look")
    assert "\n" not in line
    refused = verdicts.terminal_line("kick", "take2", rejected("the click order is reversed"), None)
    assert refused == "kick/take2: rejected - The click order is reversed. Record it again."
    assert "(simulated)" in verdicts.terminal_line("kick", "simulated", good() | {"simulated": True}, condition())


# ---------------------------------------------------------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (words.fixed(float("nan")), "–"),
        (words.fixed(None), "–"),
        (words.fixed(float("-inf")), "–"),
        (words.fixed(-0.04), "0.0"),
        (words.fixed(-3.25, 1), "−3.2"),
        (words.signed(2.0), "+2.0"),
        (words.hertz(6300), "6.3 kHz"),
        (words.hertz(315), "315 Hz"),
        (words.microseconds(-1234.0), "−1.2 ms"),
        (words.microseconds(3.14), "3.1 µs"),
        (words.clock(125.4), "2:05"),
        (words.minutes(59.7), "1 min 00 s"),
        (words.fixed(True), "–"),
    ],
)
def test_words_for_numbers(shown, expected):
    assert shown == expected
