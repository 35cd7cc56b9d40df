"""The report's page: finished tables in, one self-contained HTML text out.

Conventions: nothing is computed here that a number on the page rests on; sounds are inlined, drawings are made of the tables
(`charts`); no date, so that the same results give the same bytes.
"""

import base64
from dataclasses import dataclass
from functools import cached_property

from bounceproof import verdicts
from bounceproof.files import number_in
from bounceproof.report import board, charts, templates
from bounceproof.report.cautions import CAUTIONS
from bounceproof.report.forecast_page import forecast_part
from bounceproof.report.methods import METHODS
from bounceproof.report.readings import readings

# The order in which the first screen and the board's filter name the words: what stops the mix first.
_WORDS = (verdicts.REJECTED, verdicts.AGAIN, verdicts.WAITING, verdicts.LOOK, verdicts.READY)


@dataclass
class Material:
    """What a report is made of, and every verdict on it.

    session: the session record; chosen: {track: take or None}; takes: {(track, take): (alignment, condition, rows of bands.tsv)};
    pairs: list of (PAIR.json, rows of PAIR.tsv); stack, stack_rows, reference: noise/stack.json, stack.tsv, mix/reference.json;
    versions: {package: version}; why: {track: why its take was chosen};
    timing: rows of mix/timing.tsv; evening: (rows of evening.tsv, summary) as `evening.evening` gives them; wire: wire.json, None
    where no wire was measured; courses: {track: rows (song s, error of the two-click line in ms, sd of the map in ms)};
    excerpts: {track: (values of its excerpt's JSON, MP3 bytes)}; forecast: planning/forecast.json, None where none was asked for.
    """

    session: dict
    chosen: dict
    takes: dict
    pairs: list
    stack: dict
    stack_rows: list
    reference: dict
    versions: dict
    why: dict
    timing: list
    evening: tuple
    wire: dict | None
    courses: dict
    excerpts: dict
    forecast: dict | None

    @property
    def band_hz(self):
        return self.session["medium"]["band_low_hz"], self.session["medium"]["band_high_hz"]

    @property
    def thresholds(self):
        return self.session.get("thresholds")

    @cached_property
    def judged(self):
        """Every verdict of the session: dict of tracks, pairs, stack, readiness, simulated."""
        return _judge(self)

    def of(self, track):
        """(alignment, condition, band rows) of a track's chosen take; (None, None, []) while it waits."""
        return self.takes.get((track, self.chosen.get(track)), (None, None, []))


def tables(material):
    """(rows of tracks.tsv, rows of pairs.tsv)."""
    keys = ("track", "take", "alignment", "condition", "verdict")
    tracks = [board.track_row(*(one[key] for key in keys)) for one in material.judged["tracks"]]
    return tracks, [board.pair_row(one["summary"], one["verdict"]) for one in material.judged["pairs"]]


def _judge(material):
    limits = material.thresholds
    tracks = []
    for track in material.session["tracks"]:
        alignment, condition, bands = material.of(track["track"])
        verdict = verdicts.track_verdict(track["track"], alignment, condition, thresholds=limits)
        take = material.chosen.get(track["track"])
        tracks.append(
            {"track": track, "take": take, "alignment": alignment, "condition": condition, "bands": bands, "verdict": verdict}
        )
    pairs = [
        {"summary": summary, "rows": rows, "verdict": verdicts.pair_verdict(summary, thresholds=limits)}
        for summary, rows in material.pairs
    ]
    stack = verdicts.stack_verdict(material.stack, thresholds=limits)
    simulated = [one["track"]["track"] for one in tracks if one["alignment"] and one["alignment"].get("simulated")]
    ready = verdicts.readiness(
        {one["track"]["track"]: one["verdict"] for one in tracks},
        {one["summary"]["pair"]: one["verdict"] for one in pairs},
        stack,
        simulated=simulated,
    )
    return {"tracks": tracks, "pairs": pairs, "stack": stack, "readiness": ready, "simulated": simulated}


def render(material):
    """The report as HTML text."""
    judged = material.judged
    track_rows, pair_rows = tables(material)
    tracks = [_track_part(one, row, material) for one, row in zip(judged["tracks"], track_rows, strict=True)]
    stack_rows = [_stack_row(row) for row in material.stack_rows]
    context = {
        "session": material.session,
        "judged": judged,
        "readiness": judged["readiness"],
        "tracks": tracks,
        "ranks": {word: rank for rank, word in enumerate(reversed(_WORDS))},
        "by_word": [(word, [one for one in tracks if one["verdict"].word == word]) for word in _WORDS],
        "asking": {one["name"]: board.asking(one["checks"]) for one in tracks},
        "checks": board.CHECK_HEADS,
        "survived": _survived(tracks),
        "pairs": [_pair_part(one, row, material) for one, row in zip(judged["pairs"], pair_rows, strict=True)],
        "stack": material.stack,
        "stack_rows": stack_rows,
        "stack_words": verdicts.STACK_WORDS,
        "stack_charts": _stack_charts(material.stack, stack_rows),
        "reference": material.reference,
        "mixes_charts": _mixes_charts(material.reference["bands"], material.band_hz),
        "timing": _between_tracks(material),
        "evening_rows": material.evening[0],
        "evening": verdicts.evening_findings(material.evening[1], thresholds=material.thresholds),
        "forecast": material.forecast and forecast_part(material.forecast, track_rows, material.stack, material.thresholds),
        "cautions": CAUTIONS,
        "methods": METHODS,
        "limits": verdicts.limits(material.thresholds),
        "settings": list(_flat(_settings(material.session))),
        "versions": material.versions,
        "anchor": verdicts.anchor,
    }
    return templates().get_template("report.html.j2").render(context)


