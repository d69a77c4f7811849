"""The report as a PDF, A4 or Letter, made to print well in black and white.

fpdf2 is pure Python and draws its own pages; a converter from HTML would need Debian's text
libraries on every bench. The same input makes the same bytes: the file's date is the report's, or
fixed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from fpdf import FPDF, XPos, YPos

from soakmon.report.content import Content, ReportSection
from soakmon.report.letters import Family, font_file, right_to_left, shown, single_line
from soakmon.report.paper import Paper
from soakmon.report.rack import Box, Label, Line, Shape
from soakmon.texts import ENGLISH, say, texts, translated
from soakmon.watch.verdict import Outcome

UNDATED = datetime(2000, 1, 1, tzinfo=UTC)
_MARGIN_MM, _NAME_MM = 20.0, 46.0
_PT_PER_MM = 72 / 25.4
_NAMES = frozenset({"Job", "Customer", "Machine", "Rack"})
_MOST_VERBATIM = 20_000
# Replaced by the number of pages when the file is written; taken out of all other text.
_PAGES = "‹#›"


class _Pages(FPDF):
    """A4 or Letter pages with a footer that names the report and counts the pages."""

    def __init__(self, title: str, paper: Paper, dated: datetime, language: str = ENGLISH) -> None:
        super().__init__(format=paper, unit="mm")
        self.set_creation_date(dated)
        for family, name in (("sans", "DejaVuSans"), ("mono", "DejaVuSansMono")):
            self.add_font(family, "", font_file(name))
        self.add_font("sans", "B", font_file("DejaVuSans-Bold"))
        self.alias_nb_pages(_PAGES)
        self.shown_title = single_line(title, 200)
        self.set_title(self.shown_title)
        self.language = language
        self.set_lang(language)
        self.set_margin(_MARGIN_MM)
        self.set_top_margin(15)
        self.set_auto_page_break(True, margin=18)
        self.set_draw_color(0)
        self.set_text_color(0)

    def words(self, key: str, **values: object) -> str:
        """A text of the catalogue with what is filled in, in the report's language."""
        return translated(say(key, **values), self.language)

    def footer(self) -> None:
        """Title, cut to fit, and page of pages."""
        self.set_y(-15)
        self.set_font("sans", "", 7.5)
        title = self.shown_title
        with self.joined(title):
            while self.get_string_width(title) > self.epw - 40:
                title = title[: int(len(title) * 0.9) - 1] + "…"
            self.cell(self.epw - 35, 4, self.words("pdf.soak_report", title=title))
        with self.joined(""):
            # The number of pages is not known yet: no sentence with it would be found again.
            page = texts(self.language)["pdf.page"]
            page = page.format(page_no=self.page_no(), pages=_PAGES)
            self.cell(35, 4, page, align="R")

    @contextmanager
    def joined(self, text: str, family: Family = "sans") -> Iterator[None]:
        """Within it, Arabic letters join and right-to-left words are in order, if the text has any.

        All else is set letter by letter, which is faster. A footer comes amid a text: what was set
        before is set again. A file runs from the left, other text as its first letter does.
        """
        before = self.text_shaping
        direction = "ltr" if family == "mono" else None
        self.set_text_shaping(right_to_left(text), direction=direction)
        try:
            yield
        finally:
            self.text_shaping = before

    def needs_mm(self, height: float) -> None:
        """Begin a new page when less than this is left on the page."""
        if self.get_y() + height > self.page_break_trigger:
            self.add_page()

    def paragraph(
        self, text: str, size: float, *, style: str = "", family: Family = "sans", gap: float = 0.0
    ) -> None:
        """A paragraph over the whole width; words longer than a line are broken."""
        self.set_font(family, style, size)
        text = _shown(text, family)
        with self.joined(text, family):
            self.multi_cell(0, size * 0.5, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(gap)

    def fact(self, name: str, text: str, size: float = 9.0) -> None:
        """A name and its text side by side, kept on one page where they fit on one."""
        self.set_font("sans", "", size)
        line, width = size * 0.5, self.epw - _NAME_MM
        text, name = _shown(text), _shown(name)
        with self.joined(text):
            height = self.multi_cell(width, line, text, align="L", dry_run=True, output="HEIGHT")
        if isinstance(height, float) and height < self.eph / 2:
            self.needs_mm(height)
        # Beyond half a page the text runs over the break, and its name stays where it begins.
        page, top = self.page, self.get_y()
        self.set_font("sans", "B", size)
        self.multi_cell(_NAME_MM - 2, line, name, align="L", new_x=XPos.LEFT, new_y=YPos.NEXT)
        below = (self.page, self.get_y())
        self.page = page
        self.set_xy(self.l_margin + _NAME_MM, top)
        self.set_font("sans", "", size)
        with self.joined(text):
            self.multi_cell(width, line, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        after = max(below, (self.page, self.get_y()))
        self.page = after[0]
        self.set_xy(self.l_margin, after[1] + 0.8)


def write_pdf(
    path: Path,
    content: Content,
    shapes: list[Shape],
    picture: Path,
    *,
    paper: Paper = "a4",
    dated: datetime | None = None,
) -> None:
    """Write the report. picture: the mass curve as PNG; dated: date of the file."""
    pages = _Pages(content.title, paper, dated or UNDATED, content.language)
    pages.add_page()
    _first_page(pages, content, shapes, picture)
    pages.add_page()
    pages.paragraph(pages.words("pdf.details"), 15, style="B", gap=2)
    for section in content.details:
        _section(pages, section)
    pages.output(str(path))


def _first_page(pages: _Pages, content: Content, shapes: list[Shape], picture: Path) -> None:
    pages.paragraph(
        pages.words("pdf.soak_report", title=_shortened(content.title, 80)), 14, style="B", gap=2
    )
    _verdict(pages, content)
    pages.paragraph(_shortened(content.sentence, 400), 11.5, gap=2)
    if content.steps:
        pages.paragraph(pages.words("pdf.what_do_next"), 10, style="B", gap=0.5)
        for number, step in enumerate(content.steps, start=1):
            pages.paragraph(f"{number}. {_shortened(step, 300)}", 9, gap=0.4)
        pages.ln(1)
    for name, text in content.summary:
        # Names are invented by people and may be long; what the bench says is known to fit.
        pages.fact(name, _shortened(text, 60 if name in _NAMES else 150))
    pages.ln(1)
    # What is left of the page is shared by drawing and curve; a very full page breaks instead.
    pages.needs_mm(80)
    _draw(pages, shapes)
    left = pages.page_break_trigger - pages.get_y() - 2
    height = min(left, pages.epw * 0.64)
    pages.image(picture, x=pages.l_margin, w=pages.epw, h=height, keep_aspect_ratio=True)


def _verdict(pages: _Pages, content: Content) -> None:
    """The verdict in a frame: plain tight, double leaking, dashed not proven."""
    top, height = pages.get_y(), 15.0
    if content.outcome is Outcome.NOT_PROVEN:
        pages.set_dash_pattern(dash=3, gap=2)
    pages.set_line_width(1.0)
    pages.rect(pages.l_margin, top, pages.epw, height)
    pages.set_dash_pattern()
    if content.outcome is Outcome.LEAKING:
        pages.set_line_width(0.5)
        pages.rect(pages.l_margin + 1.4, top + 1.4, pages.epw - 2.8, height - 2.8)
    pages.set_font("sans", "B", 22)
    pages.set_xy(pages.l_margin + 5, top)
    pages.cell(0, height, content.heading)
    pages.set_xy(pages.l_margin, top + height + 3)


def _section(pages: _Pages, section: ReportSection) -> None:
    pages.needs_mm(18)
    pages.paragraph(section.title, 11, style="B", gap=0.8)
    for name, text in section.facts:
        # A hash stays on one line.
        pages.fact(name, text, 8.0 if len(text) >= 60 and " " not in text else 9.0)
    for line in section.lines:
        pages.needs_mm(9)
        pages.paragraph(f"• {line}", 9, gap=0.5)
    if section.verbatim:
        pages.ln(1)
        pages.paragraph(section.verbatim[:_MOST_VERBATIM], 6.5, family="mono")
    pages.ln(2.5)


def _draw(pages: _Pages, shapes: list[Shape]) -> None:
    left, top = pages.l_margin, pages.get_y()
    for shape in shapes:
        if isinstance(shape, Line):
            pages.set_line_width(shape.width)
            pages.line(left + shape.x1, top + shape.y1, left + shape.x2, top + shape.y2)
        elif isinstance(shape, Box):
            pages.set_line_width(shape.width)
            pages.set_fill_color(round(255 * max(shape.grey, 0)))
            style = "D" if shape.grey < 0 else "DF"
            pages.rect(left + shape.x, top + shape.y, shape.w, shape.h, style=style)
        elif isinstance(shape, Label):
            pages.set_font("sans", "B" if shape.bold else "", shape.size * _PT_PER_MM)
            half = pages.get_string_width(shape.text) / 2
            pages.text(left + shape.x - half, top + shape.y, shape.text)
    lowest = max(s.y for s in shapes if isinstance(s, Label))
    pages.set_xy(left, top + lowest + 4)


def _shown(text: str, family: Family = "sans") -> str:
    return shown(text, family).replace(_PAGES, "#")


def _shortened(text: str, most: int) -> str:
    """The first page stays one page: what is longer is cut, and in full beside the report."""
    return single_line(text, most)
