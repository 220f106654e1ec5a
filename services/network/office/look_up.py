"""What the officer asks of the projections. Reads only; decides nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from cylinder.facts import CylinderIdentified, CylinderRegistered
from cylinder.marks import Marks
from cylinder.near import bare, likeness, skeleton
from cylinder.recorded import cylinder_subject
from cylinder.standing import Block, Standing
from eventlog.checkpoint import parse_checkpoint
from network.hearing import Contact
from network.office.documents import (
    CylinderLife,
    Exposure,
    Exposures,
    Fill,
    Found,
    FoundCylinder,
    HistoryRow,
    OpenBlock,
    Shop,
    Shops,
    Tone,
    Witnessed,
)  # fmt: skip
from network.projections.cylinders import cylinders, near_claims
from network.projections.filing import Filing
from network.projections.projection import position_of
from network.projections.runner import PROJECTIONS
from network.store import feed_tree
from network.store.database import Tx
from network.store.nodes import all_nodes
from network.store.pages import feed_head

MOST_FOUND = 25
MOST_ROWS = 2000
MOST_FILLS = 1000
MOST_EXPOSURES = 500
SHORTEST_PART = 3

some_standings = "select document from cylinder_standing where cylinder_id = any(%s)"
partial_claims = """
select c.cylinder_id, s.document from cylinder_claim c
join cylinder_standing s on s.cylinder_id = c.cylinder_id
where position(%s in c.skeleton) > 0 order by c.bare limit 50
"""
one_standing = "select document from cylinder_standing where cylinder_id = %s"
rows_of_cylinder = """
select h.* from history h
where h.cylinder_id = any(%(ids)s)
   or (h.cylinder_id is null
       and (h.visit_id, h.node) in (select visit_id, node from visit_cylinder where cylinder_id = any(%(ids)s)))
order by h.performed_on desc, h.position desc limit %(limit)s
"""
fills_of_cylinder = "select * from fill where cylinder_id = any(%s) order by position desc limit %s"
exposures_of_cylinder = (
    "select * from exposure where cylinder_id = any(%s) order by fill_on desc, fill_position desc limit %s"
)
latest_exposures = "select * from exposure order by knew desc, fill_on desc, fill_position desc limit %s"
count_exposures = "select count(*) as n, count(*) filter (where knew) as knew from exposure"
every_actor = "select actor_id, known_as from actor"
news_of_nodes = "select node, facts, last_at from node_news"

FINDINGS = {
    "cylinder.condemned": "Condemned",
    "cylinder.rejected": "Rejected",
    "cylinder.visual_failed": "Failed inside look",
    "cylinder.rendered_unusable": "Made unusable",
}


@dataclass(frozen=True, slots=True)
class Names:
    """What people call shops and staff."""

    shops: Mapping[str, str]
    staff: Mapping[str, str]

    def shop(self, node: str) -> str:
        """The shop's name, else its node's."""
        return self.shops.get(node, node)

    def who(self, actor: str) -> str:
        """The working name, else the staff id."""
        return self.staff.get(actor, actor)


def names(tx: Tx) -> Names:
    """Every shop and member of staff that the log names."""
    staff = {str(row["actor_id"]): str(row["known_as"]) for row in tx.execute(every_actor)}
    return Names({node.slug: node.name for node in all_nodes(tx)}, staff)


def find_cylinders(tx: Tx, q: str) -> Found:
    """Cylinders whose serial is, or may be, what was keyed: nearest first, and of equals the blocked ones first."""
    folded = skeleton(q)
    if not folded:
        return Found(q=q, cylinders=())
    found: dict[UUID, FoundCylinder] = {}
    near_ids = [one.cylinder_id for one in near_claims(tx, q)]
    rows = tx.execute(some_standings, (near_ids,)).fetchall() if near_ids else []
    if len(folded) >= SHORTEST_PART:
        rows += tx.execute(partial_claims, (folded,)).fetchall()
    for row in rows:
        one = _nearest(q, Standing.model_validate_json(row["document"]))
        if one is not None:
            found.setdefault(one.cylinder_id, one)
    ranked = sorted(found.values(), key=lambda one: (one.distance, one.tone == "good", one.marks.serial))
    return Found(q=q, cylinders=tuple(ranked[:MOST_FOUND]))


def life_of(tx: Tx, cylinder_id: UUID) -> CylinderLife | None:
    """One cylinder's whole life, that of the records linked with it too; None when the network has no record of it."""
    row = tx.execute(one_standing, (cylinder_id,)).fetchone()
    known = (
        Standing(cylinder_id=cylinder_id) if row is None else Standing.model_validate_json(row["document"])
    )
    ids = [cylinder_id, *known.linked]
    serials = {one: own_serial(tx, one) for one in ids} if known.linked else {}
    called = names(tx)
    history = [
        HistoryRow(
            position=one["position"], event_id=one["event_id"], performed_on=one["performed_on"], at=one["at"],
            received_at=one["received_at"], node=one["node"], shop=called.shop(one["node"]),
            who=called.who(one["actor"]), kind=one["kind"], effect=one["effect"], title=one["title"],
            detail=one["detail"], clears=tuple(one["clears"]), record=serials.get(one["cylinder_id"], ""),
        )
        for one in tx.execute(rows_of_cylinder, {"ids": ids, "limit": MOST_ROWS})
    ]  # fmt: skip
    if row is None and not history:
        return None
    return CylinderLife(
        cylinder_id=cylinder_id,
        as_of=position_of(tx, cylinders),
        standing=known,
        standing_words=standing_words(known),
        tone=tone_of(known),
        blocks=tuple(_open_block(block, called) for block in known.blocks),
        history=tuple(history),
        is_cut=len(history) == MOST_ROWS,
        fills=_fills(tx, ids, called),
        exposures=_exposures(tx, exposures_of_cylinder, (ids, MOST_EXPOSURES), called),
    )


