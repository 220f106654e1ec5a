"""Draws the label as a page of its very size, for any printer that takes a PDF: text as text, the code as boxes."""

from __future__ import annotations

import datetime as dt

from fpdf import FPDF

from branch.label import DPI, HIGH_MM, MM_PER_INCH, WIDE_MM, Bar, Label, Words, code_modules, code_px, marks
from branch.label_faces import face_path

_POINTS_PER_MM = 72 / MM_PER_INCH
_MM_PER_PX = MM_PER_INCH / DPI


def pdf(label: Label, made_at: dt.datetime) -> bytes:
    """One page, 62 × 40 mm. `made_at` is the moment that the label speaks of, so that a reprint is the same file."""
    page = FPDF(unit="mm", format=(HIGH_MM, WIDE_MM), orientation="landscape")
    page.set_creation_date(made_at)
    page.set_title(f"{label.tag} {label.gas} {label.figure}")
    page.set_auto_page_break(False)
    page.set_margin(0)
    page.add_page()
    page.set_fill_color(0)
    for mark in marks(label):
        match mark:
            case Bar():
                page.rect(mark.x, mark.y, mark.wide, mark.high, style="F")
            case Words():
                _write(page, mark)
    _code(page, label)
    return bytes(page.output())


def _write(page: FPDF, mark: Words) -> None:
    if mark.face not in page.fonts:
        page.add_font(mark.face, fname=str(face_path(mark.face)))
    size = mark.size * _POINTS_PER_MM
    page.set_font(mark.face, size=size)
    wide = page.get_string_width(mark.words)
    if wide > mark.widest:
        page.set_font_size(size * mark.widest / wide)
    page.text(mark.x, mark.y, mark.words)


def _code(page: FPDF, label: Label) -> None:
    """Runs of dark modules as one box each: single boxes show hairlines between them on some printers."""
    modules = code_modules(label)
    px, left, top = code_px(len(modules))
    for row, line in enumerate(modules):
        start = None
        for column, is_dark in enumerate((*line, False)):
            if is_dark and start is None:
                start = column
            if not is_dark and start is not None:
                x, y = (left + start * px) * _MM_PER_PX, (top + row * px) * _MM_PER_PX
                page.rect(x, y, (column - start) * px * _MM_PER_PX, px * _MM_PER_PX, style="F")
                start = None
