"""What a stop page and a hold page say: what is held against a cylinder, how this shop knows, and what to do now.

Pure: a visit, a standing, names and times in, words out. Must never soften a block or leave one out.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from cylinder.facts import CylinderIdentified, CylinderRegistered, Rejected, VisualFailed
from cylinder.marks import Marks
from cylinder.near import bare
from cylinder.recorded import Recorded
from cylinder.standing import Block
from cylinder.visit import Visit


@dataclass(frozen=True, slots=True)
class Names:
    """What shops and staff are called: by node, and by staff id."""

    shops: Mapping[str, str]
    staff: Mapping[str, str]

    def shop(self, node: str) -> str:
        """The name over the door, or the node's own name where none is known."""
        return self.shops.get(node) or node

    def person(self, actor: str) -> str:
        """The working name of somebody who judged, or their staff id."""
        return self.staff.get(actor) or actor


def who_where_when(block: Block, names: Names) -> str:
    """ "11 March 2026, Reef Road, R. Okafor"."""
    on = block.performed_on
    return f"{on.day} {on:%B %Y}, {names.shop(block.node)}, {names.person(block.actor)}"


def rule_of(block: Block) -> str:
    """The criterion that was met, and where it is written."""
    # Records of before say "none, not read" where the pack has no clause or edition to give.
    clause = block.clause.removesuffix(", not read").removesuffix(", none").removesuffix(" none")
    return ". ".join(part.rstrip(".") for part in (block.criterion, clause) if part)


def lift_words(blocks: Iterable[Block]) -> str:
    """Who could lift this, and who cannot."""
    found = tuple(blocks)
    if any(block.is_for_good for block in found):
        return "Nobody at this shop can lift this. A condemned cylinder is never restored, by any procedure (49 CFR 180.203)."
    kinds = {block.kind for block in found if not block.is_hold}
    if kinds <= {Rejected.KIND, VisualFailed.KIND}:
        needs = "a passed requalification" if Rejected.KIND in kinds else "a passed inspection"
        return (
            f"Nobody at the counter can lift this. Only {needs}, recorded by an inspector at the bench, does."
        )
    return "Nobody at this shop can lift this. Ring the network's safety officer."


def how_we_know(
    block: Block, visit: Visit, claims: Iterable[Marks], *, node: str, news_age: dt.timedelta | None
) -> str:
    """On which marks the record was matched, and how old this shop's news is. `claims` are the marks that others read."""
    source = "Recorded at this shop." if block.node == node else f"Network record, news {age(news_age)} old."
    return f"{source} {match_words(visit.marks, tuple(claims))}"


def match_words(read: Marks | None, claims: tuple[Marks, ...]) -> str:
    """Which of the four marks read in this visit are the same as on the nearest record."""
    if read is None:
        return "The marks were not read in this visit."
    if not claims:
        return "The marks were first read in this visit."
    best = max((_same(read, claim) for claim in claims), key=len)
    differing = [name for name in _MARKS if name not in best]
    same = f"Same {_listed(best)} as on record." if best else "No mark is as on record."
    return same if not differing else f"{same} {_listed(differing).capitalize()} read otherwise."


def claims_of_others(facts: Iterable[Recorded], visit: Visit) -> tuple[Marks, ...]:
    """The marks under which the cylinder was known before this visit said which one it is."""
    found: dict[Marks, None] = {}
    for fact in facts:
        match fact.fact:
            case CylinderRegistered(marks=marks) if visit.received_at is None or fact.at < visit.received_at:
                found[marks] = None
            case CylinderIdentified(visit_id=visit_id, marks=marks) if visit_id != visit.id:
                found[marks] = None
            case _:
                pass
    return tuple(found)


def orders(visit: Visit, *, safety_phone: str) -> tuple[str, str, str]:
    """The three things to do now. On a whip the first is to make it safe."""
    ring = f"ring safety: {safety_phone}" if safety_phone else "ring the network's safety officer"
    if visit.is_filling:
        return (
            "Stop the fill now: close both valves. Send everybody away from it.",
            "Bleed the whip slowly and take it off.",
            f"Put it in the red rack, tag tied on. Tell the diver, then {ring}",
        )
    if visit.holds_whip is not None:
        return (
            "Close both valves. Bleed the whip slowly and take it off. Add no gas.",
            "Keep it. Put it in the red rack, tag tied on.",
            f"Tell the diver, then {ring}",
        )
    if visit.gas_has_flowed:
        return (
            "Do not hand it over and do not use it. It is under pressure: keep people away.",
            "Keep it. Put it in the red rack, tag tied on.",
            f"Tell the diver, then {ring}",
        )
    return (
        "Do not connect it. Do not bleed it near people.",
        "Keep it. Put it in the red rack, tag tied on.",
        f"Tell the diver, then {ring}",
    )


def age(span: dt.timedelta | None) -> str:
    """ "20 s", "3 min", "4 h", "2 days"."""
    if span is None:
        return "of unknown age,"
    seconds = max(0, int(span.total_seconds()))
    if seconds < 90:
        return f"{seconds} s"
    if seconds < 90 * 60:
        return f"{seconds // 60} min"
    return f"{seconds // 3600} h" if seconds < 48 * 3600 else f"{seconds // 86400} days"


def block_lines(block: Block, names: Names, tz: ZoneInfo) -> tuple[tuple[str, str], ...]:
    """A block as pairs of a name and words: what, by whom and where and when, why, by which rule."""
    pairs = [(block.words, who_where_when(block, names)), ("Why", block.reason)]
    if rule_of(block):
        pairs.append(("Rule", rule_of(block)))
    if block.at.astimezone(tz).date() != block.performed_on:
        there = block.at.astimezone(tz)
        pairs.append(("Recorded", f"{there.day} {there:%B %Y, %H:%M}"))
    return tuple(pairs)


_MARKS = ("serial", "maker", "type", "first test date")


def _same(read: Marks, claim: Marks) -> list[str]:
    pairs = (
        (bare(read.serial), bare(claim.serial)),
        (read.maker, claim.maker),
        (read.spec, claim.spec),
        (read.first_test, claim.first_test),
    )
    return [name for name, (one, other) in zip(_MARKS, pairs, strict=True) if one == other]


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
