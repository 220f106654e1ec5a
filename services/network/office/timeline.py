"""A cylinder's whole life as a drawing: what was held against it, tests, fills by shop, exposures. Own SVG, no script.

Shops differ by shape, findings by shape and word; the table of the same facts stands beside it. Pure.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from cylinder import facts
from network.office.documents import CylinderLife, HistoryRow

_WIDTH, _LEFT, _RIGHT, _LANE, _TOP = 1240, 170, 40, 64, 20
_SHORTEST_DAYS = 28
_BESIDE_PX = 13

X = Callable[[dt.date], float]
Shape = Callable[[float, float], Markup]


@dataclass(frozen=True, slots=True)
class Key:
    """One sign of the legend: its drawing and what it means."""

    sign: Markup
    words: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """The picture and its legend."""

    svg: Markup
    legend: tuple[Key, ...]


def whole_life(life: CylinderLife, today: dt.date) -> Drawing:
    """Draw a cylinder's life from its first fact to today."""
    days = [row.performed_on for row in life.history] + [fill.performed_on for fill in life.fills]
    last = max([today, *days])
    first = min([last - dt.timedelta(days=_SHORTEST_DAYS), *days])
    span = max(1, (last - first).days)

    def x(day: dt.date) -> float:
        return round(_LEFT + (_WIDTH - _LEFT - _RIGHT) * (day - first).days / span, 1)

    shops = {fill.node: fill.shop for fill in reversed(life.fills)}
    shapes = {node: _SHAPES[n % len(_SHAPES)] for n, node in enumerate(shops)}
    lanes: list[tuple[str, Callable[[float], Markup]]] = [
        ("Held against it", lambda y: _held(life, x, y, last)),
        ("Requalified", lambda y: _marks(life, (facts.Requalified.KIND,), _bar, x, y)),
        ("Inside look", lambda y: _looks(life, x, y)),
        ("Fills", lambda y: _fills(life, shapes, x, y)),
        ("Exposures", lambda y: _spread([one.filled_on for one in life.exposures], _warning, x, y)),
        ("Refused", lambda y: _marks(life, (facts.VisitRefused.KIND,), _cross, x, y)),
    ]
    height = _TOP + _LANE * len(lanes) + 44
    bottom = _TOP + _LANE * len(lanes)
    parts = [_grid(first, last, x, bottom)]
    for n, (label, draw) in enumerate(lanes):
        y = _TOP + _LANE * n + _LANE / 2
        parts += [_text(_LEFT - 16, y + 6, label, end=True, strong=True), draw(y)]
    parts.append(_line("chart-now", x(today), _TOP, x(today), bottom))
    svg = Markup(
        '<svg class="chart" viewBox="0 0 {} {}" role="img" aria-labelledby="life-title life-desc">'
        '<title id="life-title">Whole life</title><desc id="life-desc">{}</desc>{}</svg>'
    ).format(_WIDTH, height, _words(life, first, last), Markup("").join(parts))
    return Drawing(svg, _legend(shops, shapes))


