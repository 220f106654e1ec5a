"""Draws the label for a label printer's driver: black and white and nothing between, 300 dots to the inch."""

from __future__ import annotations

from io import BytesIO

from PIL import Image, ImageDraw, ImageFont

from branch.label import DPI, HIGH_MM, MM_PER_INCH, WIDE_MM, Bar, Label, Words, code_modules, code_px, marks
from branch.label_faces import face_path

_PX_PER_MM = DPI / MM_PER_INCH


def png(label: Label) -> bytes:
    """The picture: one bit a dot, its resolution written into it."""
    image = Image.new("1", (round(WIDE_MM * _PX_PER_MM), round(HIGH_MM * _PX_PER_MM)), 1)
    draw = ImageDraw.Draw(image)
    for mark in marks(label):
        match mark:
            case Bar():
                box = [
                    value * _PX_PER_MM for value in (mark.x, mark.y, mark.x + mark.wide, mark.y + mark.high)
                ]
                draw.rectangle([round(value) for value in box], fill=0)
            case Words():
                at = (round(mark.x * _PX_PER_MM), round(mark.y * _PX_PER_MM))
                draw.text(at, mark.words, fill=0, font=_fitted(mark), anchor="ls")
    modules = code_modules(label)
    px, left, top = code_px(len(modules))
    for row, line in enumerate(modules):
        for column, is_dark in enumerate(line):
            if is_dark:
                x, y = left + column * px, top + row * px
                draw.rectangle([x, y, x + px - 1, y + px - 1], fill=0)
    out = BytesIO()
    image.save(out, "PNG", dpi=(DPI, DPI), optimize=True)
    return out.getvalue()


def _fitted(mark: Words) -> ImageFont.FreeTypeFont:
    """The face at its size, or smaller where the words would pass their width."""
    size = mark.size * _PX_PER_MM
    font = ImageFont.truetype(str(face_path(mark.face)), size, layout_engine=ImageFont.Layout.BASIC)
    wide = font.getlength(mark.words)
    widest = mark.widest * _PX_PER_MM
    return font if wide <= widest else font.font_variant(size=size * widest / wide)
