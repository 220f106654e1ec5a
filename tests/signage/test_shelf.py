"""What is served around the pages, and what a template may and may not do."""

import re

import httpx
import pytest
from jinja2 import UndefinedError
from tests.signage.conftest import Stand

import signage
from signage.shelf import style_sheet


def rendered(source: str) -> str:
    return signage.environment([]).from_string("{% import 'signage/macros.html' as s %}" + source).render()


def test_an_address_carries_the_hash_and_is_kept_for_a_year(stand: Stand) -> None:
    answer = httpx.get(stand.url + signage.asset("filltrail.css"), timeout=5)
    assert answer.status_code == 200
    assert "immutable" in answer.headers["cache-control"]
    assert answer.headers["content-encoding"] == "gzip"


def test_an_address_with_another_hash_is_not_answered(stand: Stand) -> None:
    wrong = re.sub(r"/[0-9a-f]{16}/", "/0123456789abcdef/", signage.asset("filltrail.js"))
    assert httpx.get(stand.url + wrong, timeout=5).status_code == 404


def test_every_font_the_style_sheet_names_is_served(stand: Stand) -> None:
    addresses = re.findall(r'url\("\.\./\.\./(fonts/[^"]+)"\)', style_sheet())
    assert len(addresses) == 6
    for address in addresses:
        answer = httpx.get(f"{stand.url}/signage/{address}", timeout=5)
        assert (answer.status_code, answer.content[:4]) == (200, b"\x00\x01\x00\x00")


def test_digits_come_from_the_plain_zero_family_first() -> None:
    assert "--words: Gauge, Legible" in style_sheet()
    assert style_sheet().count("unicode-range: U+30-39") == 3


def test_every_page_forbids_foreign_script_and_framing(stand: Stand) -> None:
    headers = httpx.get(f"{stand.url}/p/rated", timeout=5).headers
    assert "default-src 'self'" in headers["content-security-policy"]
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "no-store"


def test_the_live_feed_passes_the_guard_as_it_is_said(stand: Stand) -> None:
    with httpx.stream("GET", f"{stand.url}/stream", timeout=5) as answer:
        assert next(answer.iter_lines()) == "event: beat"


def test_no_page_carries_inline_style_or_script(stand: Stand) -> None:
    for name in ("board", "rated", "fill", "tape", "stop", "condemn", "dates", "parts"):
        page = httpx.get(f"{stand.url}/p/{name}", timeout=5).text
        assert not re.search(r"\sstyle=|<style|\son\w+=|<script(?![^>]*\ssrc=)", page), name


def test_a_veiled_rating_is_not_in_the_page_at_all() -> None:
    assert "3000" not in rendered("{{ s.plate('B0471-8Q', '3AL', '3000', '04 19', veiled=True) }}")
    assert "3000" in rendered("{{ s.plate('B0471-8Q', '3AL', '3000', '04 19') }}")


def test_what_a_person_wrote_stays_words() -> None:
    page = rendered(
        "{% call s.notice('hold') %}{{ '<b onclick=x>' }}{% endcall %}{{ s.tile('hold', '<i>', '<u>') }}"
    )
    assert "<b onclick" not in page
    assert "<u>" not in page
    assert "&lt;b onclick=x&gt;" in page


def test_a_value_nobody_gave_is_a_loud_error() -> None:
    with pytest.raises(UndefinedError):
        rendered("{{ rating }}")


def test_an_icon_nobody_drew_is_a_loud_error() -> None:
    with pytest.raises(KeyError):
        signage.icon("no-such-icon")


def test_the_stage_bar_knows_where_the_visit_stands() -> None:
    bar = signage.stages((("Greet", ("diver", "gas")), ("Fill", ("target", "fill"))), "target")
    assert [stage.segments for stage in bar] == [("done", "done"), ("now", "open")]
    assert [stage.is_now for stage in bar] == [False, True]


def test_every_state_of_a_tile_says_its_word() -> None:
    words = {
        "waiting": "Waiting", "bench": "Bench", "hold": "Hold", "stop": "Do not fill", "ready": "Ready", "whip": "On whip",
        "hot": "Hot", "analyse": "Analyse", "full": "Full", "over": "Handed over", "free": "Slot free",
    }  # fmt: skip
    for state, word in words.items():
        assert word in rendered(f"{{{{ s.tile('{state}', '33') }}}}")
