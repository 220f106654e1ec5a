"""What Prometheus reads off this node. Counts and ages; no names."""

from __future__ import annotations

from collections.abc import Iterable

from prometheus_client import CollectorRegistry, Metric
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.registry import Collector

from branch.link import news_heard_at
from branch.node import Node
from branch.store import views as look
from branch.store.rows import node_row, number, text


class NodeMeasures(Collector):
    """Looked up when asked, so that no count can drift from the log."""

    def __init__(self, node: Node) -> None:
        self._node = node

    def collect(self) -> Iterable[Metric]:
        """One family after another."""
        with self._node.store.reading() as c:
            c.execute("select kind, effect, count(*) from fact group by kind, effect")
            facts = [(text(row[0]), text(row[1]), number(row[2])) for row in c.fetchall()]
            row, backlog = node_row(c), look.backlog(c)
        by_kind = CounterMetricFamily("filltrail_facts", "Facts held here", labels=["kind", "effect"])
        for kind, effect, count in facts:
            by_kind.add_metric([kind, effect], count)
        yield by_kind
        now, heard = self._node.floor.now(), news_heard_at(row, self._node.sync.link)
        age = -1.0 if heard is None else (now - heard).total_seconds()
        yield GaugeMetricFamily(
            "filltrail_news_age_seconds", "Since the hub was last heard; -1 is never", value=age
        )
        yield GaugeMetricFamily(
            "filltrail_unsent_facts", "Own facts the hub has not acknowledged", value=backlog.facts
        )
        position = 0 if row is None else row.feed.position
        yield GaugeMetricFamily("filltrail_feed_position", "How far the feed was read", value=position)
        yield GaugeMetricFamily(
            "filltrail_open_visits", "Cylinders on the floor", value=len(self._node.desk.open_visits())
        )


def registry(node: Node) -> CollectorRegistry:
    """A registry of this node's own."""
    made = CollectorRegistry()
    made.register(NodeMeasures(node))
    return made
