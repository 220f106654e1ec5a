"""What the next fills would do: the order that leaves most, and how long the machines run."""

from __future__ import annotations

import pytest
from tests.plant.bottles import read, said, set_up

from gas.bank import Bank, Waiting
from gas.machine import Booster, Compressor, EstimatedMinutes
from gas.pressure import Pressure
from plant.bank_fold import banks_of
from plant.what_if import MOST_CYLINDERS, what_if, with_gauges

FULL = Pressure(300, "bar")


def bank(*bars: float) -> Bank:
    names = "ABCDEF"[: len(bars)]
    turns = [said(1, set_up(*names)), *(said(2 + n, read(name, bar)) for n, (name, bar) in enumerate(zip(names, bars, strict=True)))]  # fmt: skip
    (found,) = banks_of(turns)
    return found.as_bank()


def row(count: int) -> list[Waiting]:
    return [Waiting(f"{n}", 11.1, Pressure(50, "bar"), Pressure(207, "bar")) for n in range(count)]


def test_four_full_bottles_fill_so_many() -> None:
    # 19 lowest first, 9 highest first: worked out with another program from the same equations (Lemmon et al. 2000).
    found = what_if(bank(300, 300, 300, 300), row(40), full=FULL)
    assert found.best == "lowest first"
    assert [(course.order, course.full_count) for course in found.courses] == [
        ("lowest first", 19),
        ("highest first", 9),
    ]


def test_the_line_of_the_plot_starts_now_and_never_rises() -> None:
    for course in what_if(bank(300, 280), row(12), full=FULL).courses:
        bars = [one.bar for one in course.fullest]
        assert len(bars) == course.full_count + 1
        assert bars[0] == pytest.approx(300, abs=0.01)
        assert bars == sorted(bars, reverse=True)


def test_what_is_lacking_is_what_was_given() -> None:
    full = bank(300, 300)
    found = what_if(full, row(3), full=FULL)
    given = sum(drawn.amount.mol for one in found.best_course.day.filled for drawn in one.drawn)
    assert found.refill.mol == pytest.approx(given, rel=1e-6)
    assert found.rest.mol == 0


def test_the_compressor_refills_and_the_booster_fills_the_rest() -> None:
    found = what_if(
        bank(220, 150),
        row(8),
        full=FULL,
        compressor=Compressor(340),
        booster=Booster(10, 20, Pressure(20, "bar")),
    )
    assert found.best_course.full_count < 8
    assert found.compressor is not None
    assert found.compressor.minutes == pytest.approx(found.refill.free_litre() / 340, rel=0.03)
    assert isinstance(found.booster, EstimatedMinutes)
    cannot = what_if(bank(120), row(8), full=FULL, booster=Booster(10, 1.2, Pressure(110, "bar")))
    assert isinstance(cannot.booster, tuple)
    assert "booster does not reach" in cannot.booster[0]


def test_nobody_waits_and_nothing_is_missing() -> None:
    found = what_if(bank(300), [], full=FULL, booster=Booster(10, 20, Pressure(20, "bar")))
    assert (found.asked, found.best_course.full_count, found.booster) == (0, 0, None)


def test_a_bank_without_a_reading_and_an_endless_row_are_refused() -> None:
    with pytest.raises(ValueError, match="no bottle"):
        what_if(banks_of((said(1, set_up("A")),))[0].as_bank(), row(1), full=FULL)
    with pytest.raises(ValueError, match="at most"):
        what_if(bank(300), row(MOST_CYLINDERS + 1), full=FULL)


def test_what_if_the_gauges_read_otherwise() -> None:
    changed = with_gauges(bank(300, 200), (None, Pressure(100, "bar")))
    assert [round(bottle.gauge.bar) for bottle in changed.bottles] == [300, 100]
