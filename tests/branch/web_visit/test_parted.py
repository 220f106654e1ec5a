"""Two records that the safety desk parted again: each block that both carry has a form of its own, and goes where it belongs."""

from __future__ import annotations

import asyncio
from pathlib import Path
from uuid import UUID

from tests.branch.a_hub import AHub, shop_at
from tests.branch.a_shop import MARKS, Clock, Shop
from tests.branch.web_floor.conftest import a_tablet

from branch.store.rows import standing_row
from cylinder import commands as c
from cylinder import facts as f
from cylinder.recorded import HUB, actor_subject, cylinder_subject


def held_on(shop: Shop, cylinder_id: UUID) -> dict[str, UUID]:
    with shop.node.store.reading() as cursor:
        standing = standing_row(cursor, cylinder_id)
    assert standing is not None
    return {block.reason: block.id for block in standing.blocks}


def parted_by(hub: AHub, shop: Shop, one: UUID, other: UUID) -> None:
    """The hub says that they are one, and then that they are not after all."""
    asyncio.run(shop.node.sync.push_all())
    officer = f.ActorCertified(
        actor_id=HUB,
        known_as="Safety officer",
        role="officer",
        certificate="S-1",
        certificate_until="2030-01-01",
    )
    hub.says(officer.KIND, actor_subject(HUB), officer.model_dump(mode="json"))
    carried = tuple(held_on(shop, one).values()) + tuple(held_on(shop, other).values())
    linked = f.IdentitiesLinked(other=other, why="One shop read O", evidence="Photograph 12")
    hub.says(linked.KIND, cylinder_subject(one), linked.model_dump(mode="json"))
    link = hub.state.feed[-1].link.envelope.event.id
    split = f.IdentitiesSplit(
        links=(link,), parts=(one, other), carried=carried, why="Both stood here", evidence="Photograph 13"
    )
    hub.says(split.KIND, cylinder_subject(one), split.model_dump(mode="json"), role="officer")
    asyncio.run(shop.node.sync.pull_all())


def test_each_block_that_both_carry_has_its_own_form_and_goes_where_it_belongs(tmp_path: Path) -> None:
    hub = AHub(Clock())
    shop = shop_at(hub, tmp_path, "pier")
    one = shop.do(c.Register, marks=MARKS).cylinder_id
    other = shop.do(c.Register, marks=MARKS.model_copy(update={"serial": "XY7333"})).cylinder_id
    assert one is not None
    assert other is not None
    shop.do(c.PlaceHold, cylinder_id=one, reason="Rattle inside")
    shop.do(c.PlaceHold, cylinder_id=other, reason="Valve leaks")
    parted_by(hub, shop, one, other)
    both = held_on(shop, one)
    assert set(both) == set(held_on(shop, other)) == {"Rattle inside", "Valve leaks"}
    tablet, here = a_tablet(shop, role="inspector"), f"/cylinders/{one}/identity"
    page = tablet.get(here).text
    assert page.count("It belongs to this one") == 2
    fields = [part.split('"', 1)[0] for part in page.split(' id="')[1:]]
    assert len(fields) == len(set(fields))  # A label leads to the field of its own block.
    asked = {"key": str(shop.node.world.new_id()), "block_id": str(both["Rattle inside"])}
    refused = tablet.post(f"{here}/block", {**asked, "finding": "Loose tube", "last_four": "9999"})
    assert (refused.status_code, refused.text.count("Loose tube")) == (409, 1)
    found = tablet.post(f"{here}/block", {**asked, "finding": "Loose tube", "last_four": "0718"})
    assert found.status_code == 303
    assert set(held_on(shop, one)) == {"Rattle inside", "Valve leaks"}
    assert set(held_on(shop, other)) == {"Valve leaks"}
