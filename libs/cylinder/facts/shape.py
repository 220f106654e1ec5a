"""What every kind of fact shares: a stored name, a version, an effect on standing."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal
from uuid import UUID

from pydantic import (
    BaseModel,
    ConfigDict,
    SerializerFunctionWrapHandler,
    StringConstraints,
    model_serializer,
)

EffectName = Literal["block", "clear", "neutral"]
Short = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
RuleId = Annotated[str, StringConstraints(max_length=80)]
StepName = Literal[
    "certification", "identify", "outside", "dates", "rating", "standing", "people_out", "blow_out", "whip",
    "residual", "target", "fill", "analyse", "bleed", "tape", "set_down", "hand_over",
]  # fmt: skip


class Fact(BaseModel):
    """What all kinds share: a stored name, a version, an effect on standing. Nothing else."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    KIND: ClassVar[str]
    V: ClassVar[int] = 1
    EFFECT: ClassVar[EffectName] = "neutral"


class GrownFact(Fact):
    """A kind that learned to say more. What was added later and is not said is not written either.

    So a fact without it is stored byte for byte as it ever was. To software that knows nothing of the addition, a
    block that carries it still blocks, and a clear lifts nothing.
    """

    ADDED: ClassVar[frozenset[str]] = frozenset()

    @model_serializer(mode="wrap")
    def _as_stored(self, handler: SerializerFunctionWrapHandler) -> dict[str, object]:
        whole: dict[str, object] = handler(self)
        return {name: said for name, said in whole.items() if said is not None or name not in self.ADDED}


class VisitFact(Fact):
    """A fact of one cylinder's visit to a shop."""

    visit_id: UUID


class UnknownFact(Fact):
    """A kind that this software does not know; the header's effect still counts."""

    KIND = "unknown"
    kind: str
    version: int
