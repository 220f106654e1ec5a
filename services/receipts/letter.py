"""The words of a receipt: what a diver carries away, as plain text and as HTML that say the same. Pure.

Owns what is said and how it looks. Must never call a cylinder full that the network blocks, round a depth towards
danger, load anything from elsewhere, or depend on the day it is sent: a repeat of it is the same letter.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal
from uuid import UUID

import css_inline
from jinja2 import Environment, PackageLoader, StrictUndefined

from cylinder.facts import FillPlanned, GasAnalysed
from cylinder.fill_plan import ONE_MARK, most_on_gauge, plan_of
from cylinder.marks import KeyedPressure
from cylinder.standing import Standing
from cylinder.visit import Visit
from gas.depth import WORKING_OXYGEN_ATM, mod_ft_shown, mod_m_shown
from gas.mixture import AIR_LOWEST_OXYGEN_FRACTION, Mix
from gas.pressure import Pressure, Unit
from gas.quantity import in_unit
from receipts.shop import Shop
from rulebook import Pack, YearMonth, judge_requalification, judge_visual

SOON = dt.timedelta(days=31)
DEEPEST = f"Deepest (MOD) at {WORKING_OXYGEN_ATM:g} atm of oxygen"
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")

_templates = Environment(
    loader=PackageLoader("receipts", "templates"),
    autoescape=lambda name: name is not None and name.endswith(".html"),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_inliner = css_inline.CSSInliner(keep_at_rules=True, load_remote_stylesheets=False)


class Untellable(Exception):
    """The facts at hand do not make a receipt; the message says which is missing."""


@dataclass(frozen=True, slots=True)
class Given:
    """One cylinder of a hand-over, and what the network holds against it by now."""

    visit: Visit
    standing: Standing
    filled_by: str = ""


@dataclass(frozen=True, slots=True)
class HandOver:
    """What was handed over, on the shop's own date."""

    id: UUID
    on: dt.date
    shop: Shop
    given: tuple[Given, ...]


@dataclass(frozen=True, slots=True)
class Letter:
    """Ready to be put into a mail."""

    subject: str
    text: str
    html: str


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that was read, and what it is called."""

    label: str
    value: str
    is_stamp: bool = False


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to act on. `stop`: do not use. `soon`: plan for it."""

    kind: Literal["stop", "soon"]
    head: str
    words: str


@dataclass(frozen=True, slots=True)
class Card:
    """One cylinder as the letter shows it."""

    tag: str
    word: str
    gas: str
    pressure: str
    unit: str
    twin: str
    lines: tuple[Line, ...]
    notices: tuple[Notice, ...]

    @property
    def is_stopped(self) -> bool:
        return any(notice.kind == "stop" for notice in self.notices)


def letter(handover: HandOver, diver_name: str, pack: Pack) -> Letter:
    """The receipt of one hand-over. Raises Untellable when a fill, a rating or the marks are not among its facts."""
    in_order = sorted(handover.given, key=lambda one: (one.visit.tag, str(one.visit.id)))
    cards = tuple(_card(one, handover.on, pack) for one in in_order)
    if not cards:
        raise Untellable("the hand-over has no cylinder")
    stopped = [card for card in cards if card.is_stopped]
    shown = {
        "title": _title(cards, stopped, diver_name),
        "subtitle": _subtitle(handover),
        "shop": handover.shop,
        "cards": cards,
        "number": str(handover.id)[:8],
        "some_are_full": len(stopped) < len(cards),
        "has_depth": any(line.label == DEEPEST for card in cards for line in card.lines),
        "phone_link": "".join(sign for sign in handover.shop.phone if sign in "+0123456789"),
    }
    which = "your cylinder" if len(cards) == 1 else "tag " + " and ".join(card.tag for card in stopped)
    subject = (
        f"Do not use {which} from {handover.shop.name}"
        if stopped
        else f"{_cylinders(len(cards)).capitalize()} filled at {handover.shop.name}"
    )
    return rendered(subject, "receipt", shown)


def rendered(subject: str, template: str, shown: Mapping[str, object]) -> Letter:
    """A letter from its two templates, which say the same."""
    return Letter(
        subject=subject,
        text=_templates.get_template(f"{template}.txt").render(shown).strip() + "\n",
        html=_inliner.inline(_templates.get_template(f"{template}.html").render(shown)),
    )


def _title(cards: tuple[Card, ...], stopped: list[Card], diver_name: str) -> str:
    if stopped:
        which = "it" if len(cards) == 1 else "tag " + " and ".join(card.tag for card in stopped)
        return f"{diver_name}, do not use {which}"
    return f"{diver_name}, your {_cylinders(len(cards))} {'is' if len(cards) == 1 else 'are'} full"


