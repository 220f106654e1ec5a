"""Drawings made on the server: the fill curve and the cylinder. Colours come from the style sheet, so night is free.

Never decides anything: what is drawn is what was keyed, and a table of the same numbers can stand beside it.
"""

from collections.abc import Callable, Sequence
from math import ceil, floor, log10

from markupsafe import Markup

_WIDTH, _HEIGHT = 640, 210
_LEFT, _RIGHT, _TOP, _BOTTOM = 60, 16, 24, 38

Scale = Callable[[float], float]


SHORTEST_FOR_RATE_MIN = 20 / 60
"""Two readings nearer to each other than this say more about the hand on the gauge than about the compressor. Our choice."""


def fill_curve(
    readings: Sequence[tuple[float, float]],
    target: float,
    unit: str,
    plan: Sequence[tuple[float, float]] = (),
) -> Markup:
    """Readings as (minutes, pressure) against the target, both in `unit`; a dotted line carries the last rate on.

    `plan` is the line that the fill was planned along, in the same terms.
    """
    if not readings:
        return Markup("")
    minutes_end, forecast = _reach(readings, target)
    minutes_end = max([minutes_end, *(minutes * 1.03 for minutes, _ in plan)])
    value_top = max(target, *(value for _, value in (*readings, *plan))) * 1.02

    def x(minutes: float) -> float:
        return round(_LEFT + (_WIDTH - _LEFT - _RIGHT) * minutes / minutes_end, 1)

    def y(value: float) -> float:
        return round(_HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * value / value_top, 1)

    parts = [_grid(target, minutes_end, x, y)]
    if plan:
        along = " ".join(f"{x(minutes)},{y(value)}" for minutes, value in plan)
        parts.append(Markup('<polyline class="chart-plan" points="{}"/>').format(along))
    if forecast is not None:
        last_minutes, last_value = readings[-1]
        parts.append(
            Markup('<line class="chart-forecast" x1="{}" y1="{}" x2="{}" y2="{}"/>').format(
                x(last_minutes), y(last_value), x(forecast), y(target)
            )
        )
    points = " ".join(f"{x(minutes)},{y(value)}" for minutes, value in readings)
    parts.append(Markup('<polyline class="chart-line" points="{}"/>').format(points))
    parts += [
        Markup('<circle class="chart-dot" cx="{}" cy="{}" r="7"/>').format(x(minutes), y(value))
        for minutes, value in readings
    ]
    return Markup(
        '<svg class="chart" viewBox="0 0 {} {}" role="img" aria-labelledby="fill-curve-title fill-curve-desc">'
        '<title id="fill-curve-title">Pressure while filling</title>'
        '<desc id="fill-curve-desc">{}</desc>{}</svg>'
    ).format(_WIDTH, _HEIGHT, _words(readings, target, unit, plan), Markup("").join(parts))


def rate_over(readings: Sequence[tuple[float, float]]) -> float | None:
    """The rise a minute from the nearest reading that lies far enough before the last one; None where it does not tell."""
    if len(readings) < 2:
        return None
    last, high = readings[-1]
    earlier = [point for point in readings[:-1] if last - point[0] >= SHORTEST_FOR_RATE_MIN]
    if not earlier or high <= earlier[-1][1]:
        return None
    return (high - earlier[-1][1]) / (last - earlier[-1][0])


def _words(
    readings: Sequence[tuple[float, float]], target: float, unit: str, plan: Sequence[tuple[float, float]]
) -> str:
    first, last = readings[0], readings[-1]
    planned = f" Planned in {plan[-1][0]:.0f} min." if plan else ""
    return (
        f"{len(readings)} readings, from {first[1]:.0f} {unit} at {first[0]:.0f} min "
        f"to {last[1]:.0f} {unit} at {last[0]:.0f} min. Target {target:.0f} {unit}.{planned}"
    )


def _reach(readings: Sequence[tuple[float, float]], target: float) -> tuple[float, float | None]:
    """The end of the time axis, and when the target is met if the last rate holds (None when it cannot be told)."""
    last_minutes, last_value = readings[-1]
    shortest = max(2.0, last_minutes * 1.05)
    rate = rate_over(readings)
    if rate is None or last_value >= target:
        return shortest, None
    met = last_minutes + (target - last_value) / rate
    # A stalled fill would squeeze the readings into a corner: past three times the elapsed time nothing is foretold.
    return (met * 1.03, met) if met <= max(10.0, last_minutes * 3) else (shortest, None)


def _grid(target: float, minutes_end: float, x: Scale, y: Scale) -> Markup:
    parts = []
    for value in _ticks(target):
        near_target = abs(y(value) - y(target)) < 20
        if near_target and value != 0:
            continue
        parts.append(
            Markup(
                '<line class="chart-grid" x1="{}" y1="{}" x2="{}" y2="{}"/>'
                '<text class="chart-text" x="{}" y="{}" text-anchor="end">{:.0f}</text>'
            ).format(_LEFT, y(value), _WIDTH - _RIGHT, y(value), _LEFT - 10, y(value) + 6, value)
        )
    parts.append(
        Markup(
            '<line class="chart-target" x1="{}" y1="{}" x2="{}" y2="{}"/>'
            '<text class="chart-text chart-strong" x="{}" y="{}" text-anchor="end">{:.0f}</text>'
        ).format(_LEFT, y(target), _WIDTH - _RIGHT, y(target), _LEFT - 10, y(target) + 6, target)
    )
    step = max(1, ceil(minutes_end / 6))
    for minutes in range(0, floor(minutes_end) + 1, step):
        anchor = "end" if x(minutes) > _WIDTH - 40 else "middle"
        parts.append(
            Markup('<text class="chart-text" x="{}" y="{}" text-anchor="{}">{} min</text>').format(
                x(minutes), _HEIGHT - 10, anchor, minutes
            )
        )
    return Markup("").join(parts)


def _ticks(top: float) -> list[float]:
    rough = top / 3
    power = 10 ** floor(log10(rough)) if rough > 0 else 1
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * 0.75)
    return [step * count for count in range(floor(top / step) + 1)]


def cylinder(fraction: float) -> Markup:
    """A cylinder on its whip, filled to `fraction` of the target. The number beside it is the reading; this is not."""
    held = min(1.0, max(0.0, fraction))
    top, bottom = 64.0, 374.0
    level = round(bottom - (bottom - top) * held, 1)
    return Markup(
        '<svg class="cylinder" viewBox="0 0 180 384" aria-hidden="true" focusable="false">'
        '<clipPath id="cylinder-inside"><path d="{body}"/></clipPath>'
        '<rect class="cylinder-whip" x="98" y="12" width="82" height="14"/>'
        '<path class="cylinder-metal" d="M40 8h64v18H40z M62 26h22v26H62z M52 52h46v16H52z"/>'
        '<path class="cylinder-metal" d="{body}"/>'
        '<rect class="cylinder-level" x="0" y="{level}" width="180" height="{height}" clip-path="url(#cylinder-inside)"/>'
        '<path class="cylinder-edge" d="{body}"/></svg>'
    ).format(body=_BODY, level=level, height=round(bottom - level, 1))


_BODY = "M52 66C26 82 6 104 6 140V346Q6 376 36 376H114Q144 376 144 346V140C144 104 124 82 98 66Z"
