"""How much each node has published, and when its latest fact was made and received."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from network.projections.projection import Positioned, Projection
from network.store.database import Tx

nodes = Projection(
    name="nodes",
    version=1,
    tables=("node_news",),
    create="""
create table node_news (
    node text primary key, facts bigint not null, last_position bigint not null,
    last_at timestamptz not null, last_received_at timestamptz not null, seen_position bigint not null
);
""",
)

put_news = """
insert into node_news (node, facts, last_position, last_at, last_received_at, seen_position)
values (%s, %s, %s, %s, %s, %s)
on conflict (node) do update set facts = node_news.facts + excluded.facts, last_position = excluded.last_position,
    last_at = excluded.last_at, last_received_at = excluded.last_received_at, seen_position = excluded.seen_position
"""


@nodes.after_batch
def note_last(tx: Tx, batch: Sequence[Positioned]) -> None:
    """The last fact of each node in the batch."""
    counts = Counter(one.node for one in batch)
    last = {one.node: one for one in batch}
    for node, one in sorted(last.items()):
        row = (node, counts[node], one.position, one.record.at, one.received_at, one.event.seen.position)
        tx.execute(put_news, row)
