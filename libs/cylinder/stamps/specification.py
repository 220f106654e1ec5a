"""The mark of the specification and the service pressure behind it: DOT-3AL3000, CTC/DOT-3AL3000, TC-3ALM207.

Owns who gave a specification and what its pressure may be. Where look-alike signs allow another reading, it is said as well.
"""

from __future__ import annotations

import re
from typing import Final

from cylinder.near import bare, skeleton, slips
from cylinder.stamps.figures import WRONG_LENGTH, Figures
from cylinder.stamps.reading import Authority, SpecificationMark
from cylinder.stamps.spelled import IN_BAR, SPECIFICATIONS, Body, read_bodies, unit_of
from cylinder.stamps.typed import ALONE_BEFORE, Typed, loose
from gas.pressure import HIGHEST_USUAL_BAR, LOWEST_USUAL_BAR, Pressure, Unit, odd_unit_question

AUTHORITIES: Final = ("DOT", "ICC", "CTC", "CRC", "BTC", "TC")
AUTHORITY: Final = "(?:" + "|".join(loose(one, "[. ]?") for one in AUTHORITIES) + r")\.?"
_HEAD: Final = re.compile(
    rf"{ALONE_BEFORE}{AUTHORITY}(?:[ /+&\-]{{1,3}}{AUTHORITY})*(?![A-Z])[ \-./_,]{{0,3}}"
)
_BARE: Final = re.compile(r"(?<![A-Z0-9/.,\-])[34](?=[A-Z1])")
_UNKNOWN: Final = re.compile(r"[0-9]?[A-Z]{1,5}(?:[ \-]?[0-9]{3,4}(?![0-9]))?|[0-9]+[A-Z0-9]{0,6}")
_MARK_LIKE: Final = re.compile(r"(?=[0-9]*[A-Z])[0-9A-Z]{2,4}[ \-]?[0-9]{3,4}(?![A-Z0-9])")
_MARK_SOURCE: Final = "49 CFR 178.35(f)(1), 2015 edition"


def read_specifications(typed: Typed) -> tuple[SpecificationMark, ...]:
    """Every mark that says whose specification it is; only without one, a specification that stands alone."""
    marks: list[SpecificationMark] = []
    for head in typed.find(_HEAD):
        mark = _read_behind(typed, head)
        if mark is not None:
            marks.append(mark)
    if not marks:
        marks.extend(_read_bare(typed))
    return tuple(dict.fromkeys(marks))


def authorities_in(typed: Typed, at: tuple[int, int]) -> tuple[Authority, ...]:
    """The authorities written there, as they are meant; a misread sign is remarked on."""
    meant: list[Authority] = []
    for word in re.finditer(AUTHORITY, typed.signs[at[0] : at[1]]):
        written = bare(word[0])
        for authority in AUTHORITIES:
            if skeleton(authority) == skeleton(written):
                places = [n for n, sign in enumerate(word[0]) if sign.isalnum()]
                for place, one, other in zip(places, written, authority, strict=True):
                    typed.misread(at[0] + word.start() + place, one, other, "authority")
                meant.append(authority)
    return tuple(dict.fromkeys(meant))


def _read_behind(typed: Typed, head: re.Match[str]) -> SpecificationMark | None:
    bodies = read_bodies(typed.open, head.end())
    if not bodies:
        # TC alone may be somebody's sign; the others stand for nothing else.
        if bare(head[0])[:3] in AUTHORITIES or (
            len(bare(head[0])) > 2 and _MARK_LIKE.match(typed.open, head.end())
        ):
            _remark_on_unknown(typed, head)
        return None
    body = bodies[0]
    authorities = authorities_in(typed, head.span())
    pressure = _settle(typed, bodies)
    _check_authority(typed, authorities, body, head)
    typed.take(head.start(), body.end, "specification")
    return SpecificationMark(authorities, body.spec, pressure)


def _read_bare(typed: Typed) -> list[SpecificationMark]:
    for start in typed.find(_BARE):
        bodies = [body for body in read_bodies(typed.open, start.start()) if len(body.spec) > 1]
        if not bodies or not (bodies[0].figures.written or len(bodies[0].spec) > 2):
            continue
        body = bodies[0]
        if body.figures.cost >= WRONG_LENGTH or (not body.figures.written and body.misread):
            continue
        at = (start.start(), body.end)
        words = f"Who gave the specification {body.spec} is missing: DOT, ICC, CTC or TC stands before it."
        typed.remark("authority.missing", "hold", "authority", words, at, source=_MARK_SOURCE)
        pressure = _settle(typed, bodies)
        typed.take(*at, "specification")
        return [SpecificationMark((), body.spec, pressure)]
    return []


def _settle(typed: Typed, bodies: list[Body]) -> Pressure | None:
    """Take the cheapest reading, say what is misread in it, and name the others where it is not the plain one."""
    body = bodies[0]
    for place, sign in body.misread:
        typed.misread(place, typed.signs[place], sign, "specification")
    others = tuple(
        dict.fromkeys(
            other.words
            for other in bodies[1:]
            if body.cost
            and body.figures.cost < WRONG_LENGTH
            and other.figures.written
            and other.cost <= body.cost + 1
            and other.words != body.words
        )
    )
    if others and body.figures.written:
        words = f"This can be read in more than one way; it is read as {body.words}. Look at the metal again."
        typed.remark(
            "specification.ambiguous",
            "hold",
            "specification",
            words,
            (body.start, body.end),
            alternatives=others,
        )
    return pressure_of(typed, body.figures, body.unit, after=body.spec, at=(body.spec_end - 1, body.spec_end))


