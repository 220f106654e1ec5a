"""The mail catcher keeps what it was sent, shows both parts, and lets no mail run anything."""

import smtplib
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from filltrail import processes
from filltrail.mailbox import mailbox

pytestmark = pytest.mark.wire


@pytest.fixture
def smtp_port() -> int:
    return processes.free_port()


@pytest.fixture
def page(tmp_path: Path, smtp_port: int) -> Iterator[TestClient]:
    with TestClient(mailbox(tmp_path, smtp_host="127.0.0.1", smtp_port=smtp_port)) as client:
        yield client


def test_a_mail_is_shown_with_both_its_parts(page: TestClient, smtp_port: int) -> None:
    _send(smtp_port, _mail("Two cylinders are full", text="rated 207 bar", html="<h1>rated 207 bar</h1>"))

    assert "Two cylinders are full" in page.get("/").text
    shown = page.get("/mail/1")
    assert "rated 207 bar" in shown.text
    assert 'src="/mail/1/html" sandbox' in shown.text
    assert "<h1>rated 207 bar</h1>" in page.get("/mail/1/html").text
    assert "Message-ID: <one@example.org>" in page.get("/mail/1/source").text


def test_script_in_a_mail_is_kept_in_the_sandbox(page: TestClient, smtp_port: int) -> None:
    evil = "<script>document.title = 'taken'</script>"
    _send(smtp_port, _mail(evil, text=evil, html=evil))

    assert evil not in page.get("/").text
    assert evil not in page.get("/mail/1").text
    policy = page.get("/mail/1/html").headers["content-security-policy"]
    assert policy.startswith("sandbox; default-src 'none'")


def test_the_same_message_id_twice_is_called_a_repeat(page: TestClient, smtp_port: int) -> None:
    _send(smtp_port, _mail("Your cylinder is full", text="a", html="a"))
    assert "a repeat" not in page.get("/").text

    _send(smtp_port, _mail("Your cylinder is full", text="a", html="a"))

    assert page.get("/").text.count("a repeat") == 1
    assert [mail["number"] for mail in page.get("/api/mail").json()] == [2, 1]


def test_mails_outlive_the_catcher(tmp_path: Path) -> None:
    for expected in (1, 2):
        port = processes.free_port()
        with TestClient(mailbox(tmp_path, smtp_host="127.0.0.1", smtp_port=port)) as client:
            _send(port, _mail(f"Mail {expected}", text="a", html="a"))
            assert len(client.get("/api/mail").json()) == expected


def test_a_mail_too_large_is_refused_and_not_kept(page: TestClient, smtp_port: int) -> None:
    with pytest.raises(smtplib.SMTPException):
        _send(smtp_port, _mail("Large", text="x" * 6_000_000, html="x"))

    assert page.get("/api/mail").json() == []


def test_a_number_nobody_has_is_not_found(page: TestClient) -> None:
    assert page.get("/mail/99").status_code == 404


def _mail(subject: str, *, text: str, html: str) -> EmailMessage:
    mail = EmailMessage()
    mail["From"] = "counter@example.org"
    mail["To"] = "diver@example.org"
    mail["Subject"] = subject
    mail["Message-ID"] = "<one@example.org>"
    mail.set_content(text)
    mail.add_alternative(html, subtype="html")
    return mail


def _send(port: int, mail: EmailMessage) -> None:
    with smtplib.SMTP("127.0.0.1", port, timeout=10) as smtp:
        smtp.send_message(mail)
