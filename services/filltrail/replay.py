"""Tells the demo's story to the shops, one command after the other, through their front door.

Owns the shape of story.toml and the memory of how far the story was told. Must never write into a shop's
data itself: whatever a shop refuses here it would refuse at the counter as well.

A step of story.toml:

    [[step]]
    shop = "lantern"
    actor = "birk"
    as = "marit-14"               # a name for what comes back; without it, the step's number from 1
    command = "..."
    fields = { ... }              # passed through as they are
    expect = "accepted"           # or "refused": then an acceptance is the error
    after_news = true             # first wait until every shop has heard what the network knows

    [[step]]
    shop = "lantern"
    actor = "birk"
    keep_card = "marit"           # instead of a command: the diver's name and address, for the vault

Text in fields may hold `{visit:NAME}` (the first visit that step NAME gave), `{visit:NAME/2}`,
`{cylinder:NAME}`, `{fact:NAME}`, `{fact:NAME/2}`, `{staff:KEY}`, `{diver:KEY.ref}` (or name, email, level,
covers_nitrox, ...), `{today}`, `{today-30}` (days) and `{month-14}` (months, written 2025-09). A text that is
one placeholder and nothing else becomes its value.
"""

import datetime
import re
import time
import tomllib
import uuid
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Literal

import httpx
from pydantic import BaseModel, ConfigDict, Field, JsonValue, model_validator

from filltrail.cast import Cast
from filltrail.processes import CannotGoOn

# The story's own name space: the same step of the same network always has the same key, so telling it
# again after an interruption adds nothing.
STORY_KEYS = uuid.UUID("0d4a1f0e-6f0b-5f58-9c0e-3f6f2f1f7a11")
TIMEOUT_S = 15.0
TRIES = 6
PLACEHOLDER = re.compile(r"\{([a-z]+)(?::([A-Za-z0-9_.-]+)(?:/(\d+))?)?([+-]\d+)?\}")


class StoryStuck(CannotGoOn):
    """A step did not go as the story says; the message names the step and what the shop answered."""


