"""Every refusal as RFC 9457 problem details, whoever refuses: the hub, the framework, the database.

Signed like every other answer, so that a node can tell the hub's refusal from a proxy's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import psycopg
import structlog
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from psycopg_pool import PoolTimeout
from pydantic import BaseModel, ConfigDict, JsonValue
from starlette.exceptions import HTTPException

from eventlog.answer import sign_answer
from eventlog.wire import SIGNED_HEADER, HeadDocument

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_TROUBLE_S = 2

log = structlog.get_logger("api")


class ProblemDocument(BaseModel):
    """RFC 9457, with the members that Filltrail adds to some problems."""

    model_config = ConfigDict(extra="allow")

    type: str
    title: str
    status: int
    detail: str = ""
    answer: str | None = None
    head: HeadDocument | None = None


class Problem(Exception):
    """A refusal on its way to the caller. `name` makes its type, urn:filltrail:problem:NAME."""

    def __init__(
        self,
        status: int,
        name: str,
        title: str,
        detail: str = "",
        *,
        members: Mapping[str, JsonValue] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(f"{status} {title}")
        self.status = status
        self.name = name
        self.title = title
        self.detail = detail
        self.members = dict(members or {})
        self.headers = dict(headers or {})


Page = Callable[[Request, Problem], Response]


def answer_problems(app: FastAPI, key: Ed25519PrivateKey, *, page: Page, pages_at: str) -> None:
    """Make every error of this application a problem document; below `pages_at`, a page for a person."""

    def written(request: Request, problem: Problem) -> Response:
        if request.url.path.startswith(pages_at):
            return page(request, problem)
        return as_document(problem, key)

    def problem(request: Request, wrong: Exception) -> Response:
        assert isinstance(wrong, Problem)
        return written(request, wrong)

    def invalid(request: Request, wrong: Exception) -> Response:
        assert isinstance(wrong, RequestValidationError)
        # Where and why, never what was sent: it may be a person's name.
        reasons: list[JsonValue] = [
            f"{'.'.join(str(part) for part in found['loc'])}: {found['msg']}" for found in wrong.errors()
        ]
        detail = "; ".join(str(reason) for reason in reasons)
        return written(
            request, Problem(422, "invalid", "The request is not valid", detail, members={"reasons": reasons})
        )

    def plain(request: Request, wrong: Exception) -> Response:
        assert isinstance(wrong, HTTPException)
        return written(request, Problem(wrong.status_code, "http", wrong.detail, headers=wrong.headers or {}))

    def database(request: Request, wrong: Exception) -> Response:
        log.error("database trouble", path=request.url.path, error=type(wrong).__name__)
        return written(
            request,
            Problem(
                503,
                "database",
                "The hub's database does not answer",
                "Nothing was lost: ask again.",
                headers={"retry-after": str(RETRY_AFTER_TROUBLE_S)},
            ),
        )

    def crash(request: Request, wrong: Exception) -> Response:
        del wrong  # the server logs it with its traceback
        log.error("crash", path=request.url.path)
        return written(request, Problem(500, "crash", "The hub made a mistake", "It is logged."))

    app.add_exception_handler(Problem, problem)
    app.add_exception_handler(RequestValidationError, invalid)
    app.add_exception_handler(HTTPException, plain)
    app.add_exception_handler(psycopg.Error, database)
    app.add_exception_handler(PoolTimeout, database)
    app.add_exception_handler(Exception, crash)


def as_document(problem: Problem, key: Ed25519PrivateKey) -> Response:
    """The problem as a signed response."""
    document = ProblemDocument.model_validate(
        {
            "type": f"urn:filltrail:problem:{problem.name}",
            "title": problem.title,
            "status": problem.status,
            "detail": problem.detail,
            **problem.members,
        }
    )
    body = document.model_dump_json(exclude_none=True).encode()
    headers = {SIGNED_HEADER: sign_answer(body, key), "cache-control": "no-store", **problem.headers}
    return Response(body, status_code=problem.status, media_type=MEDIA_TYPE, headers=headers)


def documented(*statuses: int) -> dict[int | str, dict[str, object]]:
    """The `responses` of a route in OpenAPI for these refusals."""
    return {
        status: {
            "description": "Problem details (RFC 9457)",
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDocument"}}},
        }
        for status in statuses
    }
