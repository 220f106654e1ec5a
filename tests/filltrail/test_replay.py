"""The story is told once, in order, through the front door, and goes on where it stopped.

The counter here is a small web application that speaks the same three requests as a shop's does and
remembers what it was sent; the shops themselves are replayed against in the demo's own test.
"""

import datetime
import json
import threading
import uuid
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from pydantic import JsonValue

from filltrail.cast import read_cast
from filltrail.replay import Counter, FillIn, Outcome, Passing, StoryStuck, Told, read_told, tell
from filltrail.story import Step

ROOT = Path(__file__).resolve().parents[2]
TODAY = datetime.date(2026, 3, 14)
STORY_DAY = datetime.date(2025, 12, 1)
VISIT = "0199aaaa-0000-7000-8000-000000000001"
OTHER = "0199aaaa-0000-7000-8000-000000000002"


class Stand:
    """A counter that answers what the test tells it to."""

    def __init__(self) -> None:
        self.commands: list[dict[str, JsonValue]] = []
        self.cookies: list[str] = []
        self.paths: list[str] = []
        self.answers: list[int] = []
        self.sign_ins = 0

    def post(self, path: str, body: dict[str, JsonValue], cookie: str) -> tuple[int, str | None, JsonValue]:
        if path == "/api/device":
            return (200, "device=tablet", {}) if body["code"] == "CODE1234" else (403, None, {})
        if path == "/api/session":
            self.sign_ins += 1
            return (200, f"session={self.sign_ins}", {}) if body["pin"] == "4719" else (401, None, {})
        self.paths.append(path)
        self.cookies.append(cookie)
        status = self.answers.pop(0) if self.answers else 200
        if status == 200:
            self.commands.append(body)
        made: list[JsonValue] = [{"id": f"fact-{len(self.commands)}", "kind": "visit.taped", "subject": None}]
        return (
            status,
            None,
            {"facts": made, "visit_ids": [VISIT, OTHER], "cylinder_id": None, "detail": "because"},
        )


@pytest.fixture
def stand() -> Stand:
    return Stand()


