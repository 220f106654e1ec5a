"""The server of a node: as uvicorn's, but open pages' live feeds end at the first signal instead of being waited for."""

from __future__ import annotations

from types import FrameType

import uvicorn

from branch.node import Node
from branch.web.app import make_app


class NodeServer(uvicorn.Server):
    """Serves one node until it is told to stop."""

    def __init__(self, node: Node, *, host: str, port: int) -> None:
        self._node = node
        super().__init__(
            uvicorn.Config(
                make_app(node), host=host, port=port, log_config=None, access_log=False, timeout_graceful_shutdown=2,
                server_header=False, timeout_keep_alive=30, h11_max_incomplete_event_size=64 * 1024,
            )
        )  # fmt: skip

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """A signal: the feeds end, then the server does."""
        self._node.live.close()
        super().handle_exit(sig, frame)
