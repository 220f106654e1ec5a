"""Whether every node of the demo knows the same: their digests side by side.

Owns the comparison, and the shape of what a service's `verify --json` prints. Must never call equal what
it could not read.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict, ValidationError
from rich.table import Table

from filltrail.layout import CommandFailed, Layout, attempt
from filltrail.processes import together

ASK_AGAIN_S = 0.5


class Verified(BaseModel):
    """What one node says of itself."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    node: str
    epoch: str
    position: int
    feed_hash: str
    standing_digest: str
    facts: int
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class Comparison:
    nodes: tuple[Verified, ...]
    differences: tuple[str, ...]

    def is_equal(self) -> bool:
        return not self.differences


def compare(nodes: Sequence[Verified]) -> Comparison:
    """The first node is the measure of the others."""
    differences: list[str] = []
    for node in nodes:
        differences.extend(f"{node.node}: {problem}" for problem in node.problems)
    measure, *others = nodes
    for node in others:
        for field in ("epoch", "position", "feed_hash", "standing_digest"):
            theirs, ours = getattr(node, field), getattr(measure, field)
            if theirs != ours:
                differences.append(f"{node.node} and {measure.node} differ in {field}: {theirs} and {ours}")
    return Comparison(tuple(nodes), tuple(differences))


def ask(service: str, env: Mapping[str, str]) -> Verified:
    """Raises CommandFailed when a node cannot say what it knows."""
    # A node with problems may end with an exit code of its own; what it printed is read all the same.
    answer = attempt(service, "verify", "--json", env=env)
    try:
        return Verified.model_validate_json(answer.stdout)
    except ValidationError as failure:
        said = f"{answer.stdout}{answer.stderr}".strip()[:2000]
        raise CommandFailed(
            f"`{service} verify --json` did not print what was expected:\n{said}"
        ) from failure


def ask_all(layout: Layout, hub_environment: Mapping[str, str]) -> Comparison:
    nodes = [("network", hub_environment)]
    nodes.extend(("branch", layout.shop_environment(shop.slug)) for shop in layout.cast.shops)
    return compare(together(lambda node: ask(*node), nodes))


def wait_until_equal(layout: Layout, hub_environment: Mapping[str, str], *, wait_s: float) -> Comparison:
    """Ask until all are equal or the time is up; the last answer either way."""
    deadline = time.monotonic() + wait_s
    answer = ask_all(layout, hub_environment)
    while not answer.is_equal() and time.monotonic() < deadline:
        time.sleep(ASK_AGAIN_S)
        answer = ask_all(layout, hub_environment)
    return answer


def side_by_side(comparison: Comparison) -> Table:
    table = Table(title="What every node knows", title_justify="left")
    for heading in ("node", "facts", "position", "feed hash", "standing digest", "epoch"):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("node", "facts", "position"))
    for node in comparison.nodes:
        table.add_row(
            *(
                node.node,
                str(node.facts),
                str(node.position),
                node.feed_hash[:16],
                node.standing_digest[:16],
                node.epoch[:16],
            )
        )
    return table