def _subtitle(handover: HandOver) -> str:
    names = sorted({one.filled_by for one in handover.given if one.filled_by})
    by = f" Filled by {' and '.join(names).rstrip('.')}." if names else ""
    return f"Handed over at {handover.shop.name} on {day(handover.on)}.{by}"


def _cylinders(count: int) -> str:
    if count == 1:
        return "cylinder"
    return f"{_NUMBERS[count] if count < len(_NUMBERS) else count} cylinders"


def _card(given: Given, on: dt.date, pack: Pack) -> Card:
    visit = given.visit
    if visit.completed is None or visit.marks is None:
        missing = "fill" if visit.completed is None else "reading of the marks"
        raise Untellable(f"the visit of tag {visit.tag} has no {missing} that this software understands")
    end, rated = visit.completed.end, visit.completed.rated
    date_lines, date_notices = _dates(given, on, pack)
    notices = (*_stops(given), *date_notices)
    mix = _mix(visit.analysed)
    gas_lines, gas_notices = _gas(visit, mix)
    is_stopped = any(notice.kind == "stop" for notice in (*notices, *gas_notices))
    return Card(
        tag=str(visit.tag),
        word="DO NOT USE" if is_stopped else "FULL",
        gas=visit.gas.words if mix is None else mix.words(),
        pressure=end.words.removesuffix(f" {end.unit}"),
        unit=end.unit,
        twin=_twin(end),
        lines=(
            Line("Rated, read off the stamp", rated.pressure.words_in_both()),
            Line("Came in with", visit.completed.start.pressure.words_in_both()),
            *_settles(visit, end.unit),
            *gas_lines,
            Line("Serial", visit.marks.serial, is_stamp=True),
            *date_lines,
        ),
        notices=(*notices, *gas_notices),
    )


def _settles(visit: Visit, unit: Unit) -> tuple[Line, ...]:
    """A warm gauge reads high, and may rightly stand above the rating: what it comes to is said beside it."""
    blend, plan = _blend_settles(visit), plan_of(visit)
    if blend is not None:
        return (Line("At 21 °C (70 °F)", f"about {in_unit(blend, unit).words_in_both()} (estimate)"),)
    if plan is None or plan.room_c is None:
        return ()
    if plan.settles_to_bar is None or plan.settles_within_bar is None or _ended_short(visit, plan):
        return (Line("At 21 °C (70 °F)", "less than the gauge showed warm, and at most the target"),)
    settles = in_unit(Pressure(plan.settles_to_bar, "bar"), unit)
    within = in_unit(Pressure(plan.settles_within_bar, "bar"), unit)
    return (
        Line(
            "At 21 °C (70 °F)", f"about {settles.words_in_both()}, give or take {within.words()} (estimate)"
        ),
    )


def _ended_short(visit: Visit, plan: FillPlanned) -> bool:
    """Whether the fill ended before the gauge stood where it was planned to: then less is in it than was foreseen."""
    done = visit.completed
    return done is not None and done.end.pressure.bar < plan.stop.pressure.bar - ONE_MARK.bar


def _blend_settles(visit: Visit) -> Pressure | None:
    """What a blend comes to as its last measurement tells; None for any other fill, or where that is not of its end."""
    blending, done = visit.blending, visit.completed
    if blending is None or done is None:
        return None
    last = blending.plan
    is_of_its_end = (last.question.read, last.question.limit) == (done.end, done.rated)
    if not is_of_its_end or last.settles_to_bar is None or last.settles_to_bar < 0:
        return None
    return Pressure(last.settles_to_bar, "bar")


def _twin(end: KeyedPressure) -> str:
    twin = end.pressure.twin()
    return f"{twin.value:.0f} {twin.unit}"


def _stops(given: Given) -> tuple[Notice, ...]:
    """What was found after the hand-over, or by another shop at the same time, must reach the diver with the receipt."""
    notices = [
        Notice(
            "stop",
            f"Do not use this cylinder. {block.words} on {day(block.performed_on)}.",
            f"Reason: {' '.join(block.reason.split()).rstrip('.')}. Leave the valve shut and speak to the shop.",
        )
        for block in given.standing.blocks
    ]
    return (*notices, *_overfilled(given.visit))


