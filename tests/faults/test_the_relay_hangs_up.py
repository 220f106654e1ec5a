"""The last verb of all: the relay took the mail and is gone before anybody said goodbye."""

from __future__ import annotations

import socket

import pytest
from tests.receipts.servers import ScriptedServer
from tests.receipts.test_post import MAIL, attempt

from receipts.post import Outcome

pytestmark = pytest.mark.wire


class GoneAfterTheMail(ScriptedServer):
    """Says that it has the mail, and closes the line at once: QUIT meets nobody."""

    def _answer(self, line: socket.socket, verb: str) -> bool:
        return super()._answer(line, verb) and verb != "end"


def test_a_relay_that_is_gone_at_quit_has_the_mail_all_the_same() -> None:
    with GoneAfterTheMail() as server:
        assert attempt(server.port) == (Outcome("sent"), 1)
    assert server.mails == [MAIL.content]
    assert "QUIT" not in server.verbs
