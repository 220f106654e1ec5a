"""The safety officer's pages: who may read them, what they show, and that they work without script."""

from __future__ import annotations

import datetime as dt
import re
import time
import uuid
from collections.abc import Iterator
from dataclasses import replace

import httpx
import psycopg
import pytest
from tests.network.shop import Served, Shop, now, sign_all

from cylinder.facts import Condemned, CylinderRegistered
from cylinder.marks import Marks
from eventlog.chain import links
from eventlog.checkpoint import cosign
from eventlog.event import Effect
from network.admission import Admission
from network.api.problems import Problem
from network.hub import Hub
from network.office.pages import admit_sign_in
from network.office.people import LONGEST_DELAY, NotAppointed, appoint, delay_after, officer_of, sign_in
from network.projections.runner import catch_up
from network.store.feed_tree import add_cosignature
from network.store.log import PostgresHubLog
from sync.at_hub import append

PASSWORD = "a long pass phrase"
MARKS = Marks(serial="B0471-8Q", maker="QX", spec="3AL", first_test="2019-04")


def appointed(hub: Hub, *, login: str = "ossel", password: str = PASSWORD) -> None:
    with hub.database.transaction() as tx:
        appoint(
            tx, hub.own_log, login=login, name="A. Ossel", password=password, fact_id=uuid.uuid4(),
            actor_id=f"officer-{login}", now=now(),
        )  # fmt: skip


@pytest.fixture
def browser(served: Served) -> Iterator[httpx.Client]:
    """A browser that is not signed in; it says where its forms come from, as browsers do."""
    appointed(served.hub)
    with httpx.Client(
        base_url=served.url, headers={"sec-fetch-site": "same-origin"}, trust_env=False, timeout=20
    ) as client:
        yield client


@pytest.fixture
def desk(browser: httpx.Client) -> httpx.Client:
    """A browser that is signed in."""
    answer = browser.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD, "next": "/office"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/office")
    return browser


def condemned(hub: Hub, shop: Shop) -> uuid.UUID:
    cylinder_id = uuid.uuid4()
    registered = CylinderRegistered(marks=MARKS)
    fact = Condemned(
        reason="Crack <b>in</b> the neck", criterion_id="neck.crack", criterion="Any crack in the neck",
        clause="clause 7", serial_read="B0471-8Q",
    )  # fmt: skip
    subject = f"cylinder/{cylinder_id}"
    shop.record(registered.KIND, registered.model_dump(mode="json"), subject=subject)
    shop.record(fact.KIND, fact.model_dump(mode="json"), subject=subject, effect=Effect.BLOCK)
    with hub.database.transaction() as tx:
        append(PostgresHubLog(tx, hub.recorder), links(shop.log), now=now())
    catch_up(hub.database, hub.measures, is_stopped=lambda: False)
    return cylinder_id


@pytest.mark.wire
@pytest.mark.parametrize(
    "path",
    [
        "/office",
        "/office/exposures",
        "/office/audit",
        "/office/shops",
        f"/office/cylinders/{uuid.UUID(int=1)}",
    ],
)
def test_nobody_reads_the_office_without_signing_in(browser: httpx.Client, path: str) -> None:
    answer = browser.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/office/sign-in?next=%2Foffice")


@pytest.mark.wire
@pytest.mark.parametrize(
    "path", ["cylinders?q=B", "exposures", "audit", "shops", f"cylinders/{uuid.UUID(int=1)}"]
)
def test_nobody_reads_its_json_without_signing_in(browser: httpx.Client, path: str) -> None:
    answer = browser.get(f"/v1/office/{path}")
    assert (answer.status_code, answer.headers["content-type"]) == (401, "application/problem+json")


@pytest.mark.wire
def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(browser: httpx.Client) -> None:
    answer = browser.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie


@pytest.mark.wire
@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "https://elsewhere.example"},
        {"origin": "null"},
        {},
    ],
)
def test_a_form_that_another_site_sent_is_refused(served: Served, headers: dict[str, str]) -> None:
    appointed(served.hub)
    answer = httpx.post(
        f"{served.url}/office/sign-in",
        data={"login": "ossel", "password": PASSWORD},
        headers=headers,
        trust_env=False,
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.wire
@pytest.mark.parametrize(
    "onward",
    [
        "https://elsewhere.example",
        "//elsewhere.example",
        "/office\\..",
        "/officer",
        "javascript:1",
        "/office/\n",
    ],
)
def test_signing_in_leads_to_the_office_only(browser: httpx.Client, onward: str) -> None:
    answer = browser.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD, "next": onward})
    assert answer.headers["location"] == "/office"


@pytest.mark.wire
def test_a_wrong_password_and_an_unknown_login_are_told_the_same(browser: httpx.Client) -> None:
    wrong = browser.post("/office/sign-in", data={"login": "ossel", "password": "guess"})
    unknown = browser.post("/office/sign-in", data={"login": "nobody", "password": "guess"})
    assert wrong.status_code == unknown.status_code == 401
    # Beside the hour at which they were written.
    pages = [re.sub(r'data-now="\d+"', "", answer.text) for answer in (wrong, unknown)]
    assert pages[0].replace("ossel", "nobody") == pages[1]


