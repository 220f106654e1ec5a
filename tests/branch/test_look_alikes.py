"""However many clear records are near a serial, the blocked one is among what the counter is shown."""

from __future__ import annotations

from itertools import product
from pathlib import Path
from uuid import UUID

from tests.branch.a_shop import MARKS, make_shop

from branch.store import views as look
from branch.store.views import MOST_CLEAR_LOOK_ALIKES
from cylinder import commands as c


def test_no_blocked_record_is_cut_off_the_list(tmp_path: Path) -> None:
    shop = make_shop(tmp_path)
    clear = ["K" + "".join(signs) for signs in product("0O", repeat=4)]
    for serial in clear:
        shop.do(c.Register, marks=MARKS.model_copy(update={"serial": serial}), is_another=True)
    blocked: list[UUID] = []
    for serial in ("K0007", "K00O07"):
        marks = MARKS.model_copy(update={"serial": serial, "maker": "QV"})
        made = shop.do(c.Register, marks=marks, is_another=True).cylinder_id
        assert made is not None
        blocked.append(made)
    for made, last in zip(blocked, ("0007", "0O07"), strict=True):
        shop.condemn(made, last_four=last)
    with shop.node.store.reading() as cursor:
        found = look.near_serial(cursor, "K0000")
    assert {one.cylinder_id for one in found if not one.standing.is_clear} == set(blocked)
    assert sum(one.standing.is_clear for one in found) == MOST_CLEAR_LOOK_ALIKES < len(clear)
    assert [one.likeness.distance for one in found] == sorted(one.likeness.distance for one in found)