def pressure_of(
    typed: Typed, figures: Figures, unit: Unit, *, after: str, at: tuple[int, int]
) -> Pressure | None:
    """The pressure in the figures, or None with the reason; `at` is where it should have stood."""
    if not figures.written:
        words = f"The service pressure behind {after} is missing."
        typed.remark("pressure.missing", "hold", "pressure", words, at, source=_MARK_SOURCE)
        return None
    at = (figures.start, figures.end)
    for place, sign in enumerate(typed.signs[figures.start : figures.end], figures.start):
        if sign.isalpha():
            typed.misread(place, sign, skeleton(sign), "pressure")
    said = figures.unit or unit
    _check_plus_behind(typed, figures)
    if not _is_a_pressure(typed, figures, said, at, after):
        return None
    pressure = Pressure(float(figures.digits), said)
    if said != unit:
        words = f"{pressure.words()} is written, but {after} is stamped in {unit}. Which of the two is on the metal?"
        alternatives = (f"{pressure.value:.0f} {unit}", f"{pressure.twin().value:.0f} {unit}")
        typed.remark("pressure.unit", "hold", "pressure", words, at, alternatives=alternatives)
    return pressure


def _is_a_pressure(typed: Typed, figures: Figures, unit: Unit, at: tuple[int, int], after: str) -> bool:
    length = len(figures.digits)
    if unit == "bar" and length == 4:
        as_bar = Pressure(float(figures.digits), "psi").bar
        words = f"{figures.digits} cannot be bar, and {after} is stamped in bar. It looks like psi."
        alternatives = (f"{as_bar:.0f} bar, if {figures.digits} is psi", "a mark in psi")
        typed.remark("pressure.psi_in_bar", "refuse", "pressure", words, at, alternatives=alternatives)
        return False
    if length not in ((3,) if unit == "bar" else (3, 4)):
        many = "three" if unit == "bar" else "three or four"
        words = f"A service pressure in {unit} has {many} digits, and {figures.digits[:20]} has {length}."
        typed.remark("pressure.length", "refuse", "pressure", words, at, source=_MARK_SOURCE)
        return False
    if figures.digits.startswith("0"):
        words = f"No pressure begins with 0: {figures.digits} is misread, or a sign is missing before it."
        typed.remark("pressure.leading_zero", "refuse", "pressure", words, at)
        return False
    pressure = Pressure(float(figures.digits), unit)
    question = odd_unit_question(pressure)
    if question is None and not LOWEST_USUAL_BAR <= pressure.bar <= HIGHEST_USUAL_BAR:
        question = f"{pressure.words_in_both()} is no usual rating. Is a sign missing or misread?"
    if question is not None:
        typed.remark("pressure.unusual", "hold", "pressure", question, at)
    return True


def _check_plus_behind(typed: Typed, figures: Figures) -> None:
    plus = re.compile(r"\s?\+").match(typed.open, figures.past)
    if plus is not None:
        words = "A plus belongs behind a test date, not behind the pressure: it says nothing here."
        typed.remark(
            "plus.place",
            "refuse",
            "requalification",
            words,
            plus.span(),
            source="49 CFR 173.302a(b)(5), 2015 edition",
        )
        typed.take(*plus.span())


def _check_authority(
    typed: Typed, authorities: tuple[Authority, ...], body: Body, head: re.Match[str]
) -> None:
    at = (head.start(), body.spec_end)
    if body.spec in IN_BAR and "TC" not in authorities and "CTC" not in authorities:
        words = f"{body.spec} is a metric specification of TC, and {authorities[0]} stands before it."
        typed.remark(
            "authority.metric", "refuse", "specification", words, at, alternatives=(f"TC-{body.spec}",)
        )
    elif body.spec not in IN_BAR and set(authorities) == {"TC"}:
        metric = body.spec + "M"
        words = f"TC marks are metric, as {metric}, and {body.spec} is not."
        alternatives = (
            *((f"TC-{metric}",) if metric in IN_BAR else ()),
            f"CTC-{body.spec}",
            f"DOT-{body.spec}",
        )
        typed.remark("authority.not_metric", "refuse", "specification", words, at, alternatives=alternatives)


def _remark_on_unknown(typed: Typed, head: re.Match[str]) -> None:
    """Say that no specification is known there, and which ones are one slip away."""
    found = _UNKNOWN.match(typed.open, head.end())
    if found is None:
        words = f"A specification should stand behind {bare(head[0])[:12]}."
        typed.remark("specification.missing", "refuse", "specification", words, head.span())
        typed.take(*head.span())
        return
    spec = re.sub(r"[ \-]?[0-9]{3,4}$", "", found[0]) or found[0]
    near = [one for one in SPECIFICATIONS if skeleton(one) in slips(skeleton(spec))] if len(spec) <= 6 else []
    words = f"“{spec}” is no specification known here."
    alternatives = tuple(sorted(near, key=lambda one: (unit_of(one) == "bar", len(one), one))[:5])
    typed.remark(
        "specification.unknown", "refuse", "specification", words, found.span(), alternatives=alternatives
    )
    typed.take(head.start(), found.end())
