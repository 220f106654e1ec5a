"""Drawings of a bank: what its bottles hold, and how it sinks with each fill. Colours come from the style sheet.

Decides nothing: the same figures stand in a table beside each drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from gas.pressure import Pressure
from gas.quantity import in_unit
from plant.bank_state import BankState, BottleState
from plant.what_if import Course

_WIDTH, _LEFT, _RIGHT = 480, 60, 152
_ROW, _BAR, _TOP = 46, 26, 8
_PLOT_WIDTH, _HEIGHT, _PLOT_TOP, _PLOT_BOTTOM = 480, 260, 20, 44


@dataclass(frozen=True)
class _Scale:
    """From figures to the drawing."""

    most: float
    start: float
    length: float

    def __call__(self, value: float) -> float:
        return round(self.start + self.length * max(0.0, min(1.0, value / self.most)), 1)


def bottle_bars(bank: BankState) -> Markup:
    """One bar a bottle up to its service pressure: solid to the least it may hold, hollow to the most, and in words."""
    most = max(one.service.value for one in bank.bottles)
    scale = _Scale(most, _LEFT, _WIDTH - _LEFT - _RIGHT)
    rows = Markup("").join(_bar(bank, one, scale, _TOP + n * _ROW) for n, one in enumerate(bank.bottles))
    height = _TOP + len(bank.bottles) * _ROW
    return Markup(
        '<svg class="chart" viewBox="0 0 {} {}" role="img" aria-labelledby="bars-{id}"><title id="bars-{id}">'
        "Pressure in each bottle of {}, the figures are in the table</title>{}</svg>"
    ).format(_WIDTH, height, bank.name, rows, id=bank.bank_id)


def _bar(bank: BankState, bottle: BottleState, scale: _Scale, y: int) -> Markup:
    end = scale(bottle.service.value)
    label = Markup('<text class="chart-text chart-strong" x="{}" y="{}" text-anchor="end">{}</text>').format(
        _LEFT - 10, y + 20, bottle.name[:5]
    )
    is_unread = bottle.mol is None or bottle.is_withdrawn
    frame = Markup('<rect class="bank-frame{}" x="{}" y="{}" width="{}" height="{}" rx="4"/>').format(
        " is-unread" if is_unread else "", _LEFT, y, round(end - _LEFT, 1), _BAR
    )  # fmt: skip
    gauge, within = bank.gauge(bottle), bank.gauge_within(bottle)
    if bottle.is_withdrawn:
        return label + frame + _beside("withdrawn", y)
    if gauge is None or within is None:
        return label + frame + _beside("not read", y)
    low = scale(gauge.value - within.value)
    now = scale(gauge.value)
    bars = Markup(
        '<rect class="bank-held" x="{}" y="{}" width="{}" height="{}" rx="4"/>'
        '<line class="bank-now" x1="{now}" x2="{now}" y1="{}" y2="{}"/>'
    ).format(_LEFT, y, max(0.0, round(low - _LEFT, 1)), _BAR, y - 3, y + _BAR + 3, now=now)
    return (
        label
        + bars
        + frame
        + _beside(("about " if bottle.is_estimate else "") + f"{gauge.value:.0f} {gauge.unit}", y)
    )


def _beside(words: str, y: int) -> Markup:
    return Markup('<text class="chart-text" x="{}" y="{}">{}</text>').format(
        _WIDTH - _RIGHT + 10, y + 20, words
    )


def sinking(courses: Sequence[Course], best: str) -> Markup:
    """The fullest bottle over the number of fills: the best order solid with dots, the other dotted."""
    unit = courses[0].fullest[0].unit
    lines = [(course.order, [in_unit(one, unit) for one in course.fullest]) for course in courses]
    most = max(one.value for _, line in lines for one in line) * 1.05 or 1.0
    fills = max(1, *(len(line) - 1 for _, line in lines))
    x, y = _Scale(fills, _LEFT + 4, _PLOT_WIDTH - _LEFT - 40), _Scale(most, _HEIGHT - _PLOT_BOTTOM, -(_HEIGHT - _PLOT_TOP - _PLOT_BOTTOM))  # fmt: skip
    drawn = Markup("").join(_line(line, x, y, is_best=order == best) for order, line in lines)
    words = "; ".join(
        f"{order}: {len(line) - 1} fills, from {line[0].words()} to {line[-1].words()}"
        for order, line in lines
    )
    return Markup(
        '<svg class="chart" viewBox="0 0 {} {}" role="img" aria-labelledby="sink-title sink-desc">'
        '<title id="sink-title">Fullest bottle after each fill</title><desc id="sink-desc">{}</desc>{}{}</svg>'
    ).format(_PLOT_WIDTH, _HEIGHT, words, _axes(most, fills, unit, x, y), drawn)


def _line(line: Sequence[Pressure], x: _Scale, y: _Scale, *, is_best: bool) -> Markup:
    points = " ".join(f"{x(n)},{y(one.value)}" for n, one in enumerate(line))
    kind = "chart-line" if is_best else "chart-forecast"
    drawn = Markup('<polyline class="{}" fill="none" points="{}"/>').format(kind, points)
    if is_best and len(line) <= 30:
        drawn += Markup("").join(
            Markup('<circle class="chart-dot" cx="{}" cy="{}" r="5"/>').format(x(n), y(one.value))
            for n, one in enumerate(line)
        )
    return drawn


def _axes(most: float, fills: int, unit: str, x: _Scale, y: _Scale) -> Markup:
    step = next(
        one for one in (10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if most / one <= 5 or one == 5000
    )
    parts = []
    for value in range(0, int(most) + 1, step):
        parts.append(
            Markup(
                '<line class="chart-grid" x1="{}" x2="{}" y1="{y}" y2="{y}"/>'
                '<text class="chart-text" x="{}" y="{}" text-anchor="end">{}{}</text>'
            ).format(x(0), x(fills), x(0) - 8, y(value) + 6, value, "" if value else f" {unit}", y=y(value))
        )
    every = max(1, -(-fills // 6))
    for n in range(0, fills + 1, every):
        parts.append(
            Markup('<text class="chart-text" x="{}" y="{}" text-anchor="middle">{}{}</text>').format(
                x(n), _HEIGHT - 14, n, "" if n else " fills"
            )
        )
    return Markup("").join(parts)
