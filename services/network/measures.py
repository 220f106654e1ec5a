"""What the hub counts, in the Prometheus text format. No name of a person or a cylinder is ever a label."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from prometheus_client import CollectorRegistry, Counter, Gauge, generate_latest

from eventlog.chain import Link

# A kind comes from outside: more of them than this and the rest share one label.
MOST_KINDS = 100


class Measures:
    """The counters of one hub process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._kinds: set[str] = set()
        self._facts = Counter(
            "filltrail_facts", "Facts appended by this process", ["kind", "effect"], registry=self.registry
        )
        self._pushes = Counter(
            "filltrail_pushes", "Pushed batches by answer", ["answer"], registry=self.registry
        )
        self.feed_position = Gauge(
            "filltrail_feed_position", "Last position of the feed", registry=self.registry
        )
        self.projection_lag = Gauge(
            "filltrail_projection_lag_positions",
            "Positions that a projection is behind the feed",
            ["projection"],
            registry=self.registry,
        )
        self.exposures = Gauge(
            "filltrail_exposures",
            "Fills of a cylinder that was blocked at the time",
            ["knew"],
            registry=self.registry,
        )
        self._audited_at = Gauge(
            "filltrail_fill_audit_timestamp_seconds",
            "When every fill was last judged again; 0 before the first time",
            registry=self.registry,
        )
        self._audited = Gauge(
            "filltrail_audited_fills",
            "Fills that the last audit found wanting",
            ["finding"],
            registry=self.registry,
        )
        self.fallen_back = Gauge(
            "filltrail_rolled_back",
            "1 while the hub's database is known to be an older one",
            registry=self.registry,
        )
        self._beats = Counter("filltrail_beats", "Beats by verdict", ["verdict"], registry=self.registry)
        self._digests = Counter(
            "filltrail_digests",
            "Standings of nodes compared with the hub's",
            ["verdict"],
            registry=self.registry,
        )
        self._feeds_differ = Counter(
            "filltrail_feeds_differ", "Beats of nodes whose feed is not the hub's", registry=self.registry
        )
        self._returned = Counter(
            "filltrail_returned_facts",
            "Facts that came another way than a push",
            ["way"],
            registry=self.registry,
        )
        self.bells = 0
        self._open_bells = Gauge("filltrail_open_bells", "Nodes listening", registry=self.registry)

    def count_facts(self, fresh: Sequence[Link], position: int) -> None:
        """Facts that were just committed."""
        for link in fresh:
            event = link.envelope.event
            self._facts.labels(kind=self._kind(event.kind), effect=event.effect.value).inc()
        self.feed_position.set(position)

    def count_push(self, answer: str) -> None:
        """A push and what was answered."""
        self._pushes.labels(answer=answer).inc()

    def count_beat(self, verdict: str, *, digest: str, feed_agrees: bool) -> None:
        """A beat, what was answered, and whether feed and standings were the hub's."""
        self._beats.labels(verdict=verdict).inc()
        self._digests.labels(verdict=digest).inc()
        if not feed_agrees:
            self._feeds_differ.inc()

    def note_audit(self, at: dt.datetime, *, knew: int, cannot_say: int) -> None:
        """What the last audit of all fills found."""
        self._audited_at.set(at.timestamp())
        self._audited.labels(finding="knew").set(knew)
        self._audited.labels(finding="cannot-say").set(cannot_say)

    def count_returned(self, way: str, facts: int) -> None:
        """Facts that got a position because somebody gave them back, or sent them ahead."""
        self._returned.labels(way=way).inc(facts)

    def bell_opened(self) -> None:
        """A node began to listen."""
        self.bells += 1
        self._open_bells.set(self.bells)

    def bell_closed(self) -> None:
        """A node stopped listening."""
        self.bells -= 1
        self._open_bells.set(self.bells)

    def text(self) -> bytes:
        """The metrics page."""
        return generate_latest(self.registry)

    def _kind(self, kind: str) -> str:
        if kind in self._kinds or len(self._kinds) < MOST_KINDS:
            self._kinds.add(kind)
            return kind
        return "other"
