"""What a receipt says, in both its parts, and what it never says."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from tests.receipts.story import AIR, HANDED_OVER_ON, NITROX, Branch, Told, bar, named, psi

import rulebook
from cylinder.blending import Blending
from cylinder.facts import BlendPlanned, Condemned, FillAuthorisedByPlan, FillPlanned, HoldPlaced
from cylinder.gases import BlendQuestion
from cylinder.marks import GasWanted, KeyedPressure, Marks
from cylinder.recorded import origin_of, recorded
from cylinder.standing import Standing, standing
from cylinder.visit import visit
from eventlog.envelope import read
from receipts.letter import Given, HandOver, Letter, Untellable, letter
from receipts.shop import Shop

US = rulebook.load("us")
HARBOUR = Shop("harbour", "Harbour Dive Shop", "+1 305 555 0142", "desk@harbour.example")


def given(told: Told, *, against: Standing | None = None, filled_by: str = "Jo M.") -> Given:
    envelopes = [read(sealed.raw) for sealed in Branch().visit(told)]
    facts = [recorded(one.event, origin_of(one.place)) for one in envelopes]
    return Given(
        visit(told.visit_id, facts), against or Standing(cylinder_id=told.cylinder_id), filled_by=filled_by
    )


def written(
    *all_told: Told, shop: Shop = HARBOUR, on: dt.date = HANDED_OVER_ON, name: str = "Ana Ruiz"
) -> Letter:
    handover = HandOver(named("hand-over one"), on, shop, tuple(given(told) for told in all_told))
    return letter(handover, name, US)


class _Words(HTMLParser):
    """The words of a page in order, without its styles."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._silent += tag in ("style", "title")

    def handle_endtag(self, tag: str) -> None:
        self._silent -= tag in ("style", "title")

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.words.append(data)


def words_of(html: str) -> str:
    reader = _Words()
    reader.feed(html)
    return " ".join(" ".join(reader.words).split())


def figures(words: str) -> list[str]:
    return sorted(re.findall(r"[0-9]+(?:\.[0-9]+)?", words))


def test_what_was_filled_and_rated_is_told_in_both_units() -> None:
    text = written(AIR).text

    assert "14 - FULL - Air" in text
    assert "Filled to: 3000 psi (207 bar)" in text
    assert "Rated, read off the stamp: 3000 psi (207 bar)" in text
    assert "Came in with: 620 psi (43 bar)" in text
    assert "Serial: B0471-8Q" in text


def test_a_cylinder_stamped_in_bar_is_told_in_bar_first() -> None:
    text = written(replace(AIR, rated=bar(232), end=bar(230), start=bar(42))).text

    assert "Filled to: 230 bar (3336 psi)" in text
    assert "Rated, read off the stamp: 232 bar (3365 psi)" in text


def test_nitrox_is_told_as_it_was_measured_with_its_depth_rounded_down() -> None:
    text = written(NITROX).text

    # 10·(1.4/0.321 − 1) = 33.6 msw and 33·(1.4/0.321 − 1) = 110.9 fsw, by Dalton's law (29 CFR 1910 subpart T, App. C).
    assert "Analysed: 32.1 % oxygen" in text
    assert "Deepest (MOD) at 1.4 atm of oxygen: 33 m (110 ft)" in text
    assert "15 - FULL - Nitrox 32.1 %" in text


def test_air_is_told_without_a_depth_that_its_oxygen_would_allow() -> None:
    assert "Deepest" not in written(AIR).text
    assert "Deepest" not in written(replace(AIR, analysed=(20.9, 0))).text


def test_trimix_tells_its_helium_and_warns_of_little_oxygen() -> None:
    mixed = replace(NITROX, gas=GasWanted(oxygen_percent=18, helium_percent=45), analysed=(17.8, 44.6))
    text = written(mixed).text

    assert "Analysed: 17.8 % oxygen, 44.6 % helium" in text
    assert "Trimix 17.8/44.6" in text
    assert "This gas holds less oxygen than air." in text


def test_a_signature_is_told_where_there_is_one() -> None:
    assert "Signed for: by you, after you read the analysis" in written(replace(NITROX, is_signed=True)).text
    assert "Signed for" not in written(NITROX).text


