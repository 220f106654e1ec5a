"""Hands one mail to the relay by SMTP (RFC 5321) and says how it ended: the only place that speaks to a mail server.

Must never lose the difference between "not delivered, for certain" and "perhaps delivered", and never repeat what the
server said in words: its answers quote addresses.
"""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal
from urllib.parse import unquote, urlsplit

from receipts.mail import Mail

CALL_TIMEOUT_S = 20.0
_LINE_START_DOT = re.compile(rb"^\.", re.MULTILINE)  # RFC 5321, 4.5.2


@dataclass(frozen=True, slots=True)
class Relay:
    """The mail server that takes our mail. Without TLS from the start, STARTTLS is used where it is offered."""

    host: str
    port: int
    is_tls: bool = False
    user: str = ""
    password: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an attempt ended; `why` names a verb and a code, never a person.

    `later`: not delivered. `line down`: not delivered, and no other mail would be. `refused`: not delivered, and never
    will be. `in doubt`: the whole mail was given and no answer came.
    """

    word: Literal["sent", "later", "line down", "refused", "in doubt"]
    why: str = ""


def relay_from(url: str) -> Relay:
    """Read smtp://[user:password@]host[:port] or smtps://…. Raises ValueError, without the password."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise ValueError("the mail server's URL cannot be read") from None
    if parts.scheme not in ("smtp", "smtps") or not parts.hostname or parts.path not in ("", "/"):
        raise ValueError("the mail server's URL is smtp://host:port or smtps://host:port")
    is_tls = parts.scheme == "smtps"
    # RFC 8314, 3.3: 465 for submission under TLS from the start, 587 for submission.
    default_port = 465 if is_tls else 587
    return Relay(
        host=parts.hostname,
        port=default_port if port is None else port,
        is_tls=is_tls,
        user=unquote(parts.username or ""),
        password=unquote(parts.password or ""),
    )


class Post:
    """One relay, one mail at a time. `hang_up`, from another thread, ends an attempt that takes too long."""

    def __init__(self, relay: Relay, *, greet_as: str, timeout_s: float = CALL_TIMEOUT_S) -> None:
        self._relay = relay
        self._greet_as = greet_as
        self._timeout_s = timeout_s
        self._lock = threading.Lock()
        self._line: smtplib.SMTP | None = None

    def send(self, mail: Mail, *, mark: Callable[[], None]) -> Outcome:
        """One attempt. `mark` is called when the server is ready for the mail and nothing of it has left yet."""
        try:
            line = self._connect()
        except smtplib.SMTPResponseException as refusal:
            return Outcome("line down", f"{refusal.smtp_code} at connect")
        except (OSError, smtplib.SMTPException) as broken:
            return Outcome("line down", f"{type(broken).__name__} at connect")
        with self._lock:
            self._line = line
        try:
            return self._greet(line) or _hand_over(line, mail, mark)
        finally:
            with self._lock:
                self._line = None
            line.close()

    def hang_up(self) -> None:
        """Break off the attempt that is under way, if any; its `send` then says how it ended."""
        with self._lock:
            sock = None if self._line is None else self._line.sock
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    def _connect(self) -> smtplib.SMTP:
        # A host name of our own would be looked up in DNS, without a time-out, and told to the relay.
        host, port, name, timeout_s = self._relay.host, self._relay.port, self._greet_as, self._timeout_s
        if self._relay.is_tls:
            context = ssl.create_default_context()  # smtplib's own default verifies nothing
            return smtplib.SMTP_SSL(host, port, local_hostname=name, timeout=timeout_s, context=context)
        return smtplib.SMTP(host, port, local_hostname=name, timeout=timeout_s)

    def _greet(self, line: smtplib.SMTP) -> Outcome | None:
        """EHLO, TLS, sign in. What goes wrong here says nothing about this mail, so it is always `line down`."""
        verb = "EHLO"
        try:
            line.ehlo_or_helo_if_needed()
            if not self._relay.is_tls and line.has_extn("starttls"):
                verb = "STARTTLS"
                line.starttls(context=ssl.create_default_context())
                line.ehlo_or_helo_if_needed()
            if self._relay.user:
                verb = "AUTH"
                if not isinstance(line.sock, ssl.SSLSocket):
                    return Outcome(
                        "line down", "the relay offers no TLS, and a password is not sent without it"
                    )
                line.login(self._relay.user, self._relay.password)
        except smtplib.SMTPResponseException as refusal:
            return Outcome("line down", f"{refusal.smtp_code} at {verb}")
        except (OSError, smtplib.SMTPException, ValueError) as broken:
            return Outcome("line down", f"{type(broken).__name__} at {verb}")
        return None


def _hand_over(line: smtplib.SMTP, mail: Mail, mark: Callable[[], None]) -> Outcome:
    steps: tuple[tuple[str, str, tuple[int, ...]], ...] = (
        ("MAIL", f"FROM:<{mail.sender}>", (250,)),
        ("RCPT", f"TO:<{mail.recipient}>", (250, 251)),
        ("DATA", "", (354,)),
    )
    for verb, argument, good in steps:
        try:
            code, _ = line.docmd(verb, argument)
        except (OSError, smtplib.SMTPException) as broken:
            return Outcome("line down", f"{type(broken).__name__} at {verb}")
        if code not in good:
            return _no(code, verb)
    mark()
    content = _LINE_START_DOT.sub(b"..", mail.content)
    try:
        line.send(content if content.endswith(b"\r\n") else content + b"\r\n")
    except (OSError, smtplib.SMTPException) as broken:
        return Outcome("line down", f"{type(broken).__name__} in the middle of the mail")
    # The dot ends the mail: without it nothing was delivered, from here on anything may have been.
    try:
        line.send(b".\r\n")
        code, _ = line.getreply()
    except (OSError, smtplib.SMTPException) as broken:
        return Outcome("in doubt", f"{type(broken).__name__} after the mail was given")
    if 400 <= code < 600:
        return _no(code, "the end of DATA")
    if code != 250:
        return Outcome("in doubt", f"{code} after the mail was given")
    with contextlib.suppress(OSError, smtplib.SMTPException):
        line.quit()
    return Outcome("sent")


def _no(code: int, verb: str) -> Outcome:
    """RFC 5321, 4.2.1: 4yz may go better later, 5yz will not; 421 is the server leaving."""
    if code == 421:
        return Outcome("line down", f"421 at {verb}")
    return Outcome("refused" if 500 <= code < 600 else "later", f"{code} at {verb}")