@pytest.mark.wire
def test_after_five_wrong_passwords_even_the_right_one_has_to_wait(browser: httpx.Client) -> None:
    for _ in range(5):
        assert browser.post("/office/sign-in", data={"login": "ossel", "password": "x"}).status_code == 401
    answer = browser.post("/office/sign-in", data={"login": "ossel", "password": PASSWORD})
    assert answer.status_code == 429
    assert re.search(r"Wait \d+ s", answer.text)


@pytest.mark.wire
def test_whoever_tries_too_often_elsewhere_keeps_no_officer_out(browser: httpx.Client) -> None:
    def tried(address: str, login: str, password: str) -> httpx.Response:
        # The test stands where a proxy of this machine would.
        said = {"login": login, "password": password}
        return browser.post("/office/sign-in", data=said, headers={"x-forwarded-for": address})

    outsider = [tried("203.0.113.9", "nobody", "guess") for _ in range(60)]
    assert "Too many requests" in outsider[-1].text
    assert tried("198.51.100.4", "ossel", PASSWORD).status_code == 303


@pytest.mark.wire
def test_an_address_has_so_many_tries_whatever_logins_it_thinks_of(hub: Hub) -> None:
    moment = now()
    still = replace(hub, admission=Admission(lambda: moment, None))

    def is_admitted(address: str, login: str) -> bool:
        try:
            admit_sign_in(still, address, login)
        except Problem as refused:
            return refused.status != 429
        return True

    assert [is_admitted("203.0.113.9", f"guess-{n}") for n in range(41)] == [True] * 40 + [False]
    assert [is_admitted("198.51.100.4", login) for login in ["ossel", " OSSEL"] * 10 + ["Ossel"]] == (
        [True] * 20 + [False]
    )
    assert is_admitted("198.51.100.4", "another")


def test_the_wait_doubles_up_to_a_quarter_of_an_hour() -> None:
    waits = [delay_after(failed) for failed in range(1, 40)]
    assert [wait.total_seconds() for wait in waits[:8]] == [0, 0, 0, 0, 5, 10, 20, 40]
    assert waits[-1] == LONGEST_DELAY
    assert waits == sorted(waits)


@pytest.mark.wire
def test_a_session_ends_by_idleness_by_age_and_by_a_new_password(hub: Hub) -> None:
    appointed(hub)
    opened = now()

    def is_good(token: str, at: dt.datetime) -> bool:
        with hub.database.transaction() as tx:
            return officer_of(tx, token, now=at) is not None

    for token in ("idle", "old", "new password"):
        with hub.database.transaction() as tx:
            sign_in(tx, "ossel", PASSWORD, token, now=opened)
    assert not is_good("idle", opened + dt.timedelta(minutes=31))
    assert all(is_good("old", opened + dt.timedelta(minutes=m)) for m in range(0, 720, 20))
    assert not is_good("old", opened + dt.timedelta(minutes=721))
    assert is_good("new password", opened)
    appointed(hub, password="another pass phrase")
    assert not is_good("new password", opened)


@pytest.mark.wire
@pytest.mark.parametrize(
    ("login", "password"), [("Ossel", PASSWORD), ("", PASSWORD), ("ossel", "short"), ("ossel", "x" * 257)]
)
def test_an_officer_needs_a_plain_login_and_a_long_password(hub: Hub, login: str, password: str) -> None:
    with pytest.raises(NotAppointed):
        appointed(hub, login=login, password=password)


@pytest.mark.wire
def test_the_database_holds_no_password_and_no_session_token(served: Served, desk: httpx.Client) -> None:
    token = next(iter(desk.cookies.values()))
    with psycopg.connect(served.hub.database.url) as connection:
        rows = connection.execute("select * from officer, officer_session").fetchall()
    assert rows
    assert PASSWORD not in str(rows)
    assert token not in str(rows)


@pytest.mark.wire
def test_signing_out_ends_the_session(desk: httpx.Client) -> None:
    token = dict(desk.cookies)
    desk.post("/office/sign-out")
    desk.cookies.update(token)
    assert desk.get("/office").status_code == 303


@pytest.mark.wire
def test_a_misread_serial_leads_to_the_stop_and_its_reason(
    served: Served, desk: httpx.Client, reef: Shop
) -> None:
    cylinder_id = condemned(served.hub, reef)
    found = desk.get("/office", params={"q": "8O471-8Q"}).text
    assert f"/office/cylinders/{cylinder_id}" in found
    assert "Condemned" in found
    life = desk.get(f"/office/cylinders/{cylinder_id}").text
    for words in ("Condemned at Reef-Road", "Any crack in the neck", "clause 7", "<title id=", "<desc id="):
        assert words in life
    assert "Crack &lt;b&gt;in&lt;/b&gt; the neck" in life
    assert "<b>in</b>" not in life