@pytest.fixture
def counter(stand: Stand) -> Iterator[Counter]:
    class Front(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["content-length"])))
            status, cookie, answer = stand.post(self.path, body, self.headers.get("cookie", ""))
            self.send_response(status)
            if cookie is not None:
                self.send_header("set-cookie", f"{cookie}; Path=/; HttpOnly")
            if status == 503:
                self.send_header("retry-after", "0")
            self.end_headers()
            self.wfile.write(json.dumps(answer).encode())

        do_PUT = do_POST

        def log_message(self, *_args: object) -> None:
            """Silence."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Front) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        one = Counter(
            f"http://127.0.0.1:{server.server_port}",
            enrol_device=lambda: "CODE1234",
            pins={"actor-1": "4719"},
        )
        yield one
        one.close()
        server.shutdown()
        thread.join()


@pytest.fixture
def told_file(tmp_path: Path) -> Path:
    return tmp_path / "told.json"


def test_a_step_goes_out_signed_in_with_its_fields_and_a_key_of_its_own(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    _tell([_step("first", fields={"tag": 14})], counter, told_file)

    assert stand.cookies == ["device=tablet; session=1"]
    [command] = stand.commands
    assert command.keys() == {"key", "command", "tag"}
    assert command["tag"] == 14
    assert uuid.UUID(str(command["key"])).version == 5


def test_a_signature_goes_through_the_door_that_keeps_it(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    fields: dict[str, JsonValue] = {"visit_id": VISIT, "how": "initials", "mark": "{diver:marit.initials}"}
    _tell([_step("first", fields=fields).model_copy(update={"command": "sign_contents"})], counter, told_file)

    assert stand.paths[-1] == f"/api/visits/{VISIT}/signature"
    assert stand.commands[-1].keys() == {"key", "how", "mark"}
    assert stand.commands[-1]["mark"] == "M H"


def test_a_later_step_names_what_an_earlier_one_made(stand: Stand, counter: Counter, told_file: Path) -> None:
    later = _step(
        "second", fields={"visit_id": "{visit:first}", "clears": ["{fact:first}", "{visit:first/2}"]}
    )
    _tell([_step("first"), later], counter, told_file)

    assert stand.commands[1]["visit_id"] == VISIT
    assert stand.commands[1]["clears"] == ["fact-1", OTHER]


def test_an_interrupted_story_goes_on_where_it_stopped_with_the_same_keys(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    steps = [_step("first"), _step("second"), _step("third")]
    stand.answers = [200, 500]
    with pytest.raises(StoryStuck, match="second"):
        _tell(steps, counter, told_file)

    _tell(steps, counter, told_file)

    assert len(stand.commands) == 3
    again = told_file.with_name("again.json")
    _tell(steps, counter, again)
    keys = [command["key"] for command in stand.commands]
    assert keys[:3] == keys[3:]


def test_a_refusal_the_story_does_not_expect_stops_it_and_says_why(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    stand.answers = [409]
    with pytest.raises(StoryStuck, match=r"(?s)first.*because.*expects it to be accepted"):
        _tell([_step("first")], counter, told_file)


def test_an_expected_refusal_that_is_accepted_stops_the_story(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    _tell([_step("refused", expect="refused")], _answering(stand, counter, 409), told_file)
    with pytest.raises(StoryStuck, match="expects it to be refused"):
        _tell([_step("other", expect="refused")], counter, told_file)


def test_a_command_the_shop_does_not_understand_is_no_refusal(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    stand.answers = [422]
    with pytest.raises(StoryStuck, match="422"):
        _tell([_step("first", expect="refused")], counter, told_file)


def test_a_divers_card_goes_to_the_counter_under_the_ref_that_commands_use(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    card = Step.model_validate({"shop": "lantern", "actor": "birk", "as": "card", "keep_card": "marit"})
    _tell([card, _step("greet", fields={"diver_ref": "{diver:marit.ref}"})], counter, told_file)

    kept, greeted = stand.commands
    assert kept["name"] == "Marit Halloran"
    assert stand.paths == [f"/api/divers/{greeted['diver_ref']}", "/api/commands"]


def test_an_ended_session_is_opened_again_and_a_busy_shop_is_asked_again(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    stand.answers = [401, 503, 200]
    _tell([_step("first")], counter, told_file)

    assert stand.sign_ins == 2
    assert len(stand.commands) == 1


def test_the_story_waits_for_news_where_it_says_so(counter: Counter, told_file: Path) -> None:
    waited: list[str] = []
    _tell(
        [_step("first"), _step("second", after_news=True)],
        counter,
        told_file,
        lambda: waited.append("waited"),
    )
    assert waited == ["waited"]


def test_the_clock_is_moved_before_a_step_and_news_is_heard_after_it(
    stand: Stand, counter: Counter, told_file: Path
) -> None:
    happened: list[str] = []
    reached = datetime.datetime(2025, 12, 1, 9, 40, tzinfo=datetime.UTC)
    passing = Passing(
        wait_for_news=lambda: None,
        move_clock=lambda at: happened.append(f"clock {at}, {len(stand.commands)} told"),
        now=lambda: reached,
        hear=lambda: happened.append(f"heard, {len(stand.commands)} told"),
    )
    steps = [_step("first", at="-420d 09:40"), _step("second", at="+4m"), _step("third")]
    _tell(steps, counter, told_file, passing=passing)

    assert happened == ["clock -420d 09:40, 0 told", "heard, 1 told", "clock +4m, 1 told"]
    assert read_told(told_file).today == TODAY
    assert read_told(told_file).until == reached


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("{today}", "2026-03-14"),
        ("{today-30}", "2026-02-12"),
        ("{month-14}", "2025-01"),
        ("{month+10}", "2027-01"),
        ("{diver:marit.covers_nitrox}", True),
        ("for {diver:marit.name}", "for Marit Halloran"),
        ("{staff:birk}", "actor-1"),
        ("{day}", "2025-12-01"),
        ("{day-1}", "2025-11-30"),
        ("{stamp-14}", "2026-02"),
        ("{stamp-0}", "2026-03"),
        ("{cylinder:heron}", "cylinder-7"),
        ("nothing to fill in", "nothing to fill in"),
    ],
)
def test_a_placeholder_becomes_its_value(text: str, value: JsonValue) -> None:
    assert _fill_in().value(text, Told(cylinders={"heron": "cylinder-7"})) == value


@pytest.mark.parametrize(
    "text", ["{visit:nobody}", "{diver:marit.shoe_size}", "{staff:nobody}", "{moon:1}", "{cylinder:first}"]
)
def test_a_placeholder_that_names_nothing_stops_the_story(text: str) -> None:
    told = Told(outcomes={"first": Outcome(visit_ids=(VISIT,))})
    with pytest.raises(StoryStuck, match=r"is no placeholder|names nothing"):
        _fill_in().value(text, told)


def _step(
    name: str,
    *,
    fields: dict[str, JsonValue] | None = None,
    expect: str = "accepted",
    after_news: bool = False,
    at: str = "",
) -> Step:
    step = {"shop": "lantern", "actor": "birk", "command": "tape", "as": name, "fields": fields or {}}
    return Step.model_validate({**step, "expect": expect, "after_news": after_news, "at": at})


def _fill_in() -> FillIn:
    return FillIn(
        read_cast(ROOT / "demo_data" / "network.toml"), {"birk": "actor-1"}, TODAY, lambda: STORY_DAY
    )


def _tell(
    steps: list[Step],
    counter: Counter,
    told_file: Path,
    wait_for_news: Callable[[], None] = lambda: None,
    passing: Passing | None = None,
) -> None:
    told = tell(
        tuple(steps),
        counters={"lantern": counter},
        fill_in=_fill_in(),
        told_file=told_file,
        passing=passing or Passing(wait_for_news=wait_for_news),
    )
    assert [step.name for step in told] == [step.name for step in steps]


def _answering(stand: Stand, counter: Counter, *statuses: int) -> Counter:
    stand.answers = list(statuses)
    return counter
