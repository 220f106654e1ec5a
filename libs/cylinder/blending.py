"""How far the blend of a visit has come: its plans, each from the last measurement, and the steps that were done.

It must never work a plan out: `cylinder.blends` does, and the facts carry what came of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from cylinder.facts.blend import BlendPlanned, BlendStepDone, PlannedStep


@dataclass(frozen=True, slots=True)
class Blending:
    """The plan that holds is the last one."""

    plans: tuple[BlendPlanned, ...]
    done: tuple[BlendStepDone, ...] = ()

    @property
    def plan(self) -> BlendPlanned:
        """What holds now."""
        return self.plans[-1]

    @property
    def next_step(self) -> PlannedStep | None:
        """What to do now; None when the blend is done, or nothing leads on."""
        return self.plan.steps[0] if self.plan.steps else None

    @property
    def is_stuck(self) -> bool:
        """What was measured leads to no plan."""
        return bool(self.plan.because)

    @property
    def can_go_back(self) -> bool:
        """Something was keyed since the first plan."""
        return len(self.plans) > 1

    def planned(self, plan: BlendPlanned) -> Blending:
        """After one more plan."""
        return replace(self, plans=(*self.plans, plan))

    def did(self, step: BlendStepDone) -> Blending:
        """After one more step."""
        return replace(self, done=(*self.done, step))

    def back(self) -> Blending:
        """As it was before the last figure was keyed."""
        if not self.can_go_back:
            return self
        done = self.done[:-1] if self.plan.follows == "step" else self.done
        return Blending(self.plans[:-1], done)
