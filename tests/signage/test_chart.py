"""The fill curve says the same in words as in lines, and foretells only what the readings carry."""

from signage.chart import cylinder, fill_curve

READINGS = [(0.0, 620.0), (1.0, 870.0), (2.0, 1130.0)]


def test_the_curve_tells_its_readings_in_words() -> None:
    drawn = fill_curve(READINGS, 3000, "psi")
    assert "3 readings, from 620 psi at 0 min to 1130 psi at 2 min. Target 3000 psi." in drawn
    assert drawn.count("chart-dot") == 3


def test_the_last_rate_is_carried_on_to_the_target() -> None:
    assert "chart-forecast" in fill_curve(READINGS, 3000, "psi")


def test_a_fill_that_has_stalled_foretells_nothing() -> None:
    assert "chart-forecast" not in fill_curve([*READINGS, (3.0, 1130.0)], 3000, "psi")


def test_a_target_that_was_reached_foretells_nothing() -> None:
    assert "chart-forecast" not in fill_curve([*READINGS, (9.0, 3000.0)], 3000, "psi")


def test_no_reading_draws_nothing() -> None:
    assert fill_curve([], 3000, "psi") == ""


def test_the_unit_cannot_carry_markup() -> None:
    assert "<script" not in fill_curve(READINGS, 3000, "<script>")


def test_a_cylinder_is_never_drawn_above_full() -> None:
    assert cylinder(1.7) == cylinder(1.0)
    assert cylinder(-1.0) == cylinder(0.0)
