"""The officer's pages: sign in, find a cylinder, its whole life, exposures, shops. Plain forms, no script needed."""

import datetime as dt
import hashlib
from pathlib import Path
from typing import Annotated, assert_never
from urllib.parse import quote
from uuid import UUID

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

import signage
from cylinder import facts
from network.admission import Rate
from network.api.callers import admit
from network.api.problems import Problem
from network.hub import Hub
from network.office.audit import fills_in_question
from network.office.documents import Shops
from network.office.look_up import all_exposures, all_shops, find_cylinders, life_of, unread
from network.office.people import Officer, Wait, plain_login, sign_in, sign_out
from network.office.same_cylinder import add_same_cylinder
from network.office.sessions import cookie_name, form_fields, officer_behind
from network.office.timeline import whole_life
from network.office.wrong_record import add_wrong_record

TEMPLATES = signage.environment([Path(__file__).parent / "templates"])
# Of one login from one address, so that nobody elsewhere can use up an officer's tries.
SIGN_INS = Rate(per_second=1, burst=20)
# Of one address under any login: each costs the hub a password hash of 64 MiB.
SIGN_INS_OF_AN_ADDRESS = Rate(per_second=2, burst=40)
IN_STEP_S = 60
# Shown at once; the steps of each visit are one click further.
TELLING_KINDS = frozenset(
    kind.KIND
    for kind in (
        facts.CylinderRegistered,
        facts.FillCompleted,
        facts.FillAborted,
        facts.VisitRefused,
        facts.VisitHeld,
        facts.VisitAbandoned,
        facts.OwnerNotified,
        facts.IdentitiesLinked,
        facts.IdentitiesSplit,
        facts.BlockAssigned,
    )
)
TOKEN_BYTES = 32
NO_BREAK = "\u00a0"