def all_exposures(tx: Tx) -> Exposures:
    """The latest exposures, first those whose shop knew."""
    row = tx.execute(count_exposures).fetchone()
    return Exposures(
        in_all=0 if row is None else row["n"],
        knew=0 if row is None else row["knew"],
        exposures=_exposures(tx, latest_exposures, (MOST_EXPOSURES,), names(tx)),
    )


def all_shops(tx: Tx, contacts: Mapping[str, Contact]) -> Shops:
    """Every node but the hub itself, with how far behind it was when it was last heard."""
    position = feed_head(tx).position
    news = {row["node"]: row for row in tx.execute(news_of_nodes)}
    shops = []
    for node in all_nodes(tx):
        if node.role == "hub":
            continue
        contact, last = contacts.get(node.slug), news.get(node.slug)
        absorbed = 0 if contact is None else min(contact.position, position)
        shops.append(
            Shop(
                node=node.slug,
                name=node.name,
                role=node.role,
                is_revoked=node.is_revoked,
                heard_at=None if contact is None else contact.heard_at,
                absorbed=absorbed,
                behind=position - absorbed,
                facts=0 if last is None else last["facts"],
                last_fact_at=None if last is None else last["last_at"],
            )
        )
    return Shops(
        position=position,
        read_to=position_of(tx, cylinders),
        shops=tuple(shops),
        checkpoint=_checkpoint(tx, {shop.node: shop.name for shop in shops}),
    )


def _checkpoint(tx: Tx, shop_names: Mapping[str, str]) -> Witnessed | None:
    found = feed_tree.witnessed(tx, feed_head(tx).epoch)
    if found is None:
        return None
    said = parse_checkpoint(found.checkpoint)
    names_of = tuple(shop_names.get(one.node, one.node) for one in found.cosignatures)
    return Witnessed(position=said.position, hub_time=said.hub_time, cosigned_by=names_of)


