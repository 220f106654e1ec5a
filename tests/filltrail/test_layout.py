"""Ports are checked before anything starts, and each taken one is named with who wanted it."""

import socket
from pathlib import Path

import pytest
from tests.filltrail.free_ports import free_base_port

from filltrail.cast import read_cast
from filltrail.layout import CommandFailed, Layout, Ports, PortsTaken, last_line, refuse_taken_ports, run
from filltrail.processes import plain_environment

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def layout(tmp_path: Path) -> Layout:
    return Layout(
        tmp_path, ROOT / "demo_data", Ports(free_base_port()), read_cast(ROOT / "demo_data/network.toml")
    )


def test_free_ports_are_no_reason_to_complain(layout: Layout) -> None:
    refuse_taken_ports(layout)


def test_every_taken_port_is_named_with_who_wanted_it(layout: Layout) -> None:
    with (
        socket.create_server(("127.0.0.1", layout.shop_port("gannet"))),
        socket.create_server(("127.0.0.1", layout.ports.smtp)),
        pytest.raises(PortsTaken) as refusal,
    ):
        refuse_taken_ports(layout)

    said = str(refusal.value)
    assert f"port {layout.shop_port('gannet')} is taken; the shop Gannet Stairs wants it" in said
    assert f"port {layout.ports.smtp} is taken; the mail catcher wants it" in said
    assert said.count("is taken") == 2


def test_no_two_programs_share_a_port(layout: Layout) -> None:
    ports = [
        layout.ports.hub,
        *(layout.shop_port(shop.slug) for shop in layout.cast.shops),
        layout.ports.receipts,
        layout.ports.mail_page,
        layout.ports.smtp,
        layout.ports.postgres,
        layout.ports.valkey,
    ]
    assert len(ports) == len(set(ports))


def test_a_persons_own_settings_do_not_reach_the_demo(
    layout: Layout, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLTRAIL_REDIS_URL", "redis://elsewhere")
    monkeypatch.setenv("PGHOST", "elsewhere")

    env = layout.hub_environment("postgresql://here", None)

    assert "FILLTRAIL_REDIS_URL" not in env
    assert "PGHOST" not in env
    assert env["FILLTRAIL_DATABASE_URL"] == "postgresql://here"


def test_a_command_that_ends_badly_says_what_it_said() -> None:
    with pytest.raises(CommandFailed, match="No such command 'no_such_word'"):
        run("filltrail", "no_such_word", env=plain_environment())


def test_the_line_for_programs_is_the_last_one() -> None:
    assert last_line("a warning\nK7QM-2FXA\n\n") == "K7QM-2FXA"
    with pytest.raises(CommandFailed):
        last_line("\n")