def _track_part(one, row, material):
    name, limits = one["track"]["track"], material.thresholds
    condition, alignment = one["condition"] or {}, one["alignment"]
    roles = [
        {**band, "word": verdicts.kept(band["signal_over_hiss_db"], thresholds=limits)}
        for band in condition.get("role_bands") or []
    ]
    takes = [
        {"take": take, "chosen": take == one["take"], "alignment": its, "condition": heard or {}}
        for (track, take), (its, heard, _) in material.takes.items()
        if track == name
    ]
    bands = [_band_row(band, limits) for band in one["bands"]]
    aligned = row["state"] == "aligned"
    part = {
        **one,
        "name": name,
        "row": row,
        "why": material.why.get(name),
        "condition": condition,
        "roles": roles,
        "takes": takes,
        "bands": bands,
        "checks": board.check_cells(alignment, condition, roles, thresholds=limits) if aligned else None,
        "readings": readings(alignment, condition, wire=material.wire, thresholds=limits) if aligned else [],
        "excerpt": _excerpt(material.excerpts.get(name)),
        "charts": [],
    }
    if aligned and bands:
        part["charts"] = list(_charts(part, material))
    return part


def _charts(part, material):
    name, row, course = part["name"], part["row"], material.courses.get(part["name"])
    if course:
        yield "Timing through the song", charts.timing(name, course, row["clicks_only_rms_us"], row["residual_rms_us"])
    yield "Response, and the bands that matter", charts.response(name, part["bands"], part["roles"], material.band_hz)
    limits = verdicts.limits(material.thresholds)
    yield "What stands over the hiss", charts.survival(name, part["bands"], limits, material.band_hz)


def _excerpt(made):
    """What the page plays of a track: its parts with their starts, and the sound as a data address; None where there is none."""
    if made is None:
        return None
    about, sound = made
    return {**about, "source": f"data:audio/mpeg;base64,{base64.b64encode(sound).decode('ascii')}"}


def _survived(tracks):
    """(bands in Hz, [(track part, its values over hiss in dB)]) over the bands that any track is known in."""
    known = sorted({band["nominal_hz"] for one in tracks for band in one["bands"] if band["signal_over_hiss_db"] is not None})
    rows = []
    for one in tracks:
        over = {band["nominal_hz"]: band for band in one["bands"]}
        rows.append((one, [over.get(hz) for hz in known]))
    return known, rows


def _stack_charts(stack, rows):
    """(caption, drawing) of the stack; none without a track."""
    if not rows:
        return []
    made = [("Bars: running total of the hiss; line: as many tracks as loud as the average of all", charts.stack(rows))]
    if any(value is not None for value in stack["with_muting"]["through_time"]["muted_dbfs"]):
        made.append(("Through the song, and what muting takes away", charts.muting(stack["with_muting"]["through_time"])))
    return made


def _mixes_charts(bands, band_hz):
    if not bands:
        return []
    return [
        ("Level of the mixes by third-octaves", charts.mixes(bands, band_hz)),
        ("How far the returned mix goes with the stems' mix", charts.likeness(bands, band_hz)),
    ]


def _pair_part(one, row, material):
    bands = [
        {key: value if key in ("shared", "over_hiss") else number_in(value) for key, value in band.items()}
        for band in one["rows"]
        if band["shared"] == "yes"
    ]
    adds_up = bool(bands) and row["adds_up_to_hz"] is not None
    losses = [(band["nominal_hz"], band["loss_aligned_db"], band["loss_clicks_db"]) for band in bands]
    limit_db = verdicts.limits(material.thresholds)["sum_loss_ok_db"]
    heard = [loss for loss in losses if loss[1] is not None or loss[2] is not None]
    chart = charts.pair_sum(row["pair"], heard, limit_db) if adds_up and len(heard) > 1 else None
    return {**one, "row": row, "bands": bands if adds_up else [], "chart": chart}


def _between_tracks(material):
    """Rows of the matrix of timing between tracks: (track, a cell for each track: us or None), above the diagonal as aligned,
    below it with two clicks; empty for fewer than two tracks.
    """
    cells = {}
    for row in material.timing:
        cells[row["first"], row["second"]] = number_in(row["aligned_rms_us"])
        cells[row["second"], row["first"]] = number_in(row["clicks_rms_us"])
    tracks = [track for track in material.reference["tracks"] if any(track in pair for pair in cells)]
    return [(track, [(cells.get((track, other)), track == other) for other in tracks]) for track in tracks]


def _band_row(row, limits):
    values = {key: number_in(value) for key, value in row.items() if key not in ("known", "response_by")}
    return {**values, "response_by": row["response_by"], "word": verdicts.kept(values["signal_over_hiss_db"], thresholds=limits)}


def _stack_row(row):
    texts = ("track", "take", "simulated", "hiss_from")
    return {key: value if key in texts else number_in(value) for key, value in row.items()}


def _settings(session):
    """What of the session record is a setting a reader wants; its folders, files and lists are told elsewhere."""
    keys = ("sample_rate_hz", "medium", "alignment", "transfer", "thresholds", "seed", "fill_missing", "recorder")
    return {key: session[key] for key in keys if key in session}


def _flat(value, name=""):
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _flat(item, f"{name}.{key}" if name else str(key))
    elif value is not None and value != "":
        yield name, ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)
