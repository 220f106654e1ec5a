"""A story is checked when it is read; short forms become the commands that a counter knows; time runs forwards only."""

import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from filltrail.cast import read_cast
from filltrail.short_forms import read_story
from filltrail.story import Step, Story
from filltrail.story_clock import StoryClock

ROOT = Path(__file__).resolve().parents[2]
NOW = datetime.datetime(2026, 3, 14, 12, tzinfo=ZoneInfo("America/New_York"))
HERON = """
[[cylinder]]
key = "heron"
serial = "OC20815"
maker = "OSW"
spec = "3AL"
first_test = "{month-70}"
requalified = "{month-20}"
looked_inside = "{month-26}"
rated = "3000 psi"
"""
STEP = '[[step]]\nshop = "lantern"\nactor = "birk"\n'


def test_a_visit_becomes_its_commands_from_the_greeting_to_the_hand_over(tmp_path: Path) -> None:
    visit = 'visit = { cylinder = "heron", diver = "marit", tag = 14, whip = 2, residual = "620 psi", end = "2990 psi", slot = 9 }'
    told = _read(tmp_path, HERON, f'{STEP}at = "-420d 09:40"\nas = "one"\n{visit}').steps

    assert [step.command for step in told] == [
        "greet", "identify", "look_over", "read_dates", "read_rating", "see_standing", "send_people_out", "blow_out",
        "connect_whip", "read_residual", "authorise", "complete_fill", "bleed_whip", "tape_valve", "set_down_at",
        "hand_over",
    ]  # fmt: skip
    by_command = {step.command: step for step in told}
    assert by_command["identify"].cylinder == "heron"
    assert by_command["authorise"].fields["target"] == {"value": 3000, "unit": "psi"}
    assert by_command["hand_over"].fields["visit_ids"] == ["{visit:one}"]
    assert [step.at for step in told if step.at] == ["-420d 09:40", "+1m", "+1m", "+4m", "+4m"]


def test_a_mix_is_analysed_and_air_is_not(tmp_path: Path) -> None:
    mix = 'visit = { cylinder = "heron", of = "one", first = "complete_fill", last = "bleed_whip", oxygen = 32.0, end = "2990 psi", measured = 31.8 }'
    told = _read(tmp_path, HERON, _greeted("one"), f"{STEP}{mix}").steps

    assert [step.command for step in told][1:] == ["complete_fill", "analyse", "bleed_whip"]
    assert told[2].fields["oxygen_percent"] == told[2].fields["again_oxygen_percent"] == 31.8


def test_a_mix_is_signed_for_before_it_is_handed_over_and_air_is_not(tmp_path: Path) -> None:
    last = 'visit = { cylinder = "heron", of = "one", diver = "marit", first = "set_down_at", slot = 3'
    mix = _read(tmp_path, HERON, _greeted("one"), f"{STEP}{last}, oxygen = 32.0, measured = 31.8 }}").steps
    air = _read(tmp_path, HERON, _greeted("one"), f"{STEP}{last} }}").steps

    assert [step.command for step in mix][1:] == ["set_down_at", "sign_contents", "hand_over"]
    assert mix[2].fields["mark"] == "{diver:marit.initials}"
    assert [step.command for step in air][1:] == ["set_down_at", "hand_over"]


def test_an_inspection_changes_what_is_read_off_the_cylinder_from_then_on(tmp_path: Path) -> None:
    dates = 'visit = { cylinder = "heron", of = "one", first = "read_dates", last = "read_dates" }'
    look = 'command = "pass_visual"\nfields = { cylinder_id = "{cylinder:heron}" }'
    test = 'command = "requalify"\nfields = { cylinder_id = "{cylinder:heron}" }'
    told = _read(
        tmp_path, HERON, _greeted("one"),
        f"{STEP}{dates}", f'{STEP}at = "-40d 09:00"\n{look}', f"{STEP}{dates}", f'{STEP}at = "-3d 09:00"\n{test}',
        f"{STEP}{dates}",
    ).steps  # fmt: skip

    read = [
        (step.fields["requalified"], step.fields["looked_inside"])
        for step in told
        if step.command == "read_dates"
    ]
    assert read == [
        ("{month-20}", "{month-26}"),
        ("{month-20}", "{stamp-40}"),
        ("{stamp-3}", "{stamp-3}"),
    ]


