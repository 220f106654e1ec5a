"""Shows packs line by line with their sources: for the page of the rules in force, and for the page of all jurisdictions.

It must never leave a line out, nor show one without where it is written.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from rulebook.pack import Amount, Limit, Pack, Specification, Standing

_HEADING = """# The rulebook, line by line

Every line of every pack: what it says, where it is written, in which edition, and what it is. This page is made from
the packs by `python -m rulebook` and compared with them by a test, so that neither changes without the other.

These lines help people who are trained for the work. The law in force, local codes, permits, the standard on the
bench and the judgement of a licensed inspector come before them. When in doubt, do not fill.

*law*: the text was read, in the edition named, or is cited by an authority. *standard*: a standard, a manual or the
guidance of an authority, second-hand where the line says so. *common practice*: the trade does it, with a source or
with none. *from memory*: no text at hand; verify before relying on it. A line from memory keeps cylinders back and
never lets one through: a pack whose period of tests is from memory does not load.
"""


@dataclass(frozen=True)
class Line:
    """One line of a pack, ready to be shown."""

    kind: str
    id: str
    words: str
    source: str
    clause: str
    edition: str
    standing: Standing


def lines_of(pack: Pack) -> tuple[Line, ...]:
    """Every line of the pack, kind by kind."""
    return tuple(_lines(pack))


def as_page(packs: tuple[Pack, ...]) -> str:
    """All packs as one page of Markdown."""
    return "\n".join([_HEADING, *(_section(pack) for pack in packs)])


def _lines(pack: Pack) -> Iterator[Line]:
    for spec in pack.specifications:
        one = spec.rule
        yield Line(
            "cylinder",
            spec.key,
            f"{one.words} {_periods(spec)}",
            one.source,
            one.clause,
            one.edition,
            one.standing,
        )
    for one in pack.rules:
        yield Line(
            "rule",
            one.id,
            one.words + _numbers(one.amounts),
            one.source,
            one.clause,
            one.edition,
            one.standing,
        )
    for mark in pack.marks:
        one = mark.rule
        yield Line("sign", one.id, one.words, one.source, one.clause, one.edition, one.standing)
    for filler in pack.fillers:
        one = filler.rule
        words = f"{one.words} Asked above {filler.above_oxygen_percent:g} % oxygen."
        yield Line("who fills", one.id, words, one.source, one.clause, one.edition, one.standing)
    for limit in pack.air:
        one = limit.rule
        words = f"{limit.standard}: {one.words}"
        yield Line("air", one.id, words, one.source, one.clause, one.edition, one.standing)
    for met in pack.criteria:
        words = met.words + _measured(met.meets)
        yield Line(met.outcome, met.id, words, met.source, met.clause, met.edition, met.standing)


def _periods(spec: Specification) -> str:
    months = spec.requalify_every_months
    said = "Period by its permit." if months is None else f"Period {months} months."
    if spec.first_requalify_months is not None:
        said += f" First {spec.first_requalify_months} months after manufacture."
    if spec.life_months is not None:
        said += f" Life {spec.life_months} months."
    return said


def _numbers(amounts: tuple[Amount, ...]) -> str:
    return f" ({', '.join(f'{one.unit} {one.number:g}' for one in amounts)})" if amounts else ""


def _measured(limit: Limit | None) -> str:
    if limit is None or limit.measure is None:
        return ""
    return f" ({limit.measure} {limit.comparison} {limit.number:g})"


def _section(pack: Pack) -> str:
    rows = "\n".join(
        "| " + " | ".join(_cell(part) for part in row) + " |"
        for row in (
            (one.kind, one.id, one.words, one.source, one.clause, one.edition, one.standing)
            for one in lines_of(pack)
        )
    )
    head = "| kind | line | what it says | source | clause | edition | what it is |\n|---|---|---|---|---|---|---|"
    return f"## {pack.words} ({pack.jurisdiction})\n\nEdition: {pack.edition}.\n\n{head}\n{rows}\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("`", "'")