@pytest.mark.wire
def test_the_steps_of_a_visit_are_one_click_further(served: Served, desk: httpx.Client, reef: Shop) -> None:
    cylinder_id = uuid.uuid4()
    subject = f"cylinder/{cylinder_id}"
    reef.record("visit.valve_taped", {"visit_id": str(uuid.uuid4())}, subject=subject)
    condemned_id = condemned(served.hub, reef)
    first = desk.get(f"/office/cylinders/{cylinder_id}").text
    assert "Taped" not in first
    assert "Show every step" in first
    assert "Taped" in desk.get(f"/office/cylinders/{cylinder_id}?every=true").text
    assert "Show every step" not in desk.get(f"/office/cylinders/{condemned_id}").text


@pytest.mark.wire
def test_the_json_says_what_the_page_says(served: Served, desk: httpx.Client, reef: Shop) -> None:
    cylinder_id = condemned(served.hub, reef)
    found = desk.get("/v1/office/cylinders", params={"q": "8O471-8Q"}).json()
    assert [one["cylinder_id"] for one in found["cylinders"]] == [str(cylinder_id)]
    life = desk.get(f"/v1/office/cylinders/{cylinder_id}").json()
    assert (life["standing_words"], life["blocks"][0]["clause"], len(life["history"])) == (
        "Condemned",
        "clause 7",
        2,
    )
    shops = desk.get("/v1/office/shops").json()
    assert [(shop["node"], shop["facts"]) for shop in shops["shops"]] == [("reef-road", 3)]


@pytest.mark.wire
def test_the_page_of_shops_says_how_far_the_log_is_signed_and_who_found_the_same(
    served: Served, desk: httpx.Client, reef: Shop
) -> None:
    condemned(served.hub, reef)
    signed = sign_all(served.hub, minutes=2)
    before = desk.get("/office/shops").text
    assert f"signed its log up to {signed.checkpoint.position}" in before
    assert "No shop has compared that" in before
    with served.hub.database.transaction() as tx:
        add_cosignature(tx, signed.checkpoint, cosign(signed.document, reef.slug, reef.key), now=now())
    assert "So far 1 of 1 found the same in a copy of their own: Reef-Road" in desk.get("/office/shops").text
    found = desk.get("/v1/office/shops").json()["checkpoint"]
    assert (found["position"], found["cosigned_by"]) == (signed.checkpoint.position, ["Reef-Road"])


@pytest.mark.wire
def test_a_page_that_lacks_records_says_so(
    served: Served, desk: httpx.Client, reef: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    cylinder_id = condemned(served.hub, reef)
    # The reader of the running hub stands still, as with a fault of its own.
    monkeypatch.setattr("network.projections.runner.catch_up_once", lambda *_: 0)
    words = ""
    for _ in range(
        50
    ):  # A turn that had begun before it was made to stand still may yet end and move the cursor.
        with served.hub.database.transaction() as tx:
            tx.execute(
                "update projection_cursor set position = (select max(position) from feed) - 1 where name = 'cylinders'"
            )
        words = desk.get(f"/office/cylinders/{cylinder_id}").text
        if "1 record is not read into these pages yet" in words:
            break
        time.sleep(0.05)
    assert "1 record is not read into these pages yet" in words


@pytest.mark.wire
@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/office?q=ZZZZ", 200, "No shop has recorded a serial like this one"),
        ("/office", 200, "No fill of a cylinder that was found bad is on record"),
        ("/office/exposures", 200, "None. No cylinder on record was filled"),
        ("/office/shops", 200, "No shop has joined yet"),
        (f"/office/cylinders/{uuid.UUID(int=1)}", 404, "has no record of this cylinder"),
        ("/office/cylinders/not-an-id", 422, "not valid"),
        ("/office/nowhere", 404, "Not Found"),
        ("/office?q=" + "x" * 65, 422, "not valid"),
    ],
)
def test_an_empty_or_wrong_page_says_so(desk: httpx.Client, path: str, status: int, words: str) -> None:
    answer = desk.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "text/html; charset=utf-8")
    assert words in answer.text


@pytest.mark.wire
@pytest.mark.parametrize("path", ["/office", "/office/exposures", "/office/shops", "/office/sign-in"])
def test_no_page_loads_anything_from_elsewhere(desk: httpx.Client, path: str) -> None:
    answer = desk.get(path)
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert answer.headers["cache-control"] == "no-store"
    for address in re.findall(r'(?:src|href|action)="([^"]+)"', answer.text):
        assert address.startswith(("/", "#", "data:,"))


@pytest.mark.wire
def test_every_route_is_described_and_no_error_is_bare(served: Served) -> None:
    found = httpx.get(f"{served.url}/openapi.json", trust_env=False).json()
    paths = {path for path in found["paths"] if path.startswith("/v1/")}
    assert {
        "/v1/nodes/{node}/events",
        "/v1/feed",
        "/v1/feed/bell",
        "/v1/enrol",
        "/v1/office/cylinders",
    } <= paths
    for path in paths:
        for operation in found["paths"][path].values():
            assert operation["summary"]
            assert "HTTPValidationError" not in str(operation)
    assert httpx.get(f"{served.url}/docs", trust_env=False).status_code == 404
