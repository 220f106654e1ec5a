"""Errors for programs, as RFC 9457 problem details. Pages say the same in words, from the same reasons."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict

from cylinder.refusal import Reason


class ReasonDocument(BaseModel):
    """One reason of a refusal."""

    model_config = ConfigDict(frozen=True)

    rule_id: str
    words: str
    source: str
    clause: str = ""
    edition: str = ""


class Problem(BaseModel):
    """RFC 9457 problem details; `reasons` is ours and holds every reason at once."""

    model_config = ConfigDict(frozen=True)

    type: str = "about:blank"
    title: str
    status: int
    detail: str = ""
    reasons: tuple[ReasonDocument, ...] = ()


def problem(status: int, title: str, detail: str = "", reasons: Sequence[Reason] = ()) -> JSONResponse:
    """The response for a problem."""
    document = Problem(
        type="about:blank" if not reasons else "urn:filltrail:problem:refused",
        title=title,
        status=status,
        detail=detail,
        reasons=tuple(
            ReasonDocument(
                rule_id=r.rule_id, words=r.words, source=r.source, clause=r.clause, edition=r.edition
            )
            for r in reasons
        ),
    )
    return JSONResponse(
        document.model_dump(mode="json"), status_code=status, media_type="application/problem+json"
    )
