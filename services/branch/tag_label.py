"""The label of a shop's tag, 62 × 40 mm: the tag in plain text, that it is no serial, and the same as a QR code.

It follows from the fact and from nothing else. Must never look like a maker's mark.
"""

from __future__ import annotations

import datetime as dt
from html import escape

WIDE_MM, HIGH_MM = 62, 40
CODE_MM = 22
QUIET_MODULES = 4
"""The white frame that a reader needs around the code (ISO/IEC 18004)."""


def tag_label(tag: str, *, shop: str, on: dt.date, marks: str) -> str:
    """The label as SVG, in its size on paper."""
    lines = (
        (3, 6, 3.4, "SHOP TAG, NO MAKER'S SERIAL"),
        (3, 31, 2.9, f"{shop}, {on.day} {on:%b %Y}"),
        (3, 34.6, 2.9, marks),
        (3, 38.2, 2.9, "Serial cannot be read. Do not fill."),
    )
    text = "".join(
        f'<text x="{x}" y="{y}" font-size="{size}" font-family="sans-serif" font-weight="700"{_squeezed(words, size)}>'
        f"{escape(words)}</text>"
        for x, y, size, words in lines
    )
    head, _, tail = tag.strip("*").removeprefix("TAG ").partition("-")
    big = "".join(
        f'<text x="3" y="{y}" font-size="8.5" font-family="monospace" font-weight="700">{escape(words)}</text>'
        for y, words in ((16, head), (25.5, tail))
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDE_MM}mm" height="{HIGH_MM}mm" viewBox="0 0 {WIDE_MM} {HIGH_MM}">'
        f'<title>{escape(tag)}</title><rect width="{WIDE_MM}" height="{HIGH_MM}" fill="#fff"/><g fill="#000">{text}{big}'
        f"{_code(f'{tag} {shop}: a tag of this shop, no serial of a maker.')}</g></svg>"
    )


def _squeezed(words: str, size: float) -> str:
    """A long line is set narrower, never cut off. A bold letter is about 0.55 of its height wide on the average."""
    widest = WIDE_MM - 6
    if len(words) * size * 0.55 <= widest:
        return ""
    return f' textLength="{widest}" lengthAdjust="spacingAndGlyphs"'


def _code(words: str) -> str:
    import segno  # No other page needs it.

    rows = segno.make(words, error="m", micro=False, boost_error=False).matrix
    module = CODE_MM / (len(rows) + 2 * QUIET_MODULES)
    left, top = WIDE_MM - CODE_MM - 1 + QUIET_MODULES * module, 7 + QUIET_MODULES * module
    dark = "".join(
        f"M{left + x * module:.3f} {top + y * module:.3f}h{module:.3f}v{module:.3f}h-{module:.3f}z"
        for y, row in enumerate(rows)
        for x, is_dark in enumerate(row)
        if is_dark
    )
    return f'<path d="{dark}"/>'