def _words(life: CylinderLife, first: dt.date, last: dt.date) -> str:
    shops = len({fill.node for fill in life.fills})
    return (
        f"From {_day(first)} to {_day(last)}: {_count(len(life.fills), 'fill')} at {_count(shops, 'shop')}, "
        f"{_count(len(life.exposures), 'exposure')}, {_count(len(life.blocks), 'open block')}. "
        "The table below holds every record."
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _grid(first: dt.date, last: dt.date, x: X, bottom: float) -> Markup:
    parts = []
    for day, words in _ticks(first, last):
        parts.append(_line("chart-grid", x(day), _TOP, x(day), bottom))
        if x(day) < _WIDTH - 130:
            parts.append(_text(x(day) + 4, bottom + 28, words))
    parts.append(_text(_WIDTH - 4, bottom + 28, "today", end=True, strong=True))
    return Markup("").join(parts)


def _ticks(first: dt.date, last: dt.date) -> list[tuple[dt.date, str]]:
    """Years, months or weeks: whichever gives between about three and fourteen lines."""
    span = (last - first).days
    if span > 900:
        step = max(1, span // 365 // 12)
        return [(dt.date(year, 1, 1), str(year)) for year in range(first.year + 1, last.year + 1, step)]
    if span > 80:
        # Months counted from year 0, January 0: the month after the first, up to that of the last day.
        months = range(first.year * 12 + first.month, last.year * 12 + last.month)
        days = [dt.date(month // 12, month % 12 + 1, 1) for month in months[:: max(1, span // 300)]]
        return [(day, f"{day:%b %Y}") for day in days]
    week = [first + dt.timedelta(days=7 * n) for n in range(1, span // 7 + 1)]
    return [(day, f"{day.day} {day:%b}") for day in week[:: max(1, span // 49)]]


def _held(life: CylinderLife, x: X, y: float, last: dt.date) -> Markup:
    """A bar for every block, from the day of the finding to the day it was lifted, or to now."""
    is_open = {block.id for block in life.blocks}
    parts = []
    for row in reversed(life.history):
        if row.effect != "block":
            continue
        lifted = [other.performed_on for other in life.history if row.event_id in other.clears]
        until = last if row.event_id in is_open or not lifted else min(lifted)
        left, right = x(row.performed_on), max(x(until), x(row.performed_on) + 12)
        kind = "chart-hold" if row.kind == facts.HoldPlaced.KIND else "chart-stop"
        parts.append(_rect(kind, left, y - 15, right - left, 30))
        # Beside the bar, so that a short one can be read as well; on its left when the right is too near the edge.
        at_end = left > _WIDTH * 0.6
        parts.append(_text(left - 8 if at_end else right + 8, y + 6, row.title, end=at_end, strong=True))
    return Markup("").join(parts[:80])


def _looks(life: CylinderLife, x: X, y: float) -> Markup:
    passed = _marks(life, (facts.VisualPassed.KIND,), _good, x, y)
    return passed + _marks(life, (facts.VisualFailed.KIND,), _stop, x, y)


def _marks(life: CylinderLife, kinds: tuple[str, ...], shape: Shape, x: X, y: float) -> Markup:
    rows: list[HistoryRow] = [row for row in life.history if row.kind in kinds]
    return _spread([row.performed_on for row in rows], shape, x, y)


def _fills(life: CylinderLife, shapes: dict[str, Shape], x: X, y: float) -> Markup:
    parts = []
    for n, fill in enumerate(reversed(life.fills)):
        parts.append(shapes[fill.node](x(fill.performed_on), y + (n % 3 - 1) * _BESIDE_PX))
    return Markup("").join(parts)


def _spread(days: Sequence[dt.date], shape: Shape, x: X, y: float) -> Markup:
    return Markup("").join(shape(x(day), y) for day in days)


def _legend(shops: dict[str, str], shapes: dict[str, Shape]) -> tuple[Key, ...]:
    keys = [Key(_small(shapes[node]), f"filled at {name}") for node, name in shops.items()]
    keys += [
        Key(_small(_bar), "requalified"),
        Key(_small(_good), "inside look passed"),
        Key(_small(_stop), "found bad"),
        Key(_small(_warning), "on hold, or exposure"),
        Key(_small(_cross), "refused"),
    ]
    return tuple(keys)


def _small(shape: Shape) -> Markup:
    return Markup(
        '<svg width="26" height="26" viewBox="0 0 26 26" aria-hidden="true" focusable="false">{}</svg>'
    ).format(shape(13, 13))


def _circle(x: float, y: float) -> Markup:
    return Markup('<circle class="chart-mark" cx="{}" cy="{}" r="8"/>').format(x, y)


def _square(x: float, y: float) -> Markup:
    return _rect("chart-mark-open", x - 7, y - 7, 14, 14)


def _triangle(x: float, y: float) -> Markup:
    return _path("chart-mark", f"M{x} {y - 9}L{x + 9} {y + 7}H{x - 9}Z")


def _ring(x: float, y: float) -> Markup:
    return Markup('<circle class="chart-mark-open" cx="{}" cy="{}" r="7"/>').format(x, y)


def _down(x: float, y: float) -> Markup:
    return _path("chart-mark-open", f"M{x} {y + 9}L{x + 9} {y - 7}H{x - 9}Z")


def _plus(x: float, y: float) -> Markup:
    return _path("chart-mark", f"M{x - 3} {y - 9}h6v6h6v6h-6v6h-6v-6h-6v-6h6z")


_SHAPES: tuple[Shape, ...] = (_circle, _square, _triangle, _ring, _down, _plus)


def _bar(x: float, y: float) -> Markup:
    return _rect("chart-good", x - 7, y - 12, 14, 24)


def _good(x: float, y: float) -> Markup:
    return Markup('<circle class="chart-good" cx="{}" cy="{}" r="10"/>').format(x, y)


def _stop(x: float, y: float) -> Markup:
    """An octagon."""
    return _path("chart-stop", f"M{x - 5} {y - 11}h10l6 6v10l-6 6h-10l-6 -6v-10z")


def _warning(x: float, y: float) -> Markup:
    """A diamond."""
    return _path("chart-hold", f"M{x} {y - 11}L{x + 11} {y}L{x} {y + 11}L{x - 11} {y}Z")


def _cross(x: float, y: float) -> Markup:
    return _path("chart-now", f"M{x - 8} {y - 8}L{x + 8} {y + 8}M{x + 8} {y - 8}L{x - 8} {y + 8}")


def _path(kind: str, d: str) -> Markup:
    return Markup('<path class="{}" d="{}"/>').format(kind, d)


def _rect(kind: str, x: float, y: float, width: float, height: float) -> Markup:
    return Markup('<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>').format(
        kind, round(x, 1), round(y, 1), round(width, 1), height
    )


def _line(kind: str, x1: float, y1: float, x2: float, y2: float) -> Markup:
    return Markup('<line class="{}" x1="{}" y1="{}" x2="{}" y2="{}"/>').format(kind, x1, y1, x2, y2)


def _text(x: float, y: float, words: str, *, end: bool = False, strong: bool = False) -> Markup:
    return Markup('<text class="chart-text{}" x="{}" y="{}" text-anchor="{}">{}</text>').format(
        " chart-strong" if strong else "", round(x, 1), round(y, 1), "end" if end else "start", words
    )


def _day(day: dt.date) -> str:
    return f"{day.day} {day:%b %Y}"
