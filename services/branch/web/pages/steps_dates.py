"""The dates off the metal: the requalification stamp with its signs and its kind, then the look inside; recorded together."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from starlette.responses import Response

from branch.web.pages.asking import Form, Posted, Trouble
from branch.web.pages.steps_frame import (
    NOTHING,
    At,
    TheVisit,
    answer,
    asked,
    month_in,
    not_recorded,
    page,
)
from branch.web.pages.steps_rail import stamped
from cylinder import commands as c
from cylinder.decide.shoulder import reading_of
from cylinder.refusal import Reason, Refused
from cylinder.stamps import DateMark
from rulebook import Pack, YearMonth

router = APIRouter()

KINDS = (("tested", "Tested in this month"), ("expires", "Good until this month"))
_ABOUT_THE_STAMP = ("dates.kind", "dates.plus-ahead", "dates.differs-from-shoulder")


@dataclass(frozen=True, slots=True)
class SignShown:
    """One sign that may stand behind a date, and what it means here."""

    symbol: str
    words: str


def show_dates(at: At, trouble: Trouble | None = None, form: Posted = NOTHING) -> Response:
    """The requalification stamp first, the inside look after it."""
    if form.has("requalified") and not _is_about_the_stamp(trouble):
        return page(
            at,
            "dates_inside",
            trouble=trouble,
            kept=form,
            requalified=form.text("requalified"),
            carried=_carried(form),
        )
    typed = _typed(at)
    rules = at.around.rules
    return page(
        at,
        "dates",
        trouble=trouble,
        kept=_keyed_or_typed(form, typed),
        first_test=stamped(at.visit.marks.first_test) if at.visit.marks else "",
        is_typed=typed is not None and not form.pairs,
        kinds=KINDS if rules.stamped_date == "either" else (),
        which=rules.rule("stamp.which") if rules.stamped_date == "either" else None,
        signs=_signs(rules),
    )


@router.post("/dates")
def read_dates(at: TheVisit, form: Form) -> Response:
    """The first pad leads to the second, which records both."""

    def make() -> c.ReadDates:
        inside = None if form.has("no_inside") else month_in(form, "inside")
        requalified = form.text("requalified")
        stamp = {"kind": form.maybe("kind"), "signs": form.all("sign")}
        is_said = form.has("kind") or form.has("sign")
        return c.ReadDates.model_validate(
            asked(
                at,
                form,
                looked_inside=inside,
                requalified=None if requalified == "none" else requalified,
                stamp=stamp if is_said and requalified != "none" else None,
            )
        )

    if form.has("requalified"):
        return answer(at, form, make, show_dates)
    try:
        stamp = "none" if form.has("no_requalified") else str(YearMonth.parse(month_in(form, "requalified")))
    except Refused as refused:
        return not_recorded(at, Trouble(refused.reasons), form, show_dates)
    except ValueError as wrong:
        words = f"{str(wrong)[:1].upper()}{str(wrong)[1:]}."
        return not_recorded(at, Trouble((Reason("input.requalified", words, "input"),)), form, show_dates)
    return show_dates(at, None, Posted((("requalified", stamp), *_carried(form))))


def _typed(at: At) -> DateMark | None:
    """The latest test on the shoulder typed in this visit; none where that is in doubt, or only the first one was typed."""
    reading = reading_of(at.visit.shoulder, at.around.today)
    latest = reading.latest_requalification if reading is not None else None
    return latest if reading is not None and latest in reading.stamps.requalifications else None


def _keyed_or_typed(form: Posted, typed: DateMark | None) -> Posted:
    """What was keyed here; on a page that nobody has answered, what was typed off the shoulder."""
    if typed is None or form.pairs:
        return form
    return Posted(
        (
            ("requalified_month", str(typed.month.month)),
            ("requalified_year", str(typed.month.year)),
            *(("sign", sign) for sign in typed.suffixes),
        )
    )


def _signs(rules: Pack) -> tuple[SignShown, ...]:
    """The signs that these rules know; a plus is stamped in any country, and told."""
    known = [SignShown(mark.symbol, mark.rule.words) for mark in rules.marks if mark.symbol]
    return tuple(known)


def _carried(form: Posted) -> tuple[tuple[str, str], ...]:
    """What was said around the date, on to the form that records both."""
    if form.has("no_requalified"):
        return ()
    return tuple((name, value) for name in ("kind", "sign") for value in form.all(name) if value)


def _is_about_the_stamp(trouble: Trouble | None) -> bool:
    return trouble is not None and any(
        reason.rule_id.startswith(("dates.requalified", "input.requalified", *_ABOUT_THE_STAMP))
        for reason in trouble.reasons
    )