def test_a_mix_that_was_taken_as_it_reads_is_told_with_the_wish() -> None:
    text = written(replace(NITROX, analysed=(35.8, 0), is_taken=True, is_signed=True)).text

    assert "Nitrox 32 was asked for, Nitrox 35.8 % is in it." in text
    # 10·(1.4/0.358 − 1) = 29.1 msw and 33·(1.4/0.358 − 1) = 96.05 fsw.
    assert "Deepest (MOD) at 1.4 atm of oxygen: 29 m (96 ft)" in text
    assert "15 - FULL - Nitrox 35.8 %" in text


@pytest.mark.parametrize("analysed", [None, (90.0, 20.0), (0.0, 100.0)])
def test_a_mix_without_a_usable_analysis_is_never_called_full(analysed: tuple[float, float] | None) -> None:
    shown = written(replace(NITROX, analysed=analysed))

    assert "15 - DO NOT USE" in shown.text
    assert "FULL" not in shown.text.split("WHAT")[0]


@pytest.mark.parametrize(
    "told",
    [
        (AIR,),
        (NITROX,),
        (AIR, NITROX),
        (replace(AIR, looked_inside="2025-06"), replace(NITROX, rated=bar(232), end=bar(231.5))),
        (replace(NITROX, gas=GasWanted(oxygen_percent=18, helium_percent=45), analysed=(17.8, 44.6)),),
    ],
)
def test_text_and_html_agree_on_every_figure(told: tuple[Told, ...]) -> None:
    shown = written(*told)

    assert figures(words_of(shown.html)) == figures(shown.text)
    assert len(figures(shown.text)) > 10


def test_text_and_html_say_the_same_words() -> None:
    shown = written(AIR, NITROX)

    def plain(words: str) -> set[str]:
        return set(re.findall(r"[a-z]{2,}", words.lower()))

    assert plain(shown.text) == plain(words_of(shown.html))


def test_dates_that_matter_come_from_the_rulebook() -> None:
    text = written(AIR).text

    # Five years for a 3AL by 49 CFR 180.209(a); a year for the look inside, common practice. To the month's last day.
    assert "Requalification good to: 30 April 2029" in text
    assert "Inside look good to: 28 February 2027" in text
    assert "only." not in text


def test_a_date_that_runs_out_within_31_days_is_in_a_box_of_its_own() -> None:
    shown = written(replace(AIR, looked_inside="2025-06"))

    assert "Inside look good to 30 June 2026 only." in shown.text
    assert "No shop of this network fills it after that" in shown.text
    assert 'class="notice soon"' in shown.html


@pytest.mark.parametrize(("on", "is_warned"), [(dt.date(2026, 5, 30), True), (dt.date(2026, 5, 29), False)])
def test_the_warning_begins_31_days_before(on: dt.date, is_warned: bool) -> None:
    shown = written(replace(AIR, looked_inside="2025-06"), on=on)

    assert ("Inside look good to 30 June 2026 only." in shown.text) is is_warned


def test_the_bench_has_looked_since_the_sticker_was_read() -> None:
    bench = Standing(cylinder_id=AIR.cylinder_id, looked_inside="2026-06", requalified="2026-06")
    handover = HandOver(
        named("x"), HANDED_OVER_ON, HARBOUR, (given(replace(AIR, looked_inside="2025-06"), against=bench),)
    )
    text = letter(handover, "Ana Ruiz", US).text

    assert "Inside look good to: 30 June 2027" in text
    assert "Requalification good to: 30 June 2031" in text


def test_a_specification_that_the_rules_do_not_know_gets_no_invented_date() -> None:
    odd = replace(AIR, marks=Marks(serial="Z1", maker="M1", spec="9ZZ", first_test="2020-01"))

    assert "Requalification good to: not known, ask the shop" in written(odd).text


def test_the_tape_is_explained_and_never_put_back() -> None:
    text = written(AIR).text

    assert "Tape over the valve means full" in text
    assert "Take it off before you use the cylinder." in text
    assert "Never put it back" in text


def test_it_cools_and_is_to_be_analysed_before_the_dive() -> None:
    for words in (" ".join(written(AIR).text.split()), words_of(written(AIR).html)):
        assert (
            "A cylinder cools after filling and drops a little: check the gauge and analyse before you dive."
            in words
        )


