"""Tells the demo its story while its programs run: who stands at which counter, how time passes, how far it is.

Owns the order of clock and news: a shop knows on a day what the others had found by the day before.
"""

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import httpx
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from filltrail.enrolment import device_code, read_enrolled
from filltrail.layout import Layout
from filltrail.news import News
from filltrail.replay import Counter, FillIn, Passing, StoryStuck, read_told, tell
from filltrail.story import Story, is_later_by
from filltrail.story_clock import StoryClock


@dataclass(frozen=True)
class Stage:
    """What a story is told on."""

    layout: Layout
    console: Console
    story: Story
    clock: StoryClock


def told_file(layout: Layout) -> Path:
    return layout.folder / "told.json"


def tell_story(stage: Stage) -> None:
    """Replay the story through the shops' front doors, going on where an earlier start stopped."""
    layout, steps = stage.layout, stage.story.steps
    if not steps:
        stage.console.print("[yellow]There is no story to replay: demo_data/story.toml has no steps.[/]")
        return
    told = read_told(told_file(layout))
    if stage.story.begins and not told.outcomes and stage.clock.is_now:
        raise StoryStuck(
            "This network was first started without its story, whose past cannot be told any more. "
            "`make demo-reset` starts over."
        )
    actors = read_enrolled(layout.folder).actors()
    today = told.today or stage.clock.wall_day()
    fill_in = FillIn(layout.cast, actors, today, stage.clock.day)
    with ExitStack() as on_the_way_out:
        http = on_the_way_out.enter_context(httpx.Client(timeout=10.0))
        counters = {shop.slug: _counter(layout, shop.slug, actors) for shop in layout.cast.shops}
        for counter in counters.values():
            on_the_way_out.callback(counter.close)
        _tell_with_a_bar(stage, counters, fill_in, _passing(stage, News(layout, http)))
    stage.clock.end()


def _passing(stage: Stage, news: News) -> Passing:
    def move_clock(at: str) -> None:
        if not is_later_by(at):
            # A shop then knows on a day what the others had found by the day before.
            news.wait_until_in_step()
        stage.clock.move_to(at)

    return Passing(
        wait_for_news=news.wait_until_in_step,
        move_clock=move_clock,
        now=stage.clock.now,
        hear=news.wait_until_young,
    )


def _tell_with_a_bar(
    stage: Stage, counters: Mapping[str, Counter], fill_in: FillIn, passing: Passing
) -> None:
    steps = stage.story.steps
    progress = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=stage.console,
    )
    with progress:
        task = progress.add_task("Replaying the story", total=len(steps))
        for step in tell(
            steps, counters=counters, fill_in=fill_in, told_file=told_file(stage.layout), passing=passing
        ):
            words = f"{stage.clock.day():%d %b %Y}: {step.words}" if stage.story.begins else step.words
            progress.update(task, advance=1, description=words)
        progress.update(task, description="The story is told")


def _counter(layout: Layout, slug: str, actors: Mapping[str, str]) -> Counter:
    pins = {actors[person.key]: person.pin for person in layout.cast.shop(slug).staff}
    return Counter(layout.shop_url(slug), enrol_device=lambda: device_code(layout, slug), pins=pins)
