"""A tablet as in the floor's tests, and short ways through the steps of a visit by their forms."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

import httpx
import pytest
from tests.branch.a_shop import Shop
from tests.branch.web_floor.conftest import Served, Tablet, a_tablet, served, tablet

__all__ = ["Served", "served", "tablet"]

IDENTITY = {"serial": "K40718", "maker": "ZQ", "spec": "3AL"}
FIRST_TEST = {"first_test_month": "7", "first_test_year": "2021"}


@dataclass
class AtVisit:
    """One visit at one tablet."""

    tablet: Tablet
    id: UUID

    @property
    def shop(self) -> Shop:
        return self.tablet.shop

    @property
    def here(self) -> str:
        return f"/visits/{self.id}"

    @property
    def step(self) -> str:
        return self.shop.visit(self.id).step

    def look(self, more: str = "") -> httpx.Response:
        """The visit's page as it is now."""
        return self.tablet.get(self.here + more)

    def answer(self, where: str, *, page: str = "", **values: str | list[str]) -> httpx.Response:
        """Open the page, fill its form in, send it."""
        return self.tablet.send(self.look(page), f"{self.here}/{where}", **values)

    def recorded(self, where: str, *, page: str = "", **values: str | list[str]) -> None:
        """The same, and it must have been recorded: the answer leads back to the visit's page."""
        answered = self.answer(where, page=page, **values)
        assert (answered.status_code, answered.headers.get("location")) == (303, self.here), answered.text

    def recorded_marks(self, serial: str) -> None:
        """Say that it is the cylinder with this serial and the usual other marks."""
        first = self.answer("identify", **{**IDENTITY, "serial": serial})
        done = self.tablet.send(first, f"{self.here}/identify", **FIRST_TEST)
        assert done.status_code == 303, done.text

    def up_to(self, step: str) -> AtVisit:
        """Past the steps before, by the desk and not by pages."""
        self.shop.up_to(step, visit_id=self.id)
        return self


@pytest.fixture
def visit(tablet: Tablet) -> AtVisit:
    """A cylinder just taken in under tag 14."""
    return AtVisit(tablet, tablet.shop.greet())


@pytest.fixture
def inspector(shop: Shop) -> Tablet:
    """A tablet at the bench with an inspector signed in."""
    return a_tablet(shop, role="inspector")


def question(page: httpx.Response) -> str:
    """The page's question, without marks of the page."""
    return page.text.split("data-question>", 1)[1].split("</h1>", 1)[0].strip()
