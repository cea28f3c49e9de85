"""A report as PDF, by ReportLab. Needs the extra ``report``."""

import io
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab import rl_config
from reportlab.lib import colors
from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    CondPageBreak,
    Image,
    KeepTogether,
    LongTable,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    TableStyle,
)

from longsoak.report.paper import Card, Listing, Paper, Part, Picture, Plot, Points, Text
from longsoak.report.plots import INK, PENCIL, RED, RULE, png_of

_MARGIN = 20 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_PHOTO = 75 * mm
_LONGEST_CELL = 600  # characters; a cell can't be broken over pages
_BEGINS = 45 * mm  # of a table, at least, with what is said over it, stand where it begins
_BESIDE = 5  # pt, what a cell leaves free to its right
_FONTS = {"sheet": "DejaVuSans.ttf", "sheet-bold": "DejaVuSans-Bold.ttf"}


def as_pdf(paper: Paper) -> bytes:
    """Write a report as PDF (A4), the same bytes each time."""
    rl_config.useA85 = 0  # bytes as they are: as text they take a fifth more, and seconds
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in _FONTS.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=18 * mm,
        bottomMargin=18 * mm,
        title=paper.title,
        author="",
        lang="en",
        invariant=1,
    )
    story: list[Any] = [Paragraph(escape(paper.title), _style("title"))]
    for name, says in paper.facts:
        kind = "must" if name == "Invented" else "body"
        story.append(Paragraph(f"{escape(name)}: {escape(says)}", _style(kind)))
    story.append(Spacer(1, 6 * mm))
    for number, section in enumerate(paper.sections, start=1):
        story.append(Paragraph(f"{number}. {escape(section.title)}", _style("body")))
    story.append(PageBreak())
    for number, section in enumerate(paper.sections, start=1):
        story.append(Paragraph(f"{number}. {escape(section.title)}", _style("section")))
        for part in section.parts:
            story += _flowables(part)

    def foot(canvas: Any, _: object) -> None:
        canvas.setFont("sheet", 7)
        canvas.setFillColor(colors.HexColor(INK))
        canvas.drawString(_MARGIN, 10 * mm, paper.title)
        canvas.drawRightString(A4[0] - _MARGIN, 10 * mm, f"page {canvas.getPageNumber()}")

    document.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


@cache
def _style(kind: str, *, right: bool = False) -> ParagraphStyle:
    size, font, colour, before, after = {
        "title": (17, "sheet-bold", INK, 0, 8),
        "section": (12, "sheet-bold", INK, 14, 4),
        "heading": (9, "sheet-bold", INK, 8, 2),
        "body": (8.5, "sheet", INK, 0, 3),
        "must": (8.5, "sheet-bold", INK, 0, 3),
        "note": (7.5, "sheet", INK, 0, 2),
        "cell": (6.5, "sheet", INK, 0, 0),
        "head": (6.5, "sheet-bold", INK, 0, 0),
        "held": (12, "sheet-bold", PENCIL, 8, 2),
        "broken": (12, "sheet-bold", RED, 8, 2),
        "undecided": (12, "sheet-bold", INK, 8, 2),
    }[kind]
    return ParagraphStyle(
        kind,
        fontName=font,
        fontSize=size,
        leading=1.3 * size,
        textColor=colors.HexColor(colour),
        spaceBefore=before,
        spaceAfter=after,
        keepWithNext=kind == "section",
        splitLongWords=True,
        alignment=TA_RIGHT if right else TA_LEFT,
    )


def _flowables(part: Part) -> Iterator[Any]:
    if isinstance(part, Text):
        yield Paragraph(escape(part.says), _style("must" if part.strong else "body"))
    elif isinstance(part, Points):
        for says in part.says:
            yield Paragraph(escape(says), _style("body"), bulletText="\u2022")
    elif isinstance(part, Plot):
        yield KeepTogether([_image(part), Paragraph(escape(part.caption), _style("note"))])
    elif isinstance(part, Picture):
        photo = Image(io.BytesIO(part.jpeg), _PHOTO, _PHOTO, kind="proportional")
        photo.hAlign = "LEFT"
        yield KeepTogether([photo, Paragraph(escape(part.caption), _style("note"))])
    elif isinstance(part, Listing):
        yield from _listing(part)
    else:
        yield from _card(part)


def _image(plot: Plot) -> Image:
    wide, high = plot.figure.get_size_inches()
    return Image(io.BytesIO(png_of(plot.figure)), _WIDTH, _WIDTH * high / wide)


def _card(card: Card) -> Iterator[Any]:
    yield Paragraph(f"{escape(card.word)}: {escape(card.title)}", _style(card.word))
    for says in card.says:
        yield Paragraph(escape(says), _style("body"))


def _listing(listing: Listing) -> Iterator[Any]:
    yield CondPageBreak(_BEGINS)
    yield Paragraph(escape(listing.title), _style("heading"))
    for says in listing.says:
        yield Paragraph(escape(says), _style("note"))
    if not listing.rows:
        return
    right = [heading in listing.right for heading in listing.head]
    widths = _widths(listing)

    def cells(row: Sequence[str], kind: str) -> list[str | Paragraph]:
        return [
            _cell(text, _style(kind, right=number), width - _BESIDE)
            for text, number, width in zip(row, right, widths, strict=True)
        ]

    rows = [cells(listing.head, "head"), *(cells(row, "cell") for row in listing.rows)]
    table = LongTable(rows, colWidths=widths, repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("FONT", (0, 0), (-1, 0), *_font("head")),
                ("FONT", (0, 1), (-1, -1), *_font("cell")),
                *(("ALIGN", (n, 0), (n, -1), "RIGHT") for n, number in enumerate(right) if number),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.HexColor(INK)),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, colors.HexColor(RULE)),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), _BESIDE),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        )
    )
    yield table
    yield Spacer(1, 2 * mm)


def _font(kind: str) -> tuple[str, float, float]:
    style = _style(kind)
    return style.fontName, style.fontSize, style.leading


def _cell(text: str, style: ParagraphStyle, width: float) -> str | Paragraph:
    """What fits into one line is a plain text: laying out a paragraph takes ten times as long."""
    if "\n" not in text and stringWidth(text, style.fontName, style.fontSize) <= width:
        return text
    if len(text) > _LONGEST_CELL:
        text = f"{text[:_LONGEST_CELL].rstrip()} (cut; the record has it whole)"
    return Paragraph(escape(text), style)


def _widths(listing: Listing) -> list[float]:
    """Columns by their longest text, those of long ones less than in proportion."""
    longest = [
        max(len(row[n]) for row in (listing.head, *listing.rows)) for n in range(len(listing.head))
    ]
    words = [
        max(len(word) for row in (listing.head, *listing.rows) for word in (row[n].split() or [""]))
        for n in range(len(listing.head))
    ]
    shares = [
        max(word + 2.0, min(length, 12.0) + 2.0 + max(0.0, length - 12.0) ** 0.7)
        for length, word in zip(longest, words, strict=True)
    ]
    return [_WIDTH * share / sum(shares) for share in shares]
