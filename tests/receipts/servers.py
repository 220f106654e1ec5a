"""Mail servers that misbehave on purpose, over real sockets."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Thread
from typing import BinaryIO

CLOSE = "close"
"""In a script: close the line instead of an answer."""

GOOD = {
    "connect": "220 test",
    "EHLO": "250 test",
    "MAIL": "250 ok",
    "RCPT": "250 ok",
    "DATA": "354 go",
    "end": "250 ok",
}


@dataclass
class ScriptedServer:
    """Answers each verb by its script, one session after the other. `answers` may be changed while it runs."""

    answers: dict[str, str] = field(default_factory=dict)
    mails: list[bytes] = field(default_factory=list)
    verbs: list[str] = field(default_factory=list)
    when_given: Callable[[int], None] | None = None
    """Called with the number of mails when one was given whole, before it is answered."""

    def __enter__(self) -> ScriptedServer:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._thread = Thread(target=self._serve)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        # Closing a listener does not wake its accept; a last visitor does.
        self._is_over = True
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port), timeout=5).close()
        self._thread.join(15)
        self._listener.close()

    _is_over: bool = False

    def _serve(self) -> None:
        while not self._is_over:
            line, _ = self._listener.accept()
            line.settimeout(10)
            with line, contextlib.suppress(OSError):
                if not self._is_over:
                    self._session(line)

    def _session(self, line: socket.socket) -> None:
        with line.makefile("rb") as incoming:
            if not self._answer(line, "connect"):
                return
            for raw in incoming:
                verb = raw[:4].decode().strip().upper()
                self.verbs.append(verb)
                if verb == "QUIT":
                    line.sendall(b"221 bye\r\n")
                    return
                if not self._answer(line, verb):
                    return
                if verb == "DATA" and self._said("DATA").startswith("354"):
                    self._take_mail(incoming)
                    if self.when_given is not None:
                        self.when_given(len(self.mails))
                    if not self._answer(line, "end"):
                        return

    def _take_mail(self, incoming: BinaryIO) -> None:
        lines: list[bytes] = []
        for raw in incoming:
            if raw == b".\r\n":
                self.mails.append(b"".join(lines))
                return
            lines.append(raw.removeprefix(b".") if raw.startswith(b"..") else raw)

    def _said(self, verb: str) -> str:
        return self.answers.get(verb, GOOD.get(verb, "502 what?"))

    def _answer(self, line: socket.socket, verb: str) -> bool:
        said = self._said(verb)
        if said == CLOSE:
            return False
        line.sendall(said.encode() + b"\r\n")
        return True