def test_the_shop_can_be_reached_by_what_the_network_knows_of_it() -> None:
    full = written(AIR)
    assert "Call +1 305 555 0142." in full.text
    assert "Write to desk@harbour.example, or answer this mail." in full.text
    assert 'href="tel:+13055550142"' in full.html

    bare = written(AIR, shop=Shop("harbour", "Harbour Dive Shop"))
    assert "HOW TO REACH HARBOUR DIVE SHOP\n\nAnswer this mail.\n" in bare.text
    assert "tel:" not in bare.html
    assert "mailto:" not in bare.html


def test_a_condemned_cylinder_is_not_called_full_even_if_the_mail_was_late() -> None:
    branch = Branch(slug="reef")
    condemned = Condemned(
        reason="Crack in the neck threads",
        criterion_id="c",
        criterion="A crack",
        clause="49 CFR 180.205(i)",
        serial_read="B0471-8Q",
    )
    sealed = branch.say(condemned, subject=f"cylinder/{AIR.cylinder_id}")
    envelope = read(sealed.raw)
    against = standing(AIR.cylinder_id, [recorded(envelope.event, origin_of(envelope.place))], [])
    handover = HandOver(named("x"), HANDED_OVER_ON, HARBOUR, (given(AIR, against=against), given(NITROX)))
    shown = letter(handover, "Ana Ruiz", US)

    assert shown.subject == "Do not use tag 14 from Harbour Dive Shop"
    assert "14 - DO NOT USE - Air" in shown.text
    assert "Condemned on 13 June 2026." in shown.text
    assert "Reason: Crack in the neck threads." in shown.text
    assert "15 - FULL" in shown.text
    assert shown.text.startswith("Ana Ruiz, do not use tag 14\n")


def test_when_nothing_is_full_the_tape_is_not_explained() -> None:
    hold = HoldPlaced(reason="Smells of oil")
    sealed = Branch().say(hold, subject=f"cylinder/{AIR.cylinder_id}")
    envelope = read(sealed.raw)
    against = standing(AIR.cylinder_id, [recorded(envelope.event, origin_of(envelope.place))], [])
    handover = HandOver(named("x"), HANDED_OVER_ON, HARBOUR, (given(AIR, against=against),))

    assert "means full" not in letter(handover, "Ana Ruiz", US).text


def test_a_gauge_above_the_rating_is_not_called_full() -> None:
    text = written(replace(AIR, end=psi(3200))).text

    assert "14 - DO NOT USE" in text
    assert "The gauge stood above the rated pressure when the fill ended." in text


def test_a_warm_gauge_that_was_planned_above_the_rating_is_full_and_says_what_it_settles_to() -> None:
    plan = FillPlanned(
        room_c=34, volume_litre=11.1, rate_bar_per_min=20, stop=psi(3340), minutes=9.7, rise_kelvin=17.5,
        rise_within_kelvin=7, settles_to_bar=200.8, settles_within_bar=6,
    )  # fmt: skip
    one = given(replace(AIR, end=psi(3340)))
    started = FillAuthorisedByPlan(visit_id=one.visit.id, target=psi(3000), rated=psi(3000), plan=plan)

    def told(end: KeyedPressure) -> str:
        assert one.visit.completed is not None
        done = one.visit.completed.model_copy(update={"end": end})
        filled = replace(one, visit=replace(one.visit, authorised=started, completed=done))
        return letter(HandOver(named("x"), HANDED_OVER_ON, HARBOUR, (filled,)), "Ana Ruiz", US).text

    assert "14 - FULL" in told(psi(3340))
    assert "about 2912 psi (201 bar), give or take 87 psi (estimate)" in told(psi(3340))
    assert "14 - DO NOT USE" in told(psi(3400))


def test_a_fill_that_ended_short_of_its_plan_is_not_told_with_what_the_plan_foresaw() -> None:
    plan = FillPlanned(
        room_c=22, volume_litre=11.1, rate_bar_per_min=20, stop=psi(3340), minutes=9.7, rise_kelvin=17.5,
        rise_within_kelvin=7, settles_to_bar=200.8, settles_within_bar=6,
    )  # fmt: skip
    one = given(replace(AIR, end=psi(2200)))
    started = FillAuthorisedByPlan(visit_id=one.visit.id, target=psi(3000), rated=psi(3000), plan=plan)
    filled = replace(one, visit=replace(one.visit, authorised=started))

    text = letter(HandOver(named("x"), HANDED_OVER_ON, HARBOUR, (filled,)), "Ana Ruiz", US).text

    assert "less than the gauge showed warm" in text
    assert "201 bar" not in text


