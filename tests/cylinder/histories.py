"""Facts of every kind that can change a standing, in themes, from which random histories are drawn.

Every theme has its good news and what takes it away again: a history of two or three themes meets what a network
meets in years. All from fixed names: a history is the same wherever it is drawn.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from random import Random
from uuid import UUID

from tests.cylinder.given import (
    HERE,
    INSPECTOR,
    KNOWN,
    NEXT_DOOR,
    NOW,
    OFFICER,
    OPERATOR,
    OTHER,
    TODAY,
    a_fact,
    an_id,
    certified,
    marked,
    origin,
    psi,
    registered,
)

from cylinder import facts as f
from cylinder.around import Actor
from cylinder.facts import Fact, UnknownFact
from cylinder.gather import Filed
from cylinder.recorded import HUB, Origin, Recorded, actor_subject, node_subject
from cylinder.standing import Standing

THIRD = an_id("a third cylinder on record")
CYLINDERS = (KNOWN, OTHER, THIRD)
COLLEAGUE = Actor("in-9", "inspector", certificate="C-109")
SECOND_OFFICER = Actor("of-2", "officer")
LONG_AGO, LATELY, YESTERDAY = (TODAY - dt.timedelta(days=days) for days in (900, 40, 1))
_KEY = f"first key of {NEXT_DOOR}"
_LOG = an_id(f"first log of {NEXT_DOOR}")


def of_hub(fact: Fact, name: str, subject: str, *, on: dt.date = TODAY, by: Actor = OFFICER) -> Recorded:
    """A fact that the hub recorded."""
    return a_fact(fact, name, subject=subject, actor=by, node=HUB, performed_on=on)


def withdrawn(
    actor: Actor, node: str = NEXT_DOOR, *, since: dt.date = TODAY, on: dt.date = TODAY
) -> Recorded:
    """From a day on somebody judges nothing."""
    fact = f.ActorWithdrawn(actor_id=actor.id, from_date=since, why="Left")
    return a_fact(
        fact, f"{actor.id} withdrawn at {node} on {on} since {since}",
        subject=actor_subject(actor.id), node=node, performed_on=on,
    )  # fmt: skip


def revoked(
    *cuts: int, node: str = NEXT_DOOR, kind: type[f.KeyRevoked | f.NodeSuspected] = f.KeyRevoked
) -> Recorded:
    """The first key of a node is in doubt, but for its first log up to a cut."""
    fact = kind(
        node=node, key_id=f"first key of {node}", reason="Stolen",
        trusted=tuple(f.TrustedTo(inc=an_id(f"first log of {node}"), seq=cut) for cut in cuts),
    )  # fmt: skip
    return of_hub(fact, f"{kind.KIND} {node} {cuts}", node_subject(node))


def suspected(*cuts: int, node: str = NEXT_DOOR) -> Recorded:
    """The same, until somebody lifts it."""
    return revoked(*cuts, node=node, kind=f.NodeSuspected)


def lifted(*suspicions: Recorded, node: str = NEXT_DOOR) -> Recorded:
    """Somebody looked."""
    fact = f.SuspicionLifted(node=node, suspicions=tuple(one.id for one in suspicions), finding="One node")
    return of_hub(fact, f"lifted {[str(one.id) for one in suspicions]}", node_subject(node))


def linked(one: UUID = KNOWN, other: UUID = OTHER, *, by: Actor = OPERATOR, node: str = HERE) -> Recorded:
    """Two records are one cylinder."""
    return a_fact(
        f.IdentitiesLinked(other=other), f"link {one} {other} {node}", cylinder=one, actor=by, node=node
    )


def split(
    *links: Recorded, carried: Iterable[UUID] = (), parts: tuple[UUID, ...] = (KNOWN, OTHER), by: Actor = OFFICER,
    node: str = HUB,
) -> Recorded:  # fmt: skip
    """They are not."""
    fact = f.IdentitiesSplit(
        links=tuple(one.id for one in links), parts=parts, carried=tuple(carried), why="Two cylinders"
    )
    name = f"split {fact.links} {fact.carried} {parts} {by.id} {node}"
    return a_fact(fact, name, cylinder=parts[0], actor=by, node=node)


def assigned(block: Recorded, to: UUID, *, by: Actor = INSPECTOR, node: str = NEXT_DOOR) -> Recorded:
    """An inspector found whose block it is."""
    fact = f.BlockAssigned(block=block.id, finding="The dent is on this one")
    return a_fact(fact, f"assigned {block.id} {to} {by.id} {node}", cylinder=to, actor=by, node=node)


def blocks_on(cylinder: UUID) -> tuple[Recorded, ...]:
    """A block of every kind, known or not, proven or not."""
    facts: tuple[Fact, ...] = (
        f.HoldPlaced(reason="Smells of oil"),
        f.VisualFailed(findings="Rust inside"),
        f.Rejected(reason="Deep pit", criterion_id="reject.outside", clause="49 CFR 180.205(h)"),
        f.Condemned(
            reason="Crack", criterion_id="condemn.cracking", criterion="Cracked.", clause="", serial_read="B0471"
        ),
        f.RenderedUnusable(how="Drilled"),
        f.Recalled(campaign="R-1", reason="Neck threads"),
        f.ReportedStolen(reason="Taken from a car"),
    )  # fmt: skip
    known = tuple(
        a_fact(fact, f"{fact.KIND} {cylinder}", cylinder=cylinder, performed_on=LATELY) for fact in facts
    )
    unheard_of = a_fact(
        UnknownFact(kind="cylinder.made_of_cheese", version=3), f"cheese {cylinder}", cylinder=cylinder
    )
    unproven = a_fact(
        f.HoldPlaced(reason="Dented"),
        f"unproven hold {cylinder}",
        cylinder=cylinder,
        at=origin(HERE, 7, proven=False),
    )
    return (*known, replace(unheard_of, kind="cylinder.made_of_cheese", effect="block"), unproven)


BLOCKS = {cylinder: blocks_on(cylinder) for cylinder in CYLINDERS}
LINK, LINK_BACK, FAR_LINK = linked(), linked(OTHER, KNOWN, node=NEXT_DOOR), linked(OTHER, THIRD)
PEOPLE = (
    certified(INSPECTOR, on=LONG_AGO),
    certified(INSPECTOR, HERE, on=LONG_AGO),
    certified(COLLEAGUE, HERE, on=LATELY, until=TODAY),
    certified(OFFICER, HUB, on=LONG_AGO),
    certified(SECOND_OFFICER, HUB, on=LONG_AGO),
    certified(OPERATOR, HERE, on=LONG_AGO),
)
"""Who is usually who. Drawn into most histories."""


def clear_on(
    cylinder: UUID, fact: Fact, named: Iterable[UUID], *, by: Actor = INSPECTOR, at: Origin | None = None,
    on: dt.date = YESTERDAY, node: str = NEXT_DOOR,
) -> Recorded:  # fmt: skip
    """A clear that names blocks, or links that it rests on."""
    ids = tuple(named)
    name = f"{fact.KIND} {cylinder} {ids} {by.id} {at} {on} {node}"
    return a_fact(fact, name, cylinder=cylinder, actor=by, node=node, at=at, performed_on=on, clears=ids)


def _clears() -> tuple[Recorded, ...]:
    made: list[Recorded] = []
    kinds: tuple[Fact, ...] = (
        f.HoldReleased(finding="Clean"),
        f.VisualPassed(rated=psi(3000)),
        f.Requalified(method="proof", rated=psi(2640)),
        f.Remedied(campaign="R-1", finding="Gauged"),
    )
    for cylinder in (KNOWN, OTHER):
        every = [block.id for block in BLOCKS[cylinder]]
        for fact in kinds:
            made += [
                clear_on(cylinder, fact, every),
                clear_on(cylinder, fact, every, by=COLLEAGUE, node=HERE, on=TODAY),
                clear_on(cylinder, fact, every, at=origin(NEXT_DOOR, 9)),
                clear_on(cylinder, fact, every, at=origin(NEXT_DOOR, 9, log="second"), on=LATELY),
                clear_on(cylinder, fact, every, at=origin(NEXT_DOOR, 9, proven=False)),
                clear_on(cylinder, fact, [*every, LINK.id]),
                clear_on(cylinder, fact, every, by=OPERATOR, node=HERE),
            ]
        made.append(clear_on(cylinder, f.StolenReportClosed(finding="Back"), every, by=OFFICER, node=HUB))
        made.append(clear_on(cylinder, f.StolenReportClosed(finding="Back"), every, by=OFFICER))
    carried = [block.id for block in BLOCKS[OTHER]]
    return (*made, clear_on(KNOWN, kinds[1], carried), clear_on(KNOWN, kinds[2], [*carried, FAR_LINK.id]))


def _annulment() -> tuple[Recorded, ...]:
    made: list[Recorded] = []
    for cylinder in (KNOWN, OTHER):
        block = next(one for one in BLOCKS[cylinder] if one.kind == f.Condemned.KIND)
        proposal = annulment_proposed(block)
        made += [
            proposal,
            annulment_seconded(block, proposal),
            annulment_seconded(block, proposal, node=NEXT_DOOR),
            annulled(block, proposal),
            annulled(block, proposal, after=dt.timedelta(hours=23)),
        ]
    return tuple(made)


def annulment_proposed(block: Recorded, *, by: Actor = OFFICER, node: str = HUB) -> Recorded:
    """It was the wrong record."""
    fact = f.AnnulmentProposed(block=block.id, why="Misread", evidence="Photograph 12", meant=OTHER)
    return replace(
        a_fact(fact, f"proposed {block.id} {by.id} {node}", subject=block.subject, actor=by, node=node),
        at=NOW,
    )


def annulment_seconded(
    block: Recorded, proposal: Recorded, *, by: Actor = INSPECTOR, node: str = HERE
) -> Recorded:
    """Another shop agrees."""
    fact = f.AnnulmentSeconded(proposal=proposal.id, block=block.id, finding="No crack")
    name = f"seconded {proposal.id} {block.id} {by.id} {node}"
    return a_fact(fact, name, subject=block.subject, actor=by, node=node)


def annulled(
    block: Recorded, proposal: Recorded, *, by: Actor = OFFICER, node: str = HUB,
    after: dt.timedelta = dt.timedelta(hours=24),
) -> Recorded:  # fmt: skip
    """So it is annulled."""
    fact = f.CondemnationAnnulled(proposal=proposal.id, why="Wrong record")
    name = f"annulled {proposal.id} {block.id} {by.id} {node} {after}"
    made = a_fact(fact, name, subject=block.subject, actor=by, node=node, clears=(block.id,))
    return replace(made, at=NOW + after)


SUSPICION = suspected(5)
DOUBTS = (
    revoked(),
    revoked(5),
    revoked(9),
    SUSPICION,
    revoked(0, node=HERE),
    suspected(node=HUB),
    revoked(node=HUB),
)
WITHDRAWALS = (
    withdrawn(INSPECTOR),
    withdrawn(INSPECTOR, since=LATELY),
    withdrawn(INSPECTOR, HUB, since=LONG_AGO, on=LATELY),
    withdrawn(COLLEAGUE, HERE),
    withdrawn(OFFICER, HUB, since=YESTERDAY),
)
LINKS = (LINK, LINK_BACK, FAR_LINK, linked(KNOWN, THIRD, by=OFFICER, node=HUB))
CLEARS = _clears()
_FROM_NEWER_SOFTWARE = (
    replace(DOUBTS[0], id=an_id("newer doubt"), fact=UnknownFact(kind=f.KeyRevoked.KIND, version=2)),
    replace(WITHDRAWALS[0], id=an_id("newer withdrawal"), fact=UnknownFact(kind=f.ActorWithdrawn.KIND, version=2)),
    replace(PEOPLE[0], id=an_id("newer word"), fact=UnknownFact(kind=f.ActorCertified.KIND, version=2)),
)  # fmt: skip
BAD_NEWS = (
    *(one for every in BLOCKS.values() for one in every),
    *DOUBTS,
    *WITHDRAWALS,
    *LINKS,
    *_FROM_NEWER_SOFTWARE[:2],
)
"""What may only ever make a standing worse."""
THEMES: dict[str, tuple[Recorded, ...]] = {
    "blocks and clears": (*BLOCKS[KNOWN], *CLEARS),
    "the other record": (*BLOCKS[OTHER], *CLEARS, registered(OTHER, marked(maker="QV"))),
    "people": (
        *PEOPLE, *WITHDRAWALS, certified(INSPECTOR, on=YESTERDAY, name="again"), _FROM_NEWER_SOFTWARE[2],
        certified(replace(INSPECTOR, role="operator"), on=LATELY), certified(COLLEAGUE, HERE, on=TODAY, name="also"),
        certified(INSPECTOR, on=LATELY, until=LATELY), certified(INSPECTOR, HUB, on=LATELY),
        certified(INSPECTOR, on=YESTERDAY, at=origin(NEXT_DOOR, 8), name="after the cut"),
        certified(INSPECTOR, on=YESTERDAY, at=origin(NEXT_DOOR, 8, proven=False), name="not proven"),
    ),
    "keys": (
        *DOUBTS, lifted(SUSPICION), lifted(SUSPICION, DOUBTS[0]), _FROM_NEWER_SOFTWARE[0],
        replace(DOUBTS[0], id=an_id("not the hub's"), origin=origin(NEXT_DOOR)),
        replace(lifted(SUSPICION), id=an_id("lifted by a shop"), origin=origin(NEXT_DOOR)),
    ),
    "annulments": _annulment(),
    "identities": (
        *LINKS, split(LINK, carried=[one.id for one in BLOCKS[OTHER]]), split(LINK), split(LINK, LINK_BACK),
        split(LINK, by=OPERATOR, node=HERE, carried=[BLOCKS[OTHER][0].id]), split(FAR_LINK, parts=(OTHER, THIRD)),
        split(LINK, FAR_LINK, parts=CYLINDERS, carried=[BLOCKS[THIRD][0].id]), split(LINK, parts=(OTHER, THIRD)),
        assigned(BLOCKS[OTHER][0], KNOWN), assigned(BLOCKS[OTHER][0], OTHER), assigned(BLOCKS[OTHER][3], THIRD),
        assigned(BLOCKS[THIRD][0], OTHER, by=COLLEAGUE, node=HERE), BLOCKS[THIRD][0],
    ),
    "one id, two contents": (
        replace(CLEARS[0], fact=f.HoldReleased(finding="Something else")), replace(BLOCKS[KNOWN][0], effect="neutral"),
        replace(PEOPLE[0], performed_on=TODAY), replace(LINK, performed_on=LONG_AGO),
        replace(CLEARS[0], origin=origin(NEXT_DOOR, 40, log="second")), replace(BLOCKS[OTHER][0], subject=f"cylinder/{KNOWN}"),
    ),
}  # fmt: skip
EVERYTHING = tuple(dict.fromkeys(fact for theme in THEMES.values() for fact in theme))


def drawn(random: Random, *, most: int = 12) -> list[Recorded]:
    """A history of a few themes."""
    themes = random.sample(sorted(THEMES), k=random.randint(1, 3))
    pool = [fact for theme in themes for fact in THEMES[theme]]
    history = random.sample(pool, k=min(len(pool), random.randint(2, most)))
    return [*(PEOPLE if random.random() < 0.8 else ()), *history]


def filed(facts: Iterable[Recorded]) -> Filed:
    """Facts as a store files them, in the order in which they come."""
    found = Filed()
    for fact in facts:
        found.put(fact)
    return found


def standings(facts: Iterable[Recorded]) -> dict[UUID, Standing]:
    """What these facts say of each of the three cylinders."""
    found = filed(facts)
    return {cylinder: found.standing(cylinder) for cylinder in CYLINDERS}


def held_against(facts: Iterable[Recorded]) -> dict[UUID, frozenset[UUID]]:
    """The open blocks of each of the three cylinders."""
    return {one: frozenset(block.id for block in found.blocks) for one, found in standings(facts).items()}
