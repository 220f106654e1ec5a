"""The blender's worksheet outside of any visit, and the shop's own list of gases. A calculation: it records nothing.

It refuses what a visit would refuse, so nobody learns here how to do what must not be done there.
"""

from __future__ import annotations

import datetime as dt

from fastapi import APIRouter, Request
from starlette.responses import Response

from branch import gas_engine
from branch.node import Node
from branch.people import Session
from branch.web.gate import SignedIn, TheNode
from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.blend_form import asked_in, gases_in
from branch.web.pages.blend_view import CAUTIONS, PlanView, plan_view
from branch.web.pages.render import go, render
from branch.web.pages.staff import Manager
from branch.web.pages.steps_target import DEGREES_COOKIE
from cylinder.decide.blend_rules import Blender, judged
from cylinder.gases import MOST_GASES, GasOnHand
from cylinder.refusal import Reason, Refused

router = APIRouter(include_in_schema=False)

VALVE_WORDS = (
    ("yoke", "Yoke, 232 bar"),
    ("din 200", "Threaded, 232 bar"),
    ("din 300", "Threaded, 300 bar"),
)
METHOD_WORDS = (
    ("partial pressure", "Partial pressure"),
    ("banked mix", "A banked mix on top"),
    ("continuous", "Continuous, one stream"),
)
_SPARE_ROWS = 2


@router.get("/blend")
def worksheet(request: Request, node: TheNode, session: SignedIn) -> Response:
    """The empty sheet, or the plan for what was keyed; what was keyed stays where it was."""
    form = Posted(tuple(request.query_params.multi_items()))
    if not form.has("ask"):
        ticked = Posted(tuple(("gas", gas.name) for gas in node.gases.on_hand()))
        return _sheet(request, node, session, ticked)
    gas_engine.wait_until_warm()
    plan, reasons = _planned(node, session, form)
    trouble = Trouble(reasons, 422) if reasons else None
    return _sheet(request, node, session, form, plan=plan, trouble=trouble)


def _planned(node: Node, session: Session, form: Posted) -> tuple[PlanView | None, tuple[Reason, ...]]:
    """The plan, or every reason why there is none."""
    asked = asked_in(form, node.gases.on_hand())
    if isinstance(asked, tuple):
        return None, asked
    blender = Blender(node.gases.trained().get(session.person.actor.id), node.desk.today())
    try:
        way = judged(node.desk.rules, asked.question, asked.vessel, blender)
    except Refused as refused:
        return None, refused.reasons
    return plan_view(asked.question, way), ()


def _sheet(
    request: Request, node: Node, session: Session, form: Posted, *, plan: PlanView | None = None,
    trouble: Trouble | None = None,
) -> Response:  # fmt: skip
    return render(
        request, "blend.html", title="Blend", session=session, status=trouble.status if trouble else 200,
        kept=form, degrees=_scale(request, node, form), plan=plan, trouble=trouble, on_hand=node.gases.on_hand(), ticked=set(form.all("gas")),
        valves=VALVE_WORDS, methods=METHOD_WORDS, cautions=CAUTIONS, specs_options=_specs(node),
    )  # fmt: skip


def _scale(request: Request, node: Node, form: Posted) -> str:
    """Which scale the thermometer here has: as said, as remembered, or as the shop's unit suggests."""
    said = form.text("degrees") or request.cookies.get(DEGREES_COOKIE, "")
    return said if said in ("c", "f") else "f" if node.settings.unit == "psi" else "c"


def _specs(node: Node) -> list[tuple[str, str]]:
    """The types of cylinder that the rulebook knows, as they are stamped."""
    return [(key, key) for key in sorted(one.key for one in node.desk.rules.specifications)]


@router.get("/blend/gases")
def gases(request: Request, node: TheNode, session: SignedIn) -> Response:
    """What the shop blends with; a manager may change it."""
    return _list(request, node, session)


@router.post("/blend/gases")
def keep_gases(request: Request, node: TheNode, session: Manager, form: Form) -> Response:
    """The list in place of the one before."""
    found = gases_in(form, MOST_GASES)
    reasons = tuple(one for one in found if isinstance(one, Reason))
    if reasons:
        return _list(request, node, session, Trouble(reasons, 422), form)
    node.gases.keep(tuple(one for one in found if isinstance(one, GasOnHand)))
    return go("/blend/gases")


@router.post("/blend/people")
def keep_people(request: Request, node: TheNode, session: Manager, form: Form) -> Response:
    """Whose training to mix gas a manager has seen, and to which day it is good."""
    found: dict[str, dt.date | None] = {}
    reasons = []
    for one in node.people.staff():
        keyed = form.text(f"until_{one.actor.id}")
        try:
            found[one.actor.id] = dt.date.fromisoformat(keyed) if keyed else None
        except ValueError:
            words = f"{one.known_as}: {keyed[:20]} is no day. Key it as 2027-03-31."
            reasons.append(Reason("input.until", words, "input"))
    if reasons:
        return _list(request, node, session, Trouble(tuple(reasons), 422))
    for actor_id, until in found.items():
        node.gases.set_trained(actor_id, until)
    return go("/blend/gases")


def _list(
    request: Request, node: Node, session: Session, trouble: Trouble | None = None, form: Posted | None = None
) -> Response:
    on_hand = node.gases.on_hand()
    rows = min(MOST_GASES, len(on_hand) + _SPARE_ROWS)
    unit = next((gas.pressure.unit for gas in on_hand if gas.pressure), node.settings.unit)
    return render(
        request, "blend_gases.html", title="Gases on hand", session=session,
        status=trouble.status if trouble else 200, trouble=trouble,
        kept=form or as_keyed(on_hand, unit), rows=MOST_GASES if form else rows, on_hand=on_hand,
        staff=node.people.staff(), trained=node.gases.trained(),
    )  # fmt: skip


def as_keyed(gases: tuple[GasOnHand, ...], unit: str) -> Posted:
    """The list as its form would hold it."""
    pairs: list[tuple[str, str]] = [("unit", unit)]
    for n, gas in enumerate(gases):
        read = "" if gas.pressure is None else _in(gas, unit)
        litre = "" if gas.bottle_litre is None else f"{gas.bottle_litre:g}"
        pairs += [
            (f"name_{n}", gas.name), (f"oxygen_{n}", f"{gas.oxygen_percent:g}"), (f"helium_{n}", f"{gas.helium_percent:g}"),
            (f"gauge_{n}", read), (f"litre_{n}", litre), (f"price_{n}", f"{gas.price_per_m3:g}"),
        ]  # fmt: skip
    return Posted(tuple(pairs))


def _in(gas: GasOnHand, unit: str) -> str:
    assert gas.pressure is not None
    read = gas.pressure.pressure
    return f"{read.psi:.0f}" if unit == "psi" else f"{round(read.bar, 1):g}"