def blended(end: KeyedPressure, settles_to_bar: float | None, *, at_c: float = 35) -> Given:
    """Nitrox of 32 % to a rating of 207 bar, its last step read at that temperature of the wall."""
    one = given(replace(NITROX, rated=bar(207), end=end))
    question = BlendQuestion(
        read=end, cylinder_c=at_c, oxygen_percent=32, helium_percent=0, wish=NITROX.gas, end=bar(207), limit=bar(207),
        step_c=at_c, volume_litre=11.1, gases=(),
    )  # fmt: skip
    last = BlendPlanned(
        visit_id=one.visit.id, follows="step", question=question, valve="yoke", settles_to_bar=settles_to_bar
    )
    return replace(one, visit=replace(one.visit, blending=Blending((last,))))


def of_blend(one: Given) -> str:
    return letter(HandOver(named("x"), HANDED_OVER_ON, HARBOUR, (one,)), "Ana Ruiz", US).text


@pytest.mark.parametrize(
    ("end", "settles_to_bar", "word"),
    [
        (bar(218), 205.2, "FULL"),  # Warm.
        (bar(207), 207.9, "FULL"),  # Within what a gauge can be off.
        (bar(218), 218.0, "DO NOT USE"),
        (
            bar(203),
            225.4,
            "DO NOT USE",
        ),  # Below the rating on a cold gauge, and far above it once it is warm.
    ],
)
def test_a_blend_is_judged_by_what_it_settles_to(
    end: KeyedPressure, settles_to_bar: float, word: str
) -> None:
    text = of_blend(blended(end, settles_to_bar))

    assert f"- {word}" in text
    assert ("settles above the rated pressure" in text) == (word == "DO NOT USE")
    assert "At 21 °C (70 °F): about" in text


def test_a_blend_of_which_nothing_says_what_it_settles_to_is_judged_by_its_gauge() -> None:
    warm = blended(bar(218), 205.2)
    assert warm.visit.completed is not None
    other = warm.visit.completed.model_copy(update={"end": bar(219)})

    assert "The gauge stood above the rated pressure" in of_blend(blended(bar(218), None))
    not_its_end = replace(warm, visit=replace(warm.visit, completed=other))
    assert "The gauge stood above the rated pressure" in of_blend(not_its_end)


def test_a_visit_without_a_fill_makes_no_receipt() -> None:
    one = given(AIR)
    handover = HandOver(
        named("x"), HANDED_OVER_ON, HARBOUR, (replace(one, visit=replace(one.visit, completed=None)),)
    )

    with pytest.raises(Untellable, match="tag 14 has no fill"):
        letter(handover, "Ana Ruiz", US)


def test_the_html_loads_nothing_and_runs_nothing() -> None:
    html = written(AIR, NITROX).html.lower()

    for forbidden in (
        "http:",
        "https:",
        "//",
        "<img",
        "<script",
        "<link",
        "<iframe",
        "url(",
        "@import",
        " src=",
    ):
        assert forbidden not in html
    assert not re.search(r"<[^>]* on[a-z]+=", html)


def test_markup_in_a_name_stays_text() -> None:
    shown = written(AIR, name="<b>Ana</b> & co", shop=replace(HARBOUR, name="A <i>shop</i>"))

    assert "<b>Ana</b>" not in shown.html
    assert "&lt;b&gt;Ana&lt;/b&gt; &amp; co" in shown.html
    assert "<i>shop" not in shown.html
    assert "<b>Ana</b> & co" in shown.text


def test_styles_are_in_the_elements_and_the_night_colours_remain() -> None:
    html = written(AIR).html

    assert re.search(r'<td class="tape" style="[^"]*#f1e3bd', html)
    assert "prefers-color-scheme: dark" in html
    assert 'name="viewport"' in html


def test_the_letter_is_the_same_letter_each_time() -> None:
    assert written(AIR, NITROX) == written(NITROX, AIR)


def test_eight_cylinders_stay_below_a_hundred_kilobytes() -> None:
    """Some mail programs cut a message off at about 100 kB (common practice, no source)."""
    assert len(written(*(replace(AIR, tag=tag) for tag in range(1, 9))).html) < 100_000
