"""A small service that shows every sign on invented data, for the tests and for looking.

Run `python tests/signage/specimen.py 8099` and open http://127.0.0.1:8099/. Never part of the product.
"""

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

import signage
from signage import Check, Chip, Link, Mast, Plate, Rail, Rating

NOW_MS = 1_781_343_720_000
PLAN = (
    ("Greet", ("diver", "gas")),
    ("Look over", ("outside", "dates", "rated", "standing")),
    ("Connect", ("people", "blow", "whip", "residual")),
    ("Fill", ("target", "fill", "analyse")),
    ("Tape", ("bleed", "tape", "set down")),
)
FULL = {
    1: 3000,
    2: 3000,
    3: 3442,
    5: 3000,
    6: 3300,
    8: 3000,
    10: 3000,
    12: 3000,
    16: 3300,
    19: 3000,
    22: 3000,
    23: 2640,
}
OTHERS = {
    4: ("whip", "3000", 0.65),
    7: ("bench", "not read", None),
    9: ("hold", "2400", None),
    11: ("whip", "EAN32 3442", 0.34),
    14: ("bench", "not read", None),
    15: ("waiting", "not read", None),
    17: ("stop", "", None),
    18: ("hot", "3000", None),
    20: ("waiting", "not read", None),
    21: ("analyse", "EAN32 3000", None),
    24: ("ready", "3442", None),
}
PEOPLE = Chip("users", "People out", since_ms=NOW_MS - 200_000, limit_s=1200)
OPEN_CHECKS = ("Certification", "Outside", "Hydro", "Inside look", "Standing")
DONE = ("Open water", "Good", "04 2024", "02 2026", "2 min old")


def checks(done: int) -> tuple[Check, ...]:
    return tuple(
        Check(name, DONE[place], "done") if place < done else Check(name)
        for place, name in enumerate(OPEN_CHECKS)
    )


def rail(done: int, *, tag: str = "14", read: bool = False) -> Rail:
    return Rail(
        tag,
        "Air",
        ("Cylinder 2 of 2", "for this diver"),
        Plate("B0471-8Q", "3AL", "3000" if read else "", "04 19"),
        Rating("3000", "psi", "207 bar, read 09:41 by JM") if read else None,
        checks=checks(done),
    )


def mast(title: str, *, night: bool | None, back: str = "Board", stream: str = "") -> Mast:
    return Mast(title, "09:42", NOW_MS, Link("/board", back) if back else None, (PEOPLE,), stream, night)


BENCH_RAIL = Rail(
    "17",
    "Bench",
    plate=Plate("P2209-14", "3AL", "3000", "11 88"),
    shows_rating=False,
    checks=(
        Check("Outside", "Good", "done"),
        Check("Inside, walls", "Light pitting", "done"),
        Check("Neck threads", "Crack", "stop"),
        Check("Valve", "Not fitted", "hold"),
    ),
)


class Box:
    """What the specimen remembers: every record it was sent, and how it should behave."""

    def __init__(self) -> None:
        self.records: list[dict[str, str]] = []
        self.beats = True

    async def page(self, request: Request) -> Response:
        name = request.path_params["name"]
        stream = "/stream" if request.query_params.get("stream") else ""
        night = {"1": True, "0": False}.get(request.query_params.get("night", ""))
        return self.render(name, night=night, stream=stream, far=request.query_params.get("far") == "1")

    def render(
        self, name: str, *, night: bool | None, stream: str = "", far: bool = False, status: int = 200
    ) -> Response:
        title = {
            "board": "Harbour bay",
            "desk": "Safety desk",
            "parts": "Every part",
            "condemn": "Inspection, R. Okafor",
        }.get(name, "Tag 14, Ana Duarte")
        back = "" if name in {"board", "desk"} else "Board"
        shown = mast(title, night=night, back=back, stream=stream)
        done = {"outside": 1, "dates": 2, "rated": 3}.get(name, 5)
        read = name in {"fill", "tape", "people"}
        html = PAGES.get_template(f"{name}.html").render(
            mast=shown,
            rail=BENCH_RAIL if name == "condemn" else rail(done, read=read),
            stage_list=signage.stages(PLAN, name) if name in STEPS else (),
            full=FULL,
            others=OTHERS,
            far=far,
            refused=status != 200,
        )
        return HTMLResponse(html, status)

    async def record(self, request: Request) -> Response:
        form = {key: str(value) for key, value in (await request.form()).items()}
        self.records.append(form)
        if form.get("rated") == "9999":
            return self.render("rated", night=None, status=422)
        return RedirectResponse("/p/standing", 303)

    async def stream(self, _: Request) -> Response:
        return StreamingResponse(self.news(), media_type="text/event-stream")

    async def news(self) -> AsyncIterator[str]:
        """At most two minutes of it, so that no forgotten page keeps the specimen alive."""
        for count in range(240):
            if self.beats:
                yield f"event: beat\ndata: {json.dumps({'now_ms': NOW_MS + count * 500})}\n\n"
            if count == 2:
                face = PAGES.from_string(
                    "{% from 'signage/macros.html' import face %}{{ face('hold', '15', '2400') }}"
                ).render()
                yield f"event: picture\ndata: {json.dumps({'elements': {'tile-15': face}})}\n\n"
            await asyncio.sleep(0.5)


PAGES = signage.environment([Path(__file__).parent / "specimen_pages"])
STEPS = frozenset(step for _, steps in PLAN for step in steps)


async def front(_: Request) -> Response:
    return RedirectResponse("/p/board")


def specimen() -> tuple[Starlette, Box]:
    box = Box()
    app = Starlette(
        routes=[
            Route("/", front),
            Route("/board", front),
            Route("/stream", box.stream),
            Route("/record", box.record, methods=["POST"]),
            Route("/p/{name}", box.page),
        ]
    )
    signage.install(app)
    signage.guard(app)
    return app, box


if __name__ == "__main__":
    uvicorn.run(specimen()[0], port=int(sys.argv[1]), log_level="warning")
