"""Tells the demo's story to the shops, one command after the other, through their front door.

Owns the meaning of placeholders and the memory of how far the story was told (its shape is story.py's). Must never write into a shop's
data itself: whatever a shop refuses here it would refuse at the counter as well.

Text in fields may hold `{visit:NAME}` (the first visit that step NAME gave), `{visit:NAME/2}`,
`{cylinder:NAME}` (of a step, or of a [[cylinder]] by its key), `{fact:NAME}`, `{fact:NAME/2}`, `{staff:KEY}`,
`{diver:KEY.ref}` (or name, email, level, covers_nitrox, ...), `{today}`, `{today-30}` (days), `{month-14}` (months,
written 2025-09), `{stamp-420}` (the month of the day 420 days ago) and `{day}`, `{day-3}`, which count from the
story's own time. A text that is one placeholder and nothing else becomes its value.
"""

import datetime
import re
import time
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import httpx
from pydantic import BaseModel, ConfigDict, JsonValue

from filltrail.cast import Cast
from filltrail.processes import CannotGoOn
from filltrail.story import Step, is_later_by

# The story's own name space: the same step of the same network always has the same key, so telling it
# again after an interruption adds nothing.
STORY_KEYS = uuid.UUID("0d4a1f0e-6f0b-5f58-9c0e-3f6f2f1f7a11")
TIMEOUT_S = 15.0
TRIES = 6
PLACEHOLDER = re.compile(r"\{([a-z]+)(?::([A-Za-z0-9_.-]+)(?:/(\d+))?)?([+-]\d+)?\}")


class StoryStuck(CannotGoOn):
    """A step did not go as the story says; the message names the step and what the shop answered."""


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
    cylinders: dict[str, str] = {}
    """The id of each cylinder that a step has named."""
    today: datetime.date | None = None
    """The day that the story's days are counted from, also when it goes on tomorrow."""
    until: datetime.datetime | None = None
    """The story's own time after the last step."""


def read_told(file: Path) -> Told:
    return Told.model_validate_json(file.read_text()) if file.exists() else Told()


@dataclass(frozen=True)
class Passing:
    """How time and news pass between steps; a story without times needs only the first."""

    wait_for_news: Callable[[], None]
    move_clock: Callable[[str], None] = lambda _: None
    now: Callable[[], datetime.datetime | None] = lambda: None
    hear: Callable[[], None] = lambda: None
    """After the first thing that happened at a new time: until every shop has heard the network since."""


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
        # verify: no certificates are loaded for a counter that is reached without TLS; it takes a while each time.
        client = httpx.Client(
            base_url=self._url,
            timeout=TIMEOUT_S,
            cookies=self._device(),
            verify=self._url.startswith("https:"),
        )
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
    passing: Passing,
) -> Iterator[Step]:
    """Tell what was not told yet, yielding each step when it is done; raises StoryStuck."""
    told = read_told(told_file)
    told.today = told.today or fill_in.today
    for step in steps:
        if step.name not in told.outcomes:
            if step.after_news:
                passing.wait_for_news()
            if step.at:
                passing.move_clock(step.at)
            outcome = _tell_one(step, counters[step.shop], fill_in, told)
            told.outcomes[step.name] = outcome
            if step.cylinder and outcome.cylinder_id is not None:
                told.cylinders[step.cylinder] = outcome.cylinder_id
            told.until = passing.now()
            _write_whole(told_file, told.model_dump_json(indent=1))
            if step.at and not is_later_by(step.at):
                passing.hear()
        yield step


def _tell_one(step: Step, counter: Counter, fill_in: "FillIn", told: Told) -> Outcome:
    actor = fill_in.staff[step.actor]
    if step.keep_card:
        card = fill_in.card(step.keep_card)
        answer = counter.send(actor, "PUT", f"/api/divers/{card['diver_ref']}", card)
    else:
        key = uuid.uuid5(STORY_KEYS, f"{step.shop}/{step.name}")
        fields = {name: fill_in.value(value, told) for name, value in step.fields.items()}
        if step.command == "sign_contents":
            # What a diver writes is kept at the shop, so it has a door of its own.
            path = f"/api/visits/{fields.pop('visit_id')}/signature"
            answer = counter.send(actor, "POST", path, {"key": str(key), **fields})
        else:
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

    def __init__(
        self,
        cast: Cast,
        staff: Mapping[str, str],
        today: datetime.date,
        day: Callable[[], datetime.date] | None = None,
    ) -> None:
        self.staff = staff
        self.today = today
        self._day = day or (lambda: today)
        # Elsewhere a diver's reference is random. Here it is the same at every shop and after every restart.
        self._divers: dict[str, dict[str, JsonValue]] = {
            diver.key: {
                **diver.model_dump(mode="json"),
                "ref": uuid.uuid5(STORY_KEYS, f"diver/{diver.key}").hex,
                "initials": " ".join(name[0] for name in diver.name.split()),
            }
            for diver in cast.divers
        }

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
                    return (self.today + datetime.timedelta(days=int(offset or 0))).isoformat()
                case "day":
                    return (self._day() + datetime.timedelta(days=int(offset or 0))).isoformat()
                case "month":
                    return month_from(self.today, int(offset or 0))
                case "stamp":
                    return month_from(self.today + datetime.timedelta(days=int(offset or 0)), 0)
                case "staff":
                    return self.staff[name]
                case "diver":
                    key, _, field = name.partition(".")
                    return self._divers[key][field]
                case "visit":
                    return told.outcomes[name].visit_ids[int(index or 1) - 1]
                case "cylinder" if name in told.cylinders:
                    return told.cylinders[name]
                case "cylinder":
                    if (cylinder_id := told.outcomes[name].cylinder_id) is not None:
                        return cylinder_id
                    raise KeyError(name)
                case "fact":
                    return told.outcomes[name].facts[int(index or 1) - 1].id
        except (KeyError, IndexError) as failure:
            raise StoryStuck(f"{found.group()} names nothing that the story knows by now") from failure
        raise StoryStuck(f"{found.group()} is no placeholder the story knows")


def month_from(today: datetime.date, offset: int) -> str:
    """The month that lies `offset` months from today's, YYYY-MM."""
    year, month0 = divmod(today.year * 12 + today.month - 1 + offset, 12)
    return f"{year:04}-{month0 + 1:02}"


def _write_whole(path: Path, text: str) -> None:
    partial = path.with_suffix(".partial")
    partial.write_text(text)
    partial.replace(path)