class Step(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    shop: str
    actor: str
    command: str = ""
    keep_card: str = ""
    name: Annotated[str, Field(alias="as")] = ""
    fields: dict[str, JsonValue] = {}
    expect: Literal["accepted", "refused"] = "accepted"
    after_news: bool = False

    @model_validator(mode="after")
    def _is_one_thing(self) -> "Step":
        if bool(self.command) == bool(self.keep_card):
            raise ValueError("a step has either a command or keep_card")
        return self

    @property
    def words(self) -> str:
        return f"{self.command or 'card of ' + self.keep_card} at {self.shop}"


class _Made(BaseModel):
    """A fact that a step made."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    id: str


class Outcome(BaseModel):
    """What came back from a step, as far as later steps can name it."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    visit_ids: tuple[str, ...] = ()
    cylinder_id: str | None = None
    facts: tuple[_Made, ...] = ()


class Told(BaseModel):
    """How far the story was told; kept in a file after every step."""

    outcomes: dict[str, Outcome] = {}


class _Story(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    step: tuple[Step, ...] = ()


def read_story(path: Path) -> tuple[Step, ...]:
    """The steps in order, each with its name; raises ValueError when two have the same name."""
    if not path.exists():
        return ()
    steps = _Story.model_validate(tomllib.loads(path.read_text())).step
    named = tuple(
        step if step.name else step.model_copy(update={"name": str(number)})
        for number, step in enumerate(steps, start=1)
    )
    names = [step.name for step in named]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"the same step name twice: {', '.join(twice)}")
    return named


class Counter:
    """One shop's front door, as the tablet at its counter sees it. Signs people in when they first act."""

    def __init__(self, url: str, *, enrol_device: Callable[[], str], pins: Mapping[str, str]) -> None:
        self._url = url
        self._enrol_device = enrol_device
        self._pins = pins
        self._device_cookies: httpx.Cookies | None = None
        self._sessions: dict[str, httpx.Client] = {}

    def send(self, actor: str, method: str, path: str, body: Mapping[str, JsonValue]) -> httpx.Response:
        """One request as this person, signing in again once when the session has ended."""
        answer = self._ask(actor, method, path, body)
        if answer.status_code == 401:
            self._sessions.pop(actor).close()
            answer = self._ask(actor, method, path, body)
        return answer

    def close(self) -> None:
        for client in self._sessions.values():
            client.close()
        self._sessions.clear()

    def _ask(self, actor: str, method: str, path: str, body: Mapping[str, JsonValue]) -> httpx.Response:
        if actor not in self._sessions:
            self._sessions[actor] = self._sign_in(actor)
        client = self._sessions[actor]
        answer = client.request(method, path, json=body)
        for _ in range(TRIES - 1):
            if answer.status_code not in (429, 503):
                break
            time.sleep(min(float(answer.headers.get("retry-after", "1")), 5.0))
            answer = client.request(method, path, json=body)
        return answer

    def _sign_in(self, actor: str) -> httpx.Client:
        client = httpx.Client(base_url=self._url, timeout=TIMEOUT_S, cookies=self._device())
        answer = client.post("/api/session", json={"actor": actor, "pin": self._pins[actor]})
        if answer.is_error:
            client.close()
            raise StoryStuck(f"{self._url} did not sign {actor} in: {answer.status_code} {answer.text[:500]}")
        return client

    def _device(self) -> httpx.Cookies:
        if self._device_cookies is None:
            with httpx.Client(base_url=self._url, timeout=TIMEOUT_S) as client:
                answer = client.post("/api/device", json={"code": self._enrol_device()})
                if answer.is_error:
                    raise StoryStuck(f"{self._url} took no device: {answer.status_code} {answer.text[:500]}")
                self._device_cookies = client.cookies
        return self._device_cookies


def tell(
    steps: tuple[Step, ...],
    *,
    counters: Mapping[str, Counter],
    fill_in: "FillIn",
    told_file: Path,
    wait_for_news: Callable[[], None],
) -> Iterator[Step]:
    """Tell what was not told yet, yielding each step when it is done; raises StoryStuck."""
    told = Told.model_validate_json(told_file.read_text()) if told_file.exists() else Told()
    for step in steps:
        if step.name not in told.outcomes:
            if step.after_news:
                wait_for_news()
            told.outcomes[step.name] = _tell_one(step, counters[step.shop], fill_in, told)
            _write_whole(told_file, told.model_dump_json(indent=1))
        yield step


def _tell_one(step: Step, counter: Counter, fill_in: "FillIn", told: Told) -> Outcome:
    actor = fill_in.staff[step.actor]
    if step.keep_card:
        card = fill_in.card(step.keep_card)
        answer = counter.send(actor, "PUT", f"/api/divers/{card['diver_ref']}", card)
    else:
        key = uuid.uuid5(STORY_KEYS, f"{step.shop}/{step.name}")
        fields = {name: fill_in.value(value, told) for name, value in step.fields.items()}
        command = {"key": str(key), "command": step.command, **fields}
        answer = counter.send(actor, "POST", "/api/commands", command)
    said = f"step {step.name!r} ({step.words}): {answer.status_code} {answer.text[:1000]}"
    if answer.status_code == 409 and step.expect == "refused":
        return Outcome()
    if answer.is_error:
        # 409 is a refusal with its reasons; anything else is a story that the shop does not understand.
        raise StoryStuck(f"{said}\nThe story expects it to be {step.expect}.")
    if step.expect == "refused":
        raise StoryStuck(f"{said}\nThe story expects it to be refused.")
    return Outcome.model_validate_json(answer.content)


class FillIn:
    """Puts values in the place of placeholders."""

    def __init__(self, cast: Cast, staff: Mapping[str, str], today: datetime.date) -> None:
        self.staff = staff
        # Elsewhere a diver's reference is random. Here it is the same at every shop and after every restart.
        self._divers: dict[str, dict[str, JsonValue]] = {
            diver.key: {
                **diver.model_dump(mode="json"),
                "ref": uuid.uuid5(STORY_KEYS, f"diver/{diver.key}").hex,
            }
            for diver in cast.divers
        }
        self._today = today

    def card(self, key: str) -> dict[str, JsonValue]:
        """What the vault keeps of a diver; raises StoryStuck for one who is not in the cast."""
        if key not in self._divers:
            raise StoryStuck(f"no diver is called {key}")
        diver = self._divers[key]
        return {"diver_ref": diver["ref"], "name": diver["name"], "email": diver["email"]}

    def value(self, value: JsonValue, told: Told) -> JsonValue:
        """The same shape with every placeholder replaced; raises StoryStuck for one that names nothing."""
        match value:
            case str():
                whole = PLACEHOLDER.fullmatch(value)
                if whole is not None:
                    return self._named(whole, told)
                return PLACEHOLDER.sub(lambda found: str(self._named(found, told)), value)
            case list():
                return [self.value(item, told) for item in value]
            case dict():
                return {key: self.value(item, told) for key, item in value.items()}
            case _:
                return value

    def _named(self, found: re.Match[str], told: Told) -> JsonValue:
        kind, name, index, offset = found.groups()
        try:
            match kind:
                case "today":
                    return (self._today + datetime.timedelta(days=int(offset or 0))).isoformat()
                case "month":
                    return _month(self._today, int(offset or 0))
                case "staff":
                    return self.staff[name]
                case "diver":
                    key, _, field = name.partition(".")
                    return self._divers[key][field]
                case "visit":
                    return told.outcomes[name].visit_ids[int(index or 1) - 1]
                case "cylinder":
                    if (cylinder_id := told.outcomes[name].cylinder_id) is not None:
                        return cylinder_id
                    raise KeyError(name)
                case "fact":
                    return told.outcomes[name].facts[int(index or 1) - 1].id
        except (KeyError, IndexError) as failure:
            raise StoryStuck(f"{found.group()} names nothing that the story knows by now") from failure
        raise StoryStuck(f"{found.group()} is no placeholder the story knows")


def _month(today: datetime.date, offset: int) -> str:
    year, month0 = divmod(today.year * 12 + today.month - 1 + offset, 12)
    return f"{year:04}-{month0 + 1:02}"


def _write_whole(path: Path, text: str) -> None:
    partial = path.with_suffix(".partial")
    partial.write_text(text)
    partial.replace(path)
