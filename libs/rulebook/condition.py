"""Judges the cylinder itself: condemned or rejected, alloy, expansion at test, oxygen, and the lists an inspector picks from.

It must never offer a way back from condemned, and never replace the pamphlet an inspector works to: it lists reasons.
"""

from decimal import Decimal
from typing import Final, Literal

from gas.mixture import Mix
from gas.pressure import Pressure
from rulebook.dates import unknown_spec
from rulebook.pack import Criterion, Finding, Pack, Permit
from rulebook.specs import spec_known

Alloy = Literal["6351-T6", "other", "not known"]

_OXYGEN_ITSELF: Final = 0.99
"""From here on a gas counts as oxygen and not as a mix with it. Common practice, no source."""


def condemn_criteria(pack: Pack) -> tuple[Criterion, ...]:
    return tuple(criterion for criterion in pack.criteria if criterion.outcome == "condemn")


def reject_criteria(pack: Pack) -> tuple[Criterion, ...]:
    return tuple(criterion for criterion in pack.criteria if criterion.outcome == "reject")


def fail_criteria(pack: Pack) -> tuple[Criterion, ...]:
    """What keeps a cylinder back today and can be put right on the bench."""
    return tuple(criterion for criterion in pack.criteria if criterion.outcome == "fail")


def criterion(pack: Pack, criterion_id: str) -> Criterion | None:
    return next((one for one in pack.criteria if one.id == criterion_id), None)


def judge_condemned(pack: Pack) -> Finding:
    """For a cylinder that anyone has condemned: nothing brings it back."""
    return pack.finding("condemned.never", "refuse")


def judge_rejected(pack: Pack) -> Finding:
    """For a cylinder that was rejected and not yet repaired and requalified."""
    return pack.finding("rejected.held", "refuse")


def judge_outside(pack: Pack, *, looks_sound: bool | None) -> list[Finding]:
    """The look at the outside before each filling. Not looked at (None) and not sound are both refused."""
    if looks_sound:
        return []
    seen = "The outside was not looked at." if looks_sound is None else "The outside is not sound."
    return [pack.finding("look.outside", "refuse", seen)]


def judge_alloy(
    pack: Pack, spec: str, alloy: Alloy, *, eddy_current_at_latest_test: bool | None
) -> list[Finding]:
    """Aluminium alloy 6351-T6 in scuba: cracks under sustained load, so its own inspection and people out of the bay."""
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)]
    if alloy != "6351-T6":
        return []
    if pack.specification(key).bans_alloy_6351:
        return [pack.finding("alloy.prohibited", "refuse")]
    findings = [pack.finding("alloy.people_out", "tell")]
    if not eddy_current_at_latest_test:
        findings.insert(0, pack.finding("alloy.eddy_current", "refuse"))
    return findings


def judge_expansion(
    pack: Pack, spec: str, *, total_cc: float, permanent_cc: float, permit: Permit | None = None
) -> list[Finding]:
    """Permanent against total expansion of a pressure test. Refused means: condemn. Exactly at the limit passes.

    ValueError when the two readings cannot belong together.
    """
    if not 0 <= permanent_cc <= total_cc or total_cc <= 0:
        raise ValueError("permanent expansion lies between zero and the total, and the total is above zero")
    key = spec_known(pack, spec)
    if key is None:
        return [unknown_spec(pack, spec)]
    rule = pack.rule("condemn.expansion")
    percent = rule.amount("percent")
    if pack.specification(key).numbered:
        # 180.205(i)(1)(vii), 2015 edition: a special permit sets its own limit, which only the permit's text tells.
        if permit is None or permit.permanent_expansion_percent is None:
            return [pack.finding("spec.permit_terms", "hold")]
        rule, percent = pack.rule("spec.permit_terms"), permit.permanent_expansion_percent
    if _is_over(permanent_cc, total_cc, percent):
        seen = f"Permanent {permanent_cc:g} cc of total {total_cc:g} cc is {_share(permanent_cc, total_cc, percent)}."
        return [pack.finding_of(rule, "refuse", seen)]
    return []


def _is_over(permanent_cc: float, total_cc: float, percent: float) -> bool:
    """Read as the decimals that were keyed: 1.1 cc of 11 cc is exactly 10 %, and exactly the limit passes."""
    return Decimal(str(permanent_cc)) * 100 > Decimal(str(percent)) * Decimal(str(total_cc))


def _share(permanent_cc: float, total_cc: float, percent: float) -> str:
    """With as many decimals as it takes to be seen above the limit: 10.04 % is not shown as 10.0 %."""
    share = permanent_cc / total_cc * 100
    decimals = next((places for places in range(1, 6) if round(share, places) > percent), 6)
    return f"{share:.{decimals}f}%"


def judge_oxygen_service(
    pack: Pack, mix: Mix, *, is_oxygen_clean: bool | None, oxygen_goes_in_pure: bool
) -> list[Finding]:
    """Whether the cylinder must be cleaned for oxygen before this mixture. Unknown cleanliness counts as not clean."""
    percent = mix.oxygen_fraction * 100
    if is_oxygen_clean:
        return []
    if oxygen_goes_in_pure:
        return [pack.finding("oxygen.blending", "refuse", f"{mix.words()} by adding oxygen.")]
    if percent > pack.rule("oxygen.cleaned").amount("percent") + 1e-9:
        return [pack.finding("oxygen.cleaned", "refuse", f"{mix.words()}.")]
    if percent > pack.rule("oxygen.equipment").amount("percent") + 1e-9:
        return [pack.finding("oxygen.equipment", "tell", f"{mix.words()}.")]
    return []


def judge_oxygen_pressure(pack: Pack, spec: str, gas: Mix, target: Pressure) -> list[Finding]:
    """Oxygen itself in an aluminium cylinder, where a line limits its pressure."""
    key, rule = spec_known(pack, spec), pack.rule_or_none("oxygen.aluminium")
    if key is None or rule is None or pack.specification(key).metal not in ("aluminium", "any"):
        return []
    if gas.oxygen_fraction < _OXYGEN_ITSELF or not target.is_above(Pressure(rule.amount("psi"), "psi")):
        return []
    return [pack.finding_of(rule, "refuse", f"{target.words()} of oxygen.")]
