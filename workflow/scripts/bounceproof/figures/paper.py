"""The run sheet as a PDF: A4, black on white, boxes to tick and lines to write on.

Conventions: places on a page in mm from its top left corner; the same bytes each time (no dates in the file).
"""

import textwrap

import matplotlib

from bounceproof import runsheet
from bounceproof.files import write_atomically
from bounceproof.report.cautions import CAUTIONS
from bounceproof.report.words import clock, fixed, minutes, signed

_WIDTH_MM, _HEIGHT_MM = 210.0, 297.0
_LEFT_MM, _RIGHT_MM, _TOP_MM = 16.0, 194.0, 18.0
_LINE_MM = 4.6
_MM = 1 / 25.4
# Column: where it begins (mm), its head.
_COLUMNS = ((16, "No."), (25, "Track"), (72, "Starts"), (87, "Ends"), (102, "Peak"), (117, "Gain"), (132, "Out"), (142, "Back"))
_COUNTER_MM, _NOTES_MM = (152, 168), (171, 194)
_ROWS_A_PAGE = 22


class _Page:
    """One page: text and lines at places in mm."""

    def __init__(self, pages):
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self._pages, self.figure, self.at_mm = pages, Figure(figsize=(_WIDTH_MM * _MM, _HEIGHT_MM * _MM)), _TOP_MM
        FigureCanvasAgg(self.figure)

    def text(self, x_mm, y_mm, words, *, size=9.5, bold=False):
        place = (x_mm / _WIDTH_MM, 1 - y_mm / _HEIGHT_MM)
        # A dollar sign is no formula here.
        self.figure.text(*place, words, size=size, weight="bold" if bold else "normal", va="baseline", parse_math=False)

    def line(self, x_mm, y_mm, to_mm, *, weight=0.5):
        from matplotlib.lines import Line2D

        xs, ys = [x_mm / _WIDTH_MM, to_mm / _WIDTH_MM], [1 - y_mm / _HEIGHT_MM] * 2
        self.figure.add_artist(Line2D(xs, ys, lw=weight, color="black"))

    def box(self, x_mm, y_mm, side_mm=4.0):
        from matplotlib.patches import Rectangle

        corner = (x_mm / _WIDTH_MM, 1 - y_mm / _HEIGHT_MM)
        self.figure.add_artist(Rectangle(corner, side_mm / _WIDTH_MM, side_mm / _HEIGHT_MM, fill=False, lw=0.7))

    def paragraph(self, words, *, head="", size=9.0, width=98):
        for k, line in enumerate(textwrap.wrap(words, width)):
            self.text(_LEFT_MM, self.at_mm, head if k == 0 else "", size=size, bold=True)
            self.text(_LEFT_MM + 7, self.at_mm, line, size=size)
            self.at_mm += _LINE_MM
        self.at_mm += 0.8

    def heading(self, words, *, size=13):
        self.at_mm += 2.5
        self.text(_LEFT_MM, self.at_mm, words, size=size, bold=True)
        self.at_mm += 7

    def done(self):
        self._pages.savefig(self.figure)


def print_pages(path, rows, settings):
    """Write the PDF. rows: of the run sheet; settings: name, medium_label, tape_speed_cm_s, side_minutes, leader_s."""
    from matplotlib.backends.backend_pdf import PdfPages

    metadata = {"CreationDate": None, "Title": f"{settings['name']}: run sheet"}
    fonts = {"font.family": "DejaVu Sans", "pdf.fonttype": 42}
    with matplotlib.rc_context(fonts), write_atomically(path) as temporary, PdfPages(temporary, metadata=metadata) as pages:
        _first(pages, rows, settings)
        for name, members, end_s in runsheet.by_side(rows):
            for first in range(0, len(members), _ROWS_A_PAGE):
                _side(pages, name, members[first : first + _ROWS_A_PAGE], end_s, settings)


def _first(pages, rows, settings):
    page, times = _Page(pages), runsheet.times(rows)
    page.heading(f"{settings['name']}: run sheet", size=18)
    page.paragraph(
        f"{len(rows)} transfers on {len(runsheet.by_side(rows))} side(s), {settings['medium_label']}: {minutes(times['out_s'])}"
        f" out, {minutes(times['wind_s'])} of winding, {minutes(times['back_s'])} back: {minutes(times['total_s'])} in all."
    )
    page.heading("Before anything else")
    for heading, sentences in CAUTIONS:
        for k, sentence in enumerate(sentences):
            page.paragraph(f"{heading}. {sentence}" if k == 0 else sentence, head="!", size=8.5, width=104)
    page.heading("Steps")
    has_tape = settings["tape_speed_cm_s"] is not None
    words = runsheet.steps(rows, medium=settings["medium_label"], leader_s=settings["leader_s"], has_tape=has_tape)
    for k, step in enumerate(words, start=1):
        page.paragraph(step, head=f"{k}.")
    page.heading("Listen for")
    for sentence in runsheet.LISTEN:
        page.paragraph(sentence, head="-")
    page.done()


def _side(pages, name, rows, end_s, settings):
    page = _Page(pages)
    page.heading(f"Tape {name[:-1]}, side {name[-1]}", size=16)
    page.text(_LEFT_MM, page.at_mm, f"Over at {clock(end_s)} of {clock(60 * settings['side_minutes'])}. Label and place:")
    page.line(105, page.at_mm + 0.5, _RIGHT_MM)
    page.at_mm += 9
    for x_mm, words in (*_COLUMNS, (_COUNTER_MM[0], "Counter"), (_NOTES_MM[0], "Notes")):
        page.text(x_mm, page.at_mm, words, size=8, bold=True)
    page.at_mm += 2
    page.line(_LEFT_MM, page.at_mm, _RIGHT_MM, weight=0.9)
    for row in rows:
        page.at_mm += 7.5
        cells = (row["number"], _short(row["track"]), clock(row["starts_at_s"]), clock(row["ends_at_s"]))
        cells = (*cells, fixed(row["peak_dbfs"]), signed(row["gain_db"]))
        for (x_mm, _), cell in zip(_COLUMNS, cells, strict=False):
            page.text(x_mm, page.at_mm, str(cell), size=9)
        for x_mm in (132, 142):
            page.box(x_mm, page.at_mm + 0.5)
        page.line(_COUNTER_MM[0], page.at_mm + 0.8, _COUNTER_MM[1])
        page.line(_NOTES_MM[0], page.at_mm + 0.8, _NOTES_MM[1])
        page.at_mm += 2.6
        page.line(_LEFT_MM, page.at_mm, _RIGHT_MM, weight=0.25)
    legend = "Starts and ends in min:s from the side's start, leader included; peak in dBFS; gain on the stem in dB."
    page.text(_LEFT_MM, page.at_mm + 6, legend, size=8)
    page.done()


def _short(track):
    return track if len(track) <= 22 else track[:21] + "…"
