"""Icons as inline SVG, drawn in the text colour. Never reads a file while a page is being written."""

import sqlite3
from functools import lru_cache

from lucide import get_default_db_path
from markupsafe import Markup

_ALL_ICONS = """
select a.alias, i.svg from icon_aliases a join icons i on i.name = a.name
union all
select name, svg from icons
"""


@lru_cache(maxsize=1)
def _drawings() -> dict[str, str]:
    # An sqlite handle belongs to one thread and page handlers run in many, so
    # the whole set (about 1 MB) is read once and the handle closed.
    connection = sqlite3.connect(f"file:{get_default_db_path()}?mode=ro&immutable=1", uri=True)
    try:
        return {name: _strokes(svg) for name, svg in connection.execute(_ALL_ICONS)}
    finally:
        connection.close()


def _strokes(svg: str) -> str:
    start = svg.index(">", svg.index("<svg")) + 1
    return "".join(line.strip() for line in svg[start : svg.rindex("</svg>")].splitlines())


@lru_cache(maxsize=512)
def icon(name: str, kind: str = "") -> Markup:
    """The named icon. It is always decoration: the word beside it carries the meaning.

    Raises KeyError for a name the icon set does not hold.
    """
    strokes = Markup(_drawings()[name])
    classes = f"icon {kind}".strip()
    return Markup(
        '<svg class="{}" viewBox="0 0 24 24" fill="none" stroke="currentColor" stroke-width="2" '
        'stroke-linecap="round" stroke-linejoin="round" aria-hidden="true" focusable="false">{}</svg>'
    ).format(classes, strokes)


_drawings()
