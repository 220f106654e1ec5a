"""At the counter: take cylinders in, certification seen."""

from __future__ import annotations

from collections.abc import Iterator

from cylinder.around import Around
from cylinder.commands import Greet
from cylinder.decide.mix import sum_reasons
from cylinder.facts import CertificationSeen, CylinderReceived
from cylinder.recorded import NewFact, derived_id, visit_subject
from cylinder.refusal import Reason, refuse_if


def greet(command: Greet, around: Around) -> tuple[NewFact, ...]:
    """Two facts for each cylinder: received, certification seen. The visits' ids follow from the key.

    Whether it is clean enough for the mix is asked before gas flows, once it is known which cylinder it is.
    """
    gases = dict.fromkeys(taken.gas for taken in command.cylinders)
    unsafe = [reason for gas in gases for reason in sum_reasons(gas)]
    refuse_if([*_tags(command, around), *_gas_beyond_certification(command), *unsafe])
    facts: list[NewFact] = []
    for number, taken in enumerate(command.cylinders, start=1):
        visit_id = derived_id(command.key, f"visit {number}")
        received = CylinderReceived(
            visit_id=visit_id, tag=taken.tag, gas=taken.gas, number=number, of=len(command.cylinders)
        )
        seen = CertificationSeen(
            visit_id=visit_id,
            level=command.level,
            covers_nitrox=command.covers_nitrox,
            covers_trimix=command.covers_trimix,
        )
        facts += [
            NewFact(fact, visit_subject(visit_id), around.today, diver_ref=command.diver_ref)
            for fact in (received, seen)
        ]
    return tuple(facts)


def _tags(command: Greet, around: Around) -> Iterator[Reason]:
    wanted = [taken.tag for taken in command.cylinders]
    hanging = {visit.tag for visit in around.open_visits}
    for tag in sorted(set(wanted)):
        if wanted.count(tag) > 1:
            yield Reason("greet.tag-twice", f"Tag {tag} is given to two cylinders.")
        if tag in hanging:
            yield Reason("greet.tag-taken", f"Tag {tag} hangs on a cylinder that is still here.")


def _gas_beyond_certification(command: Greet) -> Iterator[Reason]:
    # Common practice, no source: a mix other than air is filled for a diver whose certification covers it.
    for taken in command.cylinders:
        if taken.gas.helium_percent and not command.covers_trimix:
            yield Reason(
                "greet.certification", f"{taken.gas.words} needs a certification that covers trimix."
            )
        elif not taken.gas.is_air and not (command.covers_nitrox or command.covers_trimix):
            yield Reason(
                "greet.certification", f"{taken.gas.words} needs a certification that covers nitrox."
            )
