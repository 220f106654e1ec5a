"""The specimen service on a real port and a real Chromium to look at it with."""

import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright
from tests.signage.specimen import Box, specimen

QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
    "--disable-component-update",
    "--disable-sync",
)


@dataclass(frozen=True)
class Stand:
    """Where the specimen answers and what it remembers."""

    url: str
    box: Box


@pytest.fixture(scope="session")
def stand() -> Iterator[Stand]:
    app, box = specimen()
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    yield Stand(f"http://127.0.0.1:{listening.getsockname()[1]}", box)
    server.should_exit = True
    thread.join(timeout=10)
    listening.close()


@pytest.fixture(scope="module")  # Playwright keeps an event loop running: other modules must find none.
def chromium(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=list(QUIET))
        yield browser
        browser.close()


@pytest.fixture
def tablet(chromium: Browser, stand: Stand) -> Iterator[Page]:
    """A fresh tablet, 1280 by 800, that has seen nothing before."""
    stand.box.records.clear()
    stand.box.beats = True
    context = chromium.new_context(
        viewport={"width": 1280, "height": 800}, reduced_motion="reduce", base_url=stand.url
    )
    yield context.new_page()
    context.close()