def routes(hub: Hub) -> APIRouter:
    """The pages, over this hub."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    behind = officer_behind(hub)
    cookie = cookie_name(is_https=hub.settings.is_https)

    def signed_in(request: Request, officer: Annotated[Officer | None, Depends(behind)]) -> Officer:
        if officer is None:
            back = request.url.path + (f"?{request.url.query}" if request.url.query else "")
            raise Problem(
                303,
                "sign-in",
                "Sign in first",
                headers={"location": f"/office/sign-in?next={quote(back, safe='')}"},
            )
        return officer

    reading = Annotated[Officer, Depends(signed_in)]

    @router.get("/")
    def front() -> Response:
        return RedirectResponse("/office", 303)

    @router.get("/office/sign-in")
    def ask_sign_in(next: Annotated[str, Query(max_length=400)] = "/office") -> Response:
        return _page(hub, "sign_in.html", None, next=_ours(next), login="", error="")

    @router.post("/office/sign-in")
    def do_sign_in(request: Request, fields: Annotated[dict[str, str], Depends(form_fields)]) -> Response:
        onward, login = _ours(fields.get("next", "/office")), fields.get("login", "")
        admit_sign_in(hub, "" if request.client is None else request.client.host, login)
        token = hub.world.draw(TOKEN_BYTES).hex()
        with hub.database.transaction() as tx:
            found = sign_in(tx, login, fields.get("password", ""), token, now=hub.world.clock())
        match found:
            case Officer():
                answer: Response = RedirectResponse(onward, 303)
                answer.set_cookie(
                    cookie, token, httponly=True, samesite="strict", secure=hub.settings.is_https, path="/"
                )
                return answer
            case Wait(seconds=seconds):
                error, status = f"Too many wrong tries. Wait {seconds} s, then try again.", 429
            case None:
                error, status = "Login and password do not fit together.", 401
            case _:
                assert_never(found)
        return _page(hub, "sign_in.html", None, status=status, next=onward, login=login[:63], error=error)

    @router.post("/office/sign-out")
    def do_sign_out(request: Request, fields: Annotated[dict[str, str], Depends(form_fields)]) -> Response:
        del fields
        with hub.database.transaction() as tx:
            sign_out(tx, request.cookies.get(cookie, ""))
        answer = RedirectResponse("/office/sign-in", 303)
        answer.delete_cookie(cookie, path="/", secure=hub.settings.is_https, httponly=True, samesite="strict")
        return answer

    @router.get("/office")
    def find(officer: reading, q: Annotated[str, Query(max_length=64)] = "") -> Response:
        with hub.database.transaction() as tx:
            found = find_cylinders(tx, q)
            exposures = all_exposures(tx)
        return _page(hub, "find.html", officer, q=q, found=found, exposures=exposures)

    @router.get("/office/cylinders/{cylinder_id}")
    def cylinder(officer: reading, cylinder_id: UUID, every: bool = False) -> Response:
        with hub.database.transaction() as tx:
            life = life_of(tx, cylinder_id)
        if life is None:
            raise Problem(
                404, "cylinder", "The network has no record of this cylinder", "Find it by its serial."
            )
        drawing = whole_life(life, hub.world.clock().date())
        rows = [row for row in life.history if every or row.effect != "neutral" or row.kind in TELLING_KINDS]
        return _page(hub, "life.html", officer, life=life, drawing=drawing, rows=rows)

    @router.get("/office/exposures")
    def exposures(officer: reading) -> Response:
        with hub.database.transaction() as tx:
            found = all_exposures(tx)
        return _page(hub, "exposures.html", officer, found=found)

    @router.get("/office/audit")
    def audit(officer: reading) -> Response:
        with hub.database.transaction() as tx:
            found = fills_in_question(tx)
        return _page(hub, "audit.html", officer, found=found)

    @router.get("/office/shops")
    def shops(officer: reading) -> Response:
        return _page(hub, "shops.html", officer, found=_shops(hub))

    add_wrong_record(router, hub, signed_in, _page, _day)
    add_same_cylinder(router, hub, signed_in, _page)

    return router


def problem_page(hub: Hub, problem: Problem) -> Response:
    """A refusal as a page for a person."""
    if problem.status == 303:
        return RedirectResponse(problem.headers["location"], 303)
    page = _page(hub, "problem.html", None, status=problem.status, problem=problem)
    page.headers.update(problem.headers)
    return page


def admit_sign_in(hub: Hub, address: str, login: str) -> None:
    """Take a token of who tries to sign in, or refuse with 429."""
    # Hashed, so that a key in Redis is short and does not show at a glance what somebody keyed as a login.
    for rate, who in (
        (SIGN_INS, f"{address}\n{plain_login(login)}"),
        (SIGN_INS_OF_AN_ADDRESS, address),
    ):
        admit(hub, f"office:sign-in:{hashlib.sha256(who.encode()).hexdigest()}", rate)


def _page(
    hub: Hub, template: str, officer: Officer | None, *, status: int = 200, **words: object
) -> Response:
    now = hub.world.clock()
    not_read = 0
    if officer is not None:
        with hub.database.transaction() as tx:
            not_read = unread(tx)
    mast = signage.Mast(
        title="Safety desk",
        clock="",  # shops and officer may be in different zones: every time on these pages names its own
        now_ms=int(now.timestamp() * 1000),
        chips=() if officer is None else (_step_chip(_shops(hub), now),),
        practice=hub.world.is_practice,
    )
    html = TEMPLATES.get_template(template).render(
        mast=mast,
        officer=officer,
        day=_day,
        month=_month,
        moment=_moment,
        ms=_ms,
        now=now,
        not_read=not_read,
        has_find=template != "find.html" or bool(words.get("q")),
        **({"q": ""} | words),
    )
    return HTMLResponse(html, status)


def _shops(hub: Hub) -> Shops:
    contacts = hub.hearing.contacts()
    with hub.database.transaction() as tx:
        return all_shops(tx, contacts)


def _step_chip(found: Shops, now: dt.datetime) -> signage.Chip:
    """How many shops hold everything and were heard in the last minute."""
    branches = [shop for shop in found.shops if shop.role == "branch" and not shop.is_revoked]
    late = [
        shop
        for shop in branches
        if shop.behind or shop.heard_at is None or (now - shop.heard_at).total_seconds() > IN_STEP_S
    ]
    words = f"{len(branches) - len(late)} of {len(branches)}"
    return signage.Chip("store", "Shops in step", words, kind="hold" if late else "")


def _ours(path: str) -> str:
    """A page of the office to go on to; anything else is the front page (no open redirect)."""
    is_ours = path == "/office" or path.startswith(("/office/", "/office?"))
    return path if is_ours and "\\" not in path and path.isprintable() else "/office"


def _day(day: dt.date) -> str:
    return f"{day.day} {day:%b %Y}".replace(" ", NO_BREAK)


def _month(year_month: str | None) -> str:
    if year_month is None:
        return "not recorded at a bench"
    return f"{dt.date.fromisoformat(year_month + '-01'):%b %Y}".replace(" ", NO_BREAK)


def _moment(at: dt.datetime) -> str:
    utc = at.astimezone(dt.UTC)
    return f"{utc.day} {utc:%b %Y}".replace(" ", NO_BREAK) + f" {utc:%H:%M}{NO_BREAK}UTC"


def _ms(at: dt.datetime) -> int:
    return int(at.timestamp() * 1000)