@pytest.mark.parametrize(
    ("times", "words"),
    [
        (["-3d 10:00", "-3d 09:59"], "lies before"),
        (["-3d 10:00", "+30m", "-3d 10:29"], "lies before"),
        (["-5m", "-3d 10:00"], "lies before"),
        (["-5m", "-6m"], "lies before"),
        (["-5m", "+6m"], "lies ahead of now"),
        (["+5m"], "nothing came before"),
        (["-0d 10:00"], "at"),
        (["-3d 24:00"], "at"),
        (["yesterday"], "at"),
    ],
)
def test_a_story_whose_time_does_not_run_forwards_to_now_is_refused(
    tmp_path: Path, times: list[str], words: str
) -> None:
    steps = [f'{STEP}at = "{at}"\ncommand = "say_door_opened"' for at in times]
    with pytest.raises(ValueError, match=words):
        _read(tmp_path, *steps)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ([f'{STEP}as = "one"\ncommand = "a"', f'{STEP}as = "one"\ncommand = "b"'], "step name twice: one"),
        ([HERON, HERON], "cylinder name twice: heron"),
        ([STEP], "either a command"),
        ([f'{STEP}command = "a"\nkeep_card = "marit"'], "either a command"),
        ([f'{STEP}register = "egret"'], "no cylinder is called egret"),
        ([HERON, f'{STEP}visit = {{ cylinder = "heron", diver = "marit" }}'], "does not say tag"),
        ([HERON, f'{STEP}visit = {{ cylinder = "heron", first = "tape_valve" }}'], "goes on with the visit"),
    ],
)
def test_a_story_that_cannot_be_told_is_refused_when_it_is_read(
    tmp_path: Path, parts: list[str], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        _read(tmp_path, *parts)


def test_the_story_clock_goes_forwards_and_never_ahead_of_now(tmp_path: Path) -> None:
    clock = _clock(tmp_path)
    clock.begin("-420d 09:40")
    assert clock.now() == datetime.datetime(2025, 1, 18, 9, 40, tzinfo=NOW.tzinfo)
    assert not clock.is_now

    clock.move_to("+4m")
    assert clock.now().time() == datetime.time(9, 44)
    clock.move_to("-421d 09:00")
    assert clock.now().time() == datetime.time(9, 44)
    clock.move_to("-1d 23:00")
    assert clock.day() == datetime.date(2026, 3, 13)
    clock.move_to("-2m")
    clock.move_to("+30m")
    assert clock.now() == NOW
    assert int((tmp_path / "clock").read_text()) == 0


def test_a_story_that_was_broken_off_goes_on_at_the_time_it_had_reached(tmp_path: Path) -> None:
    clock = _clock(tmp_path)
    clock.begin("-420d 09:40")
    reached = clock.now() + datetime.timedelta(days=3)

    later = StoryClock(tmp_path / "clock", today=NOW.date(), wall=lambda: NOW + datetime.timedelta(hours=5))
    later.resume(reached)
    assert later.now() == reached


def test_the_story_of_this_repository_fits_its_cast() -> None:
    cast = read_cast(ROOT / "demo_data" / "network.toml")
    story = _of_this_repository()
    people = {person.key: shop.slug for shop in cast.shops for person in shop.staff}

    assert 25 <= len(story.cylinders) <= 40
    for step in story.steps:
        assert people[step.actor] == step.shop, step
    assert {person.role for shop in cast.shops for person in shop.staff} == {
        "operator",
        "inspector",
        "manager",
    }


def test_one_cylinder_of_the_story_has_a_long_life_across_the_shops() -> None:
    fills = [step for step in _of_this_repository().steps if step.name.endswith(".complete_fill")]
    visits = {step.name: step.shop for step in _of_this_repository().steps if step.cylinder == "heron"}
    shops = [step.shop for step in fills if step.name.replace("complete_fill", "identify") in visits]
    looks = [
        step.command
        for step in _of_this_repository().steps
        if step.fields.get("cylinder_id") == "{cylinder:heron}"
    ]
    assert len(shops) >= 15
    assert set(shops) == {"lantern", "gannet", "saltings"}
    assert sorted(looks) == ["pass_visual", "pass_visual", "requalify"]


def test_nothing_is_ever_said_against_the_newcomers_cylinder() -> None:
    story = _of_this_repository()
    assert story.newcomer is not None
    named = f"{{cylinder:{story.newcomer.cylinder}}}"
    touched: list[Step] = [step for step in story.steps if named in step.fields.values()]
    assert touched == []
    visits = {step.name.removesuffix(".identify") for step in story.steps if step.cylinder == "plover"}
    assert {f"{visit}.hand_over" for visit in visits} <= {step.name for step in story.steps}


def _of_this_repository() -> Story:
    return read_story(ROOT / "demo_data" / "story.toml")


def _read(folder: Path, *parts: str) -> Story:
    (folder / "story.toml").write_text("\n".join(parts))
    return read_story(folder / "story.toml")


def _greeted(name: str) -> str:
    return f'{STEP}as = "{name}"\ncommand = "greet"\nfields = {{ tag = 14 }}'


def _clock(folder: Path) -> StoryClock:
    return StoryClock(folder / "clock", today=NOW.date(), wall=lambda: NOW)
