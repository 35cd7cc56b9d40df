"""The report's page: finished tables in, one self-contained HTML text out.

Conventions: nothing is computed here that a number on the page rests on; figures are PNG bytes, inlined; no date, so that
the same results give the same bytes.
"""

import base64

from bounceproof import verdicts
from bounceproof.files import number_in
from bounceproof.report import board, templates
from bounceproof.report.cautions import CAUTIONS

FIGURES = (
    (
        "survived",
        "What survived",
        "Every track by third-octave bands: how far the signal stands over the hiss while the stem plays.",
    ),
    (
        "timing",
        "Timing",
        "Where each moment lies against the straight line through the two clicks, and what is left after alignment.",
    ),
    ("stack", "Hiss of the stack", "Hiss growing track by track, loudest first, beside the 10 lg N line of equal tracks."),
    ("pair_sums", "Pairs", "Sum of each pair of returns re the sum of its stems, by frequency."),
)


class Material:
    """What a report is made of.

    session: the session record; chosen: {track: take or None}; takes: {(track, take): (alignment, condition, rows of bands.tsv)};
    pairs: list of (PAIR.json, rows of PAIR.tsv); stack, stack_rows, reference: noise/stack.json, stack.tsv, mix/reference.json;
    figures: {name: PNG bytes}; versions: {package: version}; why: {track: why its take was chosen};
    timing: rows of mix/timing.tsv; evening: (rows of evening.tsv, summary) as `evening.evening` gives them; wire: wire.json, None
    where no wire was measured.
    """

    def __init__(
        self, session, chosen, takes, pairs, stack, stack_rows, reference, figures, versions, why, timing, evening, wire=None
    ):
        self.session, self.chosen, self.takes, self.pairs = session, chosen, takes, pairs
        self.stack, self.stack_rows, self.reference = stack, stack_rows, reference
        self.figures, self.versions, self.why = figures, versions, why
        self.timing, self.evening, self.wire = timing, evening, wire

    def of(self, track):
        """(alignment, condition, band rows) of a track's chosen take; (None, None, []) while it waits."""
        return self.takes.get((track, self.chosen.get(track)), (None, None, []))


def tables(material):
    """(rows of tracks.tsv, rows of pairs.tsv)."""
    judged = judge(material)
    tracks = [
        board.track_row(one["track"], one["take"], one["alignment"], one["condition"], one["verdict"]) for one in judged["tracks"]
    ]
    return tracks, [board.pair_row(one["summary"], one["verdict"]) for one in judged["pairs"]]


def judge(material):
    """Every verdict of the session: dict of tracks, pairs, stack, readiness."""
    limits = material.session.get("thresholds")
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
    judged = judge(material)
    track_rows, pair_rows = tables(material)
    context = {
        "session": material.session,
        "judged": judged,
        "readiness": judged["readiness"],
        "tracks": [_track_part(one, row, material) for one, row in zip(judged["tracks"], track_rows, strict=True)],
        "pairs": [{**one, "row": row} for one, row in zip(judged["pairs"], pair_rows, strict=True)],
        "pair_words": verdicts.PAIR_WORDS,
        "stack": material.stack,
        "stack_rows": [_stack_row(row) for row in material.stack_rows],
        "reference": material.reference,
        "timing": _between_tracks(material),
        "figures": [_figure(material, *figure) for figure in FIGURES if figure[0] in material.figures],
        "evening_rows": material.evening[0],
        "evening": verdicts.evening_findings(material.evening[1], thresholds=material.session.get("thresholds")),
        "wire": material.wire,
        "cautions": CAUTIONS,
        "settings": list(_flat(_settings(material.session))),
        "versions": material.versions,
        "anchor": verdicts.anchor,
    }
    return templates().get_template("report.html.j2").render(context)


def _figure(material, name, title, text):
    encoded = base64.b64encode(material.figures[name]).decode("ascii")
    return {"name": name, "title": title, "text": text, "source": f"data:image/png;base64,{encoded}"}


def _track_part(one, row, material):
    name = one["track"]["track"]
    limits = material.session.get("thresholds")
    condition = one["condition"] or {}
    roles = [
        {**band, "word": verdicts.kept(band["signal_over_hiss_db"], thresholds=limits)}
        for band in condition.get("role_bands") or []
    ]
    takes = [
        {"take": take, "chosen": take == one["take"], "alignment": alignment, "condition": its or {}}
        for (track, take), (alignment, its, _) in material.takes.items()
        if track == name
    ]
    bands = [_band_row(band, limits) for band in one["bands"]]
    return {
        **one,
        "name": name,
        "row": row,
        "why": material.why.get(name),
        "condition": condition,
        "roles": roles,
        "takes": takes,
        "bands": bands,
        "foreign": [verdicts.foreign_sentence(sound) for sound in condition.get("foreign") or []],
    }


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