def _overfilled(visit: Visit) -> tuple[Notice, ...]:
    """A blend is judged by what it settles to, for its steps are planned for a warm gauge; any other fill by its gauge."""
    completed, most, blend = visit.completed, most_on_gauge(visit), _blend_settles(visit)
    if completed is None:
        return ()
    ask = f"It showed {completed.end.pressure.words_in_both()}. Ask the shop what was done about it first."
    if blend is not None:
        # As the shop's own hold: by more than a gauge can be off.
        is_over = blend.bar > completed.rated.pressure.bar + ONE_MARK.bar
        return (Notice("stop", "What is in it settles above the rated pressure.", ask),) if is_over else ()
    if not completed.end.pressure.is_above(most or completed.rated.pressure):
        return ()
    is_over = completed.end.pressure.is_above(completed.rated.pressure)
    above = "the rated pressure" if is_over else "what was planned"
    return (Notice("stop", f"The gauge stood above {above} when the fill ended.", ask),)


def _mix(analysed: GasAnalysed | None) -> Mix | None:
    """What was measured; None when nothing was, or when the two readings cannot both be true."""
    if analysed is None:
        return None
    try:
        return Mix(analysed.oxygen_percent / 100, analysed.helium_percent / 100)
    except ValueError:
        return None


def _gas(visit: Visit, mix: Mix | None) -> tuple[tuple[Line, ...], tuple[Notice, ...]]:
    analysed = visit.analysed
    if analysed is None or mix is None:
        if visit.gas.is_air and analysed is None:
            return (Line("Gas", "Air"),), ()
        asked = f"{visit.gas.words} was asked for and no analysis is on record. Have it analysed first."
        return (Line("Gas", f"{visit.gas.words}, not analysed"),), (
            Notice("stop", "Do not breathe it yet.", asked),
        )
    helium = f", {analysed.helium_percent:g} % helium" if analysed.helium_percent else ""
    lines = [Line("Gas", mix.words()), Line("Analysed", f"{analysed.oxygen_percent:g} % oxygen{helium}")]
    notices: list[Notice] = []
    if mix.oxygen_fraction == 0:
        notices.append(Notice("stop", "Do not breathe it.", "The analysis shows no oxygen."))
    elif (
        mix.words() != "Air"
    ):  # For air the oxygen is not what limits the depth, so the figure would mislead.
        lines.append(Line(DEEPEST, f"{mod_m_shown(mix)} m ({mod_ft_shown(mix)} ft)"))
    if mix.oxygen_fraction < AIR_LOWEST_OXYGEN_FRACTION:
        words = "Breathed at or near the surface it can make you pass out without warning. Use it only as you were trained to."
        notices.append(Notice("soon", "This gas holds less oxygen than air.", words))
    if visit.taken is not None:
        words = "You took it as what it reads, and not as what you asked for: plan by the figures here."
        notices.append(Notice("soon", f"{visit.gas.words} was asked for, {mix.words()} is in it.", words))
    if visit.signed is not None:
        lines.append(Line("Signed for", "by you, after you read the analysis"))
    return tuple(lines), tuple(notices)


def _dates(given: Given, on: dt.date, pack: Pack) -> tuple[tuple[Line, ...], tuple[Notice, ...]]:
    """Good-to dates from what was read in this visit and from the bench's later records, as the desk judges them too."""
    visit, standing = given.visit, given.standing
    assert visit.marks is not None
    read = visit.dates
    requalified = _latest(read.requalified if read else None, standing.requalified) or visit.marks.first_test
    looked_inside = _latest(read.looked_inside if read else None, standing.looked_inside)
    _, test_due = judge_requalification(pack, visit.marks.spec, YearMonth.parse(requalified), on)
    _, look_due = judge_visual(pack, YearMonth.parse(looked_inside) if looked_inside else None, on)
    # 49 CFR 180.205(c), 2015 edition: filled before it was due, a cylinder may be used until empty, then not filled.
    after_test = "What is in it by then may be used up; no shop fills it again until it is requalified."
    after_look = "No shop of this network fills it after that until it has been looked into again."
    lines, notices = [], []
    for label, due, after in (
        ("Requalification good to", test_due, after_test),
        ("Inside look good to", look_due, after_look),
    ):
        lines.append(Line(label, "not known, ask the shop" if due is None else day(due.last_day())))
        if due is not None and due.last_day() - on <= SOON:
            notices.append(Notice("soon", f"{label} {day(due.last_day())} only.", after))
    return tuple(lines), tuple(notices)


def _latest(one: str | None, other: str | None) -> str | None:
    """The later of two months written YYYY-MM, which sort as text."""
    return max((month for month in (one, other) if month is not None), default=None)


def day(date: dt.date) -> str:
    """'13 June 2026', in English whatever the machine's locale."""
    return f"{date.day} {_MONTHS[date.month - 1]} {date.year}"


_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
