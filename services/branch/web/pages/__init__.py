"""The pages of a shop. One page, one template, one function, one question answered."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import FastAPI, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from cylinder.refusal import Reason


def install(app: FastAPI) -> None:
    """Add every page to the app."""


async def refused(request: Request, reasons: Sequence[Reason]) -> Response:
    """Every reason at once, with what was keyed still there."""
    return PlainTextResponse("\n".join(reason.words for reason in reasons), 409)


async def sign_in_needed(request: Request, back_to: str) -> Response:
    """To the sign-in, and back afterwards."""
    return RedirectResponse("/sign-in", 303)


async def broken(request: Request, words: str) -> Response:
    """A red page: nothing was recorded, do not fill."""
    return PlainTextResponse(words, 500)
