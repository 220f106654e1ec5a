"""Which cylinder is it? The marks, the look-alikes, the second reading, keyed without being shown the first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.responses import Response

from branch.store import views as look
from branch.web.pages.asking import Form, Posted, Trouble, misread, uuid_or_none
from branch.web.pages.shoulder import filled, shown, typed_at
from branch.web.pages.steps_frame import (
    LABELS,
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    month_in,
    not_recorded,
    page,
    stopped,
)
from branch.web.pages.words import day
from cylinder import commands as c
from cylinder.around import LookAlike
from cylinder.marks import Marks
from cylinder.near import bare
from cylinder.standing import Standing
from rulebook import Pack, spec_list

router = APIRouter()


@dataclass(frozen=True)
class LookAlikeRow:
    """One record that this cylinder may be, as the list shows it. Its rating is not among it."""

    id: str
    serial: str
    marks: str
    why: str
    standing: str
    is_clear: bool


def show(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The marks, or what has to be said next about marks that were keyed."""
    if trouble is not None and any("first_test" in reason.rule_id for reason in trouble.reasons):
        return page(
            at, "first_test", trouble=trouble, kept=form, carried=_carried(form, without="first_test")
        )
    if trouble is None or trouble.status == 422:
        return _marks(at, trouble, form)
    found = _look_alikes(at, form)
    if trouble.has("identify.second-reading") or trouble.has("identify.marks-differ"):
        return page(at, "second_reading", kept=form, near=_blocked_words(at, found), carried=_carried(form))
    if trouble.has("identify.cannot-tell-apart"):
        rows = tuple(row_of(one, at.shops) for one in found if not one.standing.is_clear)
        return page(at, "cannot_tell", trouble=trouble, kept=form, rows=rows, carried=_carried(form))
    if trouble.has("identify.look-alike"):
        rows = tuple(row_of(one, at.shops) for one in found)
        return page(at, "look_alikes", kept=form, rows=rows, carried=_carried(form))
    return _marks(at, trouble, form)


@router.post("/identify")
def identify(at: TheVisit, form: Form) -> Response:
    """Say which cylinder it is. Asked to read the shoulder, it shows the reading and records nothing."""
    form = typed_at(form)
    if form.has("shoulder") and (form.has("read") or form.has("instead")):
        return stopped(at) or _marks(at, None, filled(form, at.around.today, at.around.rules))
    if form.has("first_test_year") or form.has("first_test_month"):
        return answer(at, form, lambda: _command(at, form), show)
    try:
        # Faults of the first three marks are told before the date is asked; the date here is no claim.
        Marks.model_validate({**_stamps(form), "first_test": "2000-01"})
    except ValidationError as wrong:
        return not_recorded(at, Trouble(misread(wrong, LABELS), 422), form, _marks)
    return stopped(at) or page(at, "first_test", kept=form, carried=_carried(form))


def marks_in(form: Posted) -> dict[str, str]:
    """The marks as keyed: the type from the list, or as typed where it is not in it."""
    return {**_stamps(form), "first_test": month_in(form, "first_test")}


def spec_options(rules: Pack) -> list[tuple[str, str]]:
    """The types of the rulebook for a list to choose from."""
    return [("", "Choose"), *((key, key) for key in spec_list(rules))]


def standing_words(standing: Standing, shops: Mapping[str, str]) -> str:
    """What is held against a cylinder, in one sentence."""
    if standing.is_clear:
        return "Nothing against it, as far as this shop has heard."
    block = standing.blocks[0]
    where = shops.get(block.node, block.node)
    return f"{block.words} {day(block.performed_on)} at {where}: {block.reason}"


def _stamps(form: Posted) -> dict[str, str]:
    return {
        "serial": form.text("serial"),
        "maker": form.text("maker"),
        "spec": form.text("spec_typed") or form.text("spec"),
    }


def _command(at: At, form: Posted) -> c.Identify:
    return c.Identify.model_validate(
        asked(
            at,
            form,
            marks=marks_in(form),
            second_serial=form.maybe("second_serial"),
            chosen=uuid_or_none(form.text("chosen")),
            is_another=form.has("is_another"),
            shoulder=form.text("shoulder"),
        )
    )


def _marks(at: At, trouble: Trouble | None, form: Posted) -> Response:
    if trouble is not None and trouble.has("identify.readings-differ"):
        form = Posted(tuple(pair for pair in form.pairs if pair[0] != "serial"))
    read = shown(form.text("shoulder"), at.around.today, at.around.rules) if form.has("shoulder") else None
    return page(at, "identify", trouble=trouble, kept=form, specs=spec_options(at.node.desk.rules), read=read)


def _look_alikes(at: At, form: Posted) -> tuple[LookAlike, ...]:
    serial = form.text("serial")
    if not bare(serial):
        return ()
    with at.node.store.reading() as cursor:
        return look.near_serial(cursor, serial)


def _carried(form: Posted, *, without: str = "none of them") -> tuple[tuple[str, str], ...]:
    """What goes along to the next form, unseen."""
    kept = ("serial", "maker", "spec", "spec_typed", "first_test_month", "first_test_year", "second_serial",
            "chosen", "is_another", "shoulder")  # fmt: skip
    return tuple((name, form.text(name)) for name in kept if form.has(name) and not name.startswith(without))


def row_of(one: LookAlike, shops: Mapping[str, str]) -> LookAlikeRow:
    """A look-alike as a list shows it."""
    marks = one.marks
    return LookAlikeRow(
        id=str(one.cylinder_id),
        serial=marks.serial,
        marks=f"{marks.maker} {marks.spec}, first test {marks.first_test[5:7]} {marks.first_test[:4]}".strip(),
        why=one.likeness.why,
        standing=standing_words(one.standing, shops),
        is_clear=one.standing.is_clear,
    )


def _blocked_words(at: At, found: tuple[LookAlike, ...]) -> tuple[str, ...]:
    """Why a second reading is asked, without the signs: whoever has seen them reads them on the metal."""
    nearest = [one.standing.blocks[0] for one in found if not one.standing.is_clear]
    return tuple(f"{block.words} {day(block.performed_on)} at {at.shop(block.node)}" for block in nearest)
