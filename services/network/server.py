"""The server of the hub: as uvicorn's, but listeners are let go at the first signal instead of being waited for."""

from __future__ import annotations

from types import FrameType

import uvicorn

from network.app import make_app
from network.hub import Hub

LEAVE_WITHIN_S = 2


class HubServer(uvicorn.Server):
    """Serves one hub until it is told to stop."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        super().__init__(
            uvicorn.Config(
                make_app(hub),
                host=hub.settings.host,
                port=hub.settings.port,
                log_config=None,
                access_log=False,  # addresses of pages hold what people search for
                timeout_graceful_shutdown=LEAVE_WITHIN_S,
                timeout_keep_alive=20,
                server_header=False,
            )
        )

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """A signal: the listeners end, then the server does."""
        super().handle_exit(sig, frame)
        self._hub.doorbell.stop_soon()
