"""What a page says when it cannot be what was asked for: refused, not found, broken. Nothing was recorded by the first two."""

from __future__ import annotations

import html
from collections.abc import Sequence

import structlog
from fastapi import Request
from fastapi.responses import HTMLResponse
from starlette.responses import Response

from branch.web.pages.render import render
from cylinder.refusal import Reason

log = structlog.get_logger("branch.web")

_BARE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Do not fill</title></head>
<body><main><h1>Do not fill.</h1><p>{words}</p><p><a href="/">To the board</a></p></main></body></html>"""


def refused(request: Request, reasons: Sequence[Reason], *, status: int = 409) -> Response:
    """Every reason at once, where the page that asked is not known."""
    return render(request, "refused.html", stream="", status=status, reasons=tuple(reasons))


def not_found(request: Request, words: str = "There is no such page.", *, status: int = 404) -> Response:
    """Not here, in words."""
    return render(request, "not_found.html", stream="", status=status, words=words)


def broken(request: Request, words: str) -> Response:
    """A red page: do not fill, and look at the board whether this was recorded."""
    try:
        return render(request, "broken.html", stream="", status=500, words=words)
    except (
        Exception
    ) as wrong:  # Whatever is broken may break the frame too; the words must come all the same.
        log.error("bug", error=type(wrong).__name__, exc_info=wrong)
        return HTMLResponse(_BARE.format(words=html.escape(words)), 500)
