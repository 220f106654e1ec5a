"""Certificates on the staff page, and what becomes of an inspector's work when they leave."""

from __future__ import annotations

import datetime as dt
from uuid import UUID

from tests.branch.a_shop import MARKS, Shop
from tests.branch.web_floor.conftest import Tablet, a_tablet

from branch.store.rows import standing_row
from cylinder import commands as c
from cylinder.refusal import Refused
from cylinder.standing import Standing


def standing(shop: Shop, cylinder: UUID) -> Standing:
    with shop.node.store.reading() as cursor:
        found = standing_row(cursor, cylinder)
    assert found is not None
    return found


def renew(boss: Tablet, shop: Shop, **values: str | list[str]) -> str:
    sent = boss.send(boss.get("/staff"), f"/staff/{shop.actors['inspector'].id}/certificate", **values)
    return boss.get("/staff").text if sent.status_code == 303 else sent.text


def test_a_certificate_is_warned_of_for_thirty_days_and_good_on_its_last_day(shop: Shop) -> None:
    boss = a_tablet(shop, role="manager")
    until = shop.node.desk.today() + dt.timedelta(days=31)
    new: dict[str, str | list[str]] = {
        "certificate": "V-77",
        "certificate_until": until.isoformat(),
        "covers": ["visual inspection"],
    }
    refused = renew(boss, shop, **{**new, "covers": []})
    assert "Say what the certificate is for." in refused
    assert refused.count('value="V-77"') == 1  # Where it was keyed, and not in the form for somebody new.
    assert refused.index('value="V-77"') < refused.index("Take somebody on")
    page = renew(boss, shop, **new)
    assert "Certificate good to 16 July 2026" in page
    assert "V-77, for visual inspection" in page
    for days, words in ((1, "runs out in 30 days"), (29, "runs out in 1 day,"), (1, "today: its last day")):
        shop.clock.move(dt.timedelta(days=days))
        boss.sign_in("manager")
        assert words in boss.get("/staff").text
    inspector = a_tablet(shop, role="inspector")
    cylinder = shop.do(c.Register, marks=MARKS).cylinder_id
    assert "What did you find?" in inspector.get(f"/bench/{cylinder}/inspect").text
    shop.clock.move(dt.timedelta(days=1))
    inspector.sign_in("inspector")
    boss.sign_in("manager")
    assert "certificate has run out" in inspector.get(f"/bench/{cylinder}/inspect").text
    assert "run out 16 July 2026: judges nothing" in boss.get("/staff").text


def test_what_an_inspector_cleared_stands_when_they_leave_and_nothing_after_counts(shop: Shop) -> None:
    boss = a_tablet(shop, role="manager")
    leaver = shop.actors["inspector"]
    before, after = (
        shop.do(c.Register, marks=MARKS.model_copy(update={"serial": serial})).cylinder_id
        for serial in ("AB1001", "XY7333")
    )
    assert before is not None
    assert after is not None
    for cylinder in (before, after):
        shop.do(c.PlaceHold, cylinder_id=cylinder, reason="Rattle inside")
    shop.do(c.PassVisual, by="inspector", cylinder_id=before, performed_on=shop.node.desk.today())
    boss.send(boss.get("/staff"), f"/staff/{leaver.id}/dismiss", sure="yes")
    assert standing(shop, before).is_clear
    assert leaver.id not in {one.actor.id for one in shop.node.people.staff()}
    refused = a_refusal(shop, after)
    assert "bench.not-on-record" in refused
    assert not standing(shop, after).is_clear


def a_refusal(shop: Shop, cylinder: UUID) -> set[str]:
    """The same person asks the desk itself, as a program with an old session would."""
    try:
        shop.do(c.PassVisual, by="inspector", cylinder_id=cylinder, performed_on=shop.node.desk.today())
    except Refused as refused:
        return {one.rule_id for one in refused.reasons}
    return set()
