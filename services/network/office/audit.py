"""The last audit of all fills, with the names that people call shops and cylinders by. Reads only; decides nothing."""

from __future__ import annotations

from collections.abc import Iterable

from cylinder.standing import Standing
from network.audit import FillJudged, last_audit
from network.office.documents import Audit, FillInQuestion
from network.office.look_up import Names, names
from network.store.database import Tx

NOT_READ = "not read"
some_standings = "select cylinder_id, document from cylinder_standing where cylinder_id = any(%s)"


def fills_in_question(tx: Tx) -> Audit:
    """What the last run found, fills that a shop knew better than to make first."""
    found = last_audit(tx)
    if found is None:
        return Audit()
    called = names(tx)
    ids = sorted({one.cylinder_id for one in (*found.knew, *found.cannot_say)})
    serials = {
        row["cylinder_id"]: _serial(Standing.model_validate_json(row["document"]))
        for row in tx.execute(some_standings, (ids,))
    }

    def shown(some: Iterable[FillJudged]) -> tuple[FillInQuestion, ...]:
        return tuple(_in_question(one, serials.get(one.cylinder_id, NOT_READ), called) for one in some)

    return Audit(
        at=found.at,
        position=found.position,
        fills=found.fills,
        could_not_have_known=found.could_not_have_known,
        knew=shown(found.knew),
        cannot_say=shown(found.cannot_say),
    )


def _in_question(one: FillJudged, serial: str, called: Names) -> FillInQuestion:
    return FillInQuestion(
        fill_id=one.fill_id,
        cylinder_id=one.cylinder_id,
        serial=serial,
        shop=called.shop(one.node),
        filled_on=one.performed_on,
        seen_position=one.seen_position,
        held=tuple(f"{block.words} at {called.shop(block.node)}" for block in one.blocks),
    )


def _serial(standing: Standing) -> str:
    return standing.marks[-1].serial if standing.marks else NOT_READ