def unread(tx: Tx) -> int:
    """How many facts of the feed the slowest projection has not read: while there are any, a page may lack a block."""
    return max(0, feed_head(tx).position - min(position_of(tx, one) for one in PROJECTIONS.values()))


def standing_words(standing: Standing) -> str:
    """One line for a standing. Never "good to fill": that is decided at the shop, with the cylinder at hand."""
    if standing.is_clear:
        return "Nothing held against it"
    first, more = standing.blocks[0], len(standing.blocks) - 1
    return first.words if not more else f"{first.words}, and {more} more"


def tone_of(standing: Standing) -> Tone:
    """How the standing is shown: a hold is amber, anything worse is red."""
    if standing.is_clear:
        return "good"
    return "hold" if standing.is_only_held else "stop"


def _nearest(q: str, standing: Standing) -> FoundCylinder | None:
    best: tuple[int, str, Marks] | None = None
    for marks in standing.marks:
        like = likeness(q, marks.serial)
        if like is not None:
            here = (like.distance, like.why, marks)
        elif skeleton(q) in skeleton(marks.serial):
            here = (3, f"{bare(q)} is a part of it", marks)
        else:
            continue
        if best is None or here[0] < best[0]:
            best = here
    if best is None:
        return None
    return FoundCylinder(
        cylinder_id=standing.cylinder_id,
        marks=best[2],
        distance=best[0],
        why=best[1],
        standing_words=standing_words(standing),
        tone=tone_of(standing),
    )


def _open_block(block: Block, called: Names) -> OpenBlock:
    return OpenBlock(
        id=block.id,
        words=block.words,
        reason=block.reason,
        criterion=block.criterion,
        # Records of before say "none, not read" where the pack has no clause or edition to give.
        clause=block.clause.removesuffix(", not read").removesuffix(", none").removesuffix(" none"),
        shop=called.shop(block.node),
        who=called.who(block.actor),
        performed_on=block.performed_on,
        tone="hold" if block.is_hold else "stop",
    )


def _fills(tx: Tx, ids: list[UUID], called: Names) -> tuple[Fill, ...]:
    return tuple(
        Fill(
            event_id=row["event_id"], performed_on=row["performed_on"], at=row["at"], node=row["node"],
            shop=called.shop(row["node"]), end=row["end_words"], rated=row["rated_words"], gas=row["gas"],
        )
        for row in tx.execute(fills_of_cylinder, (ids, MOST_FILLS))
    )  # fmt: skip


def _exposures(tx: Tx, statement: str, values: tuple[object, ...], called: Names) -> tuple[Exposure, ...]:
    rows = tx.execute(statement.encode(), values).fetchall()
    serials = {row["cylinder_id"]: _serial(tx, row["cylinder_id"]) for row in rows}
    return tuple(
        Exposure(
            id=row["id"], cylinder_id=row["cylinder_id"], serial=serials[row["cylinder_id"]],
            finding=FINDINGS.get(row["block_kind"], row["block_kind"]), found_on=row["block_on"],
            found_at=called.shop(row["block_node"]), filled_on=row["fill_on"],
            filled_at=called.shop(row["fill_node"]), knew=row["knew"],
        )
        for row in rows
    )  # fmt: skip


def own_serial(tx: Tx, cylinder_id: UUID) -> str:
    """The serial that was read of this very record: a standing holds those of all that are linked."""
    subject = cylinder_subject(cylinder_id)
    for said in Filing(tx, "cylinder").look(subject):
        if said.subject == subject and isinstance(said.fact, (CylinderRegistered, CylinderIdentified)):
            return said.fact.marks.serial
    return "serial not read"


def _serial(tx: Tx, cylinder_id: UUID) -> str:
    row = tx.execute(one_standing, (cylinder_id,)).fetchone()
    known = None if row is None else Standing.model_validate_json(row["document"])
    return known.marks[-1].serial if known is not None and known.marks else "serial not read"
