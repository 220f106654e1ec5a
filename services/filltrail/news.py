"""Whether every shop has heard what the network knows, asked of running programs in a few milliseconds.

Owns the reading of their figures. It says that news has arrived, not that it is the same everywhere: that is
for `compare`.
"""

import time
from collections.abc import Callable

import httpx

from filltrail.layout import Layout
from filltrail.processes import LOOPBACK, CannotGoOn

TIMEOUT_S = 60.0
LOOK_AGAIN_S = 0.01
YOUNG_S = 60.0


class NoNews(CannotGoOn):
    """The shops did not hear from the network in time; the message says how far each is."""


class News:
    """How far the shops of one demo are."""

    def __init__(self, layout: Layout, http: httpx.Client) -> None:
        self._layout = layout
        self._http = http

    def wait_until_in_step(self) -> None:
        """Nothing waits to be sent, and everybody has read the feed to its end. Raises NoNews."""

        def is_in_step() -> str:
            shops = self._shops()
            head = int(self._json_number(f"{self._layout.hub_url}/readyz", "position"))
            behind = [
                f"{slug}: {unsent:.0f} facts not sent, feed read to {position:.0f} of {head}"
                for slug, (unsent, position, _) in shops.items()
                if unsent or position != head
            ]
            return "\n".join(behind)

        self._wait(is_in_step)

    def wait_until_young(self) -> None:
        """Every shop has heard the hub since the clock was moved. Raises NoNews."""

        def is_young() -> str:
            return "\n".join(
                f"{slug}: heard {age_s:.0f} s ago"
                for slug, (_, _, age_s) in self._shops().items()
                if not 0 <= age_s <= YOUNG_S
            )

        self._wait(is_young)

    def wait_until_mailed(self) -> None:
        """The mail worker has read the feed to its end and has nothing left to send. Raises NoNews."""
        worker = f"http://{LOOPBACK}:{self._layout.ports.receipts}"

        def is_mailed() -> str:
            head = int(self._json_number(f"{self._layout.hub_url}/readyz", "position"))
            figures = _figures(self._get(f"{worker}/metrics").text)
            waiting = sum(figures[f'filltrail_receipts{{state="{state}"}}'] for state in ("due", "sending"))
            position = figures["filltrail_feed_position"]
            is_done = position == head and not waiting
            return "" if is_done else f"mail: {waiting:.0f} to send, feed read to {position:.0f} of {head}"

        self._wait(is_mailed)

    def _wait(self, look: Callable[[], str]) -> None:
        deadline = time.monotonic() + TIMEOUT_S
        while said := look():
            if time.monotonic() > deadline:
                raise NoNews(
                    f"After {TIMEOUT_S:.0f} s the shops and the mail are not in step with the network:\n{said}"
                )
            time.sleep(LOOK_AGAIN_S)

    def _shops(self) -> dict[str, tuple[float, float, float]]:
        """Of each shop: facts not sent yet, position in the feed, seconds since it heard the hub."""
        names = ("filltrail_unsent_facts", "filltrail_feed_position", "filltrail_news_age_seconds")
        found = {}
        for shop in self._layout.cast.shops:
            figures = _figures(self._get(f"{self._layout.shop_url(shop.slug)}/metrics").text)
            unsent, position, age_s = (figures[name] for name in names)
            found[shop.slug] = (unsent, position, age_s)
        return found

    def _json_number(self, url: str, name: str) -> float:
        return float(self._get(url).json()[name])

    def _get(self, url: str) -> httpx.Response:
        try:
            return self._http.get(url).raise_for_status()
        except httpx.HTTPError as wrong:
            raise NoNews(f"{url} did not say how far it is: {wrong}") from wrong


def _figures(metrics: str) -> dict[str, float]:
    """The figures of a page in the Prometheus text format, by name with labels."""
    lines = [line.rpartition(" ") for line in metrics.splitlines() if line and not line.startswith("#")]
    return {name: float(value) for name, _, value in lines}
