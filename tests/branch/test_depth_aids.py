"""Depth aids: published figures, rounded to the safe side, and clear words for what is no figure."""

from __future__ import annotations

import math

import pytest

from branch.depth_aids import AIDS, DepthAnswer, DepthAsked, DepthUnit, aid_of, answer


def asked(aid_name: str, unit: DepthUnit = "m", **keyed: str) -> DepthAnswer:
    aid = aid_of(aid_name)
    assert aid is not None
    found = answer(aid, DepthAsked(unit=unit, **keyed), unit)
    assert isinstance(found, DepthAnswer), found
    return found


def figures(found: DepthAnswer) -> list[str]:
    return [line.words for line in found.lines]


def reasons(aid_name: str, unit: DepthUnit = "m", **keyed: str) -> str:
    aid = aid_of(aid_name)
    assert aid is not None
    found = answer(aid, DepthAsked(unit=unit, **keyed), unit)
    assert not isinstance(found, DepthAnswer)
    return " ".join(reason.words for reason in found)


def test_mod_is_rounded_down() -> None:
    # 111 ft and 95 ft: figures of a training text, by the same formula.
    assert figures(asked("mod", "ft", oxygen="32"))[0] == "111 ft"
    assert figures(asked("mod", "ft", oxygen="36"))[0] == "95 ft"
    assert figures(asked("mod", oxygen="32")) == ["33 m", "40 m"]


def test_a_depth_of_regulation_takes_the_mix_of_regulation() -> None:
    # 29 CFR 1910 Subpart T Appendix C: 28 % for 130 fsw at 1.4 ATA.
    assert figures(asked("best-mix", "ft", depth="130"))[0] == "28 %"


def test_ead_is_rounded_up() -> None:
    # US Navy Diving Manual chapter 10: 32 % at 63 fsw is 50 fsw (49.6 by the formula).
    assert asked("ead", "ft", oxygen="32", depth="63").lines[0].words == "50 ft"
    assert "49.6 ft" in asked("ead", "ft", oxygen="32", depth="63").lines[0].note


def test_end_names_both_conventions() -> None:
    # Trimix 20/40 at 60 m: 32 m in a training text, oxygen counted.
    both, nitrogen = asked("end", oxygen="20", helium="40", depth="60").lines
    assert both.words == "32 m"
    assert "oxygen and nitrogen" in both.label
    assert "nitrogen alone" in nitrogen.label
    assert nitrogen.value == math.ceil(0.4 * 70 / 0.79 - 10)


def test_density_says_when_it_is_too_dense() -> None:
    assert "easy" in asked("density", oxygen="21", depth="30").lines[0].note
    assert "too dense" in asked("density", oxygen="21", depth="50").lines[0].note


def test_the_next_higher_line_of_the_table_holds() -> None:
    # NOAA: 150 minutes at 1.4 ATA, 180 in a day. EAN32 at 33 m breathes 1.376.
    assert figures(asked("exposure", oxygen="32", depth="33", minutes="75")) == [
        "1.38 ATA", "150 minutes", "180 minutes", "50 %",
    ]  # fmt: skip


def test_below_the_table_there_is_no_limit_and_past_it_no_time() -> None:
    assert "no limit" in asked("exposure", oxygen="21", depth="5").lines[0].note
    past = asked("exposure", oxygen="50", depth="40")
    assert "no time" in past.lines[0].note
    assert "Do not breathe it there" in past.warnings[0]


@pytest.mark.parametrize("aid", ["ead", "end", "density"])
def test_a_depth_past_the_oxygen_limit_is_said(aid: str) -> None:
    assert "Do not breathe it there" in asked(aid, oxygen="50", depth="40").warnings[0]


def test_a_thin_mixture_is_not_for_the_surface() -> None:
    assert "surface" in asked("mod", oxygen="10", helium="70").warnings[0]


def test_every_fault_of_the_input_is_named_at_once() -> None:
    words = reasons("exposure", oxygen="lots", helium="-4", depth="9999", minutes="long")
    for name in ("Oxygen", "Helium", "Depth", "Time"):
        assert f"{name}: key a number from" in words
    assert "more than the whole gas" in reasons("end", oxygen="21", helium="90", depth="10")
    assert "for nitrox" not in reasons("ead", oxygen="nan", depth="inf")


@pytest.mark.parametrize("aid", [aid.name for aid in AIDS])
@pytest.mark.parametrize("text", ["", "nan", "inf", "-1", "1e999", "٣٢٣٢", "x" * 40])
def test_what_is_no_figure_gives_words(aid: str, text: str) -> None:
    assert "key a number from" in reasons(aid, oxygen=text, depth=text, limit="0")


def test_a_comma_is_a_point() -> None:
    assert asked("mod", oxygen="32,0") == asked("mod", oxygen="32.0")
