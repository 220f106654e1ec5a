"""Turns the tables of a checked pack into its lines. It is only called once `checking` has found nothing wrong."""

from typing import cast

from gas.pressure import Unit
from rulebook.lines import LINE, Table, texts_of
from rulebook.pack import (
    AirLimit,
    Amount,
    Bearing,
    Comparison,
    Criterion,
    Defect,
    Enough,
    FillerLine,
    FillerPaper,
    Limit,
    Measure,
    Metal,
    Only,
    Outcome,
    RequalificationMark,
    Rule,
    SampledAt,
    Specification,
    Standing,
)


def rule_of(table: Table, prefix: str = "") -> Rule:
    amounts = cast("dict[str, float]", table.get("amounts", {}))
    return Rule(
        id=f"{prefix}{table['id']}",
        words=str(table["words"]),
        source=str(table["source"]),
        clause=str(table["clause"]),
        edition=str(table["edition"]),
        standing=cast("Standing", table["standing"]),
        amounts=tuple(Amount(float(number), unit) for unit, number in amounts.items()),
    )


def specification_of(table: Table) -> Specification:
    ratio = cast("list[int] | None", table.get("test_ratio"))
    return Specification(
        key=str(table["id"]),
        rule=rule_of({field: table[field] for field in LINE}, "spec."),
        requalify_every_months=_months(table, "requalify_every_months"),
        first_requalify_months=_months(table, "first_requalify_months"),
        look_inside_every_months=_months(table, "look_inside_every_months"),
        life_months=_months(table, "life_months"),
        stamped_in=cast("Unit", table["stamped_in"]),
        metal=cast("Metal", table["metal"]),
        spellings=texts_of(table["spellings"]),
        numbered=bool(table.get("numbered", False)),
        may_carry_plus=bool(table.get("may_carry_plus", False)),
        bans_alloy_6351=bool(table.get("bans_alloy_6351", False)),
        test_ratio=None if ratio is None else (ratio[0], ratio[1]),
        tells=texts_of(table.get("tells", [])),
        approvals=texts_of(table.get("approvals", [])),
        approval_rule=str(table.get("approval_rule", "")),
    )


def criterion_of(table: Table) -> Criterion:
    return Criterion(
        id=str(table["id"]),
        words=str(table["words"]),
        source=str(table["source"]),
        clause=str(table["clause"]),
        edition=str(table["edition"]),
        standing=cast("Standing", table["standing"]),
        outcome=cast("Outcome", table["outcome"]),
        metal=cast("Metal", table["metal"]),
        meets=_limit_of(cast("Table | None", table.get("meets"))),
    )


def _limit_of(table: Table | None) -> Limit | None:
    if table is None:
        return None
    comparisons: tuple[Comparison, ...] = ("above", "from", "below")
    comparison = next((one for one in comparisons if one in table), None)
    return Limit(
        defect=cast("Defect", table["defect"]),
        measure=cast("Measure | None", table.get("measure")),
        comparison=comparison,
        number=0.0 if comparison is None else float(cast("float", table[comparison])),
        only=cast("tuple[Only, ...]", texts_of(table.get("only", []))),
    )


def air_limit_of(table: Table) -> AirLimit:
    return AirLimit(
        rule=rule_of(table),
        standard=str(table["standard"]),
        measured=str(table["measured"]),
        at_most=_number(table, "at_most"),
        at_least=_number(table, "at_least"),
        bar_above=_number(table, "bar_above"),
        bar_up_to=_number(table, "bar_up_to"),
        sampled_at=cast("SampledAt | None", table.get("sampled_at")),
    )


def requalification_mark_of(table: Table) -> RequalificationMark:
    return RequalificationMark(rule_of(table), str(table["symbol"]), cast("Enough", table["enough"]))


def filler_line_of(table: Table) -> FillerLine:
    return FillerLine(
        rule=rule_of(table),
        paper=cast("FillerPaper", table["paper"]),
        above_oxygen_percent=float(cast("float", table["above_oxygen_percent"])),
        bearing=cast("Bearing", table["bearing"]),
    )


def _months(table: Table, field: str) -> int | None:
    return cast("int | None", table.get(field))


def _number(table: Table, field: str) -> float | None:
    return None if field not in table else float(cast("float", table[field]))
