"""The servers from the wheels are real, keep their data, ask for a password and leave nothing behind."""

import os
from pathlib import Path

import psycopg
import pytest
import redis

from filltrail import processes, servers

pytestmark = pytest.mark.wire


def test_postgres_keeps_its_data_over_a_restart(tmp_path: Path) -> None:
    first = servers.start_postgres(tmp_path, port=processes.free_port())
    try:
        with psycopg.connect(first.url) as connection:
            connection.execute("create table kept (serial text)")
            connection.execute("insert into kept values ('K 1207')")
    finally:
        first.stop()
    assert not first.is_running()

    second = servers.start_postgres(tmp_path, port=processes.free_port())
    try:
        with psycopg.connect(second.url) as connection:
            assert connection.execute("select serial from kept").fetchall() == [("K 1207",)]
    finally:
        second.stop()
        servers.forget_servers(tmp_path)
    assert not servers.has_postgres_data(tmp_path)


def test_postgres_refuses_a_wrong_password(tmp_path: Path) -> None:
    server = servers.start_postgres(tmp_path, port=processes.free_port())
    try:
        wrong = server.url.replace("postgres:", "postgres:not", 1).replace("postgresqlnot", "postgresql")
        assert wrong != server.url
        with pytest.raises(psycopg.OperationalError, match="password authentication failed"):
            psycopg.connect(wrong, connect_timeout=5)
    finally:
        server.stop()
        servers.forget_servers(tmp_path)


def test_a_server_is_not_mistaken_for_the_stranger_on_its_port(tmp_path: Path) -> None:
    port = processes.free_port()
    stranger = servers.start_valkey(tmp_path / "first", port=port)
    try:
        with pytest.raises(processes.CannotStart, match=f"port {port} is taken"):
            servers.start_valkey(tmp_path / "second", port=port)
    finally:
        stranger.stop()


def test_a_server_that_cannot_start_says_what_it_logged(tmp_path: Path) -> None:
    first = servers.start_postgres(tmp_path, port=processes.free_port())
    try:
        # The data is in use; the second server sees that by itself and says so in its log.
        with pytest.raises(
            processes.CannotStart,
            match=r'(?s)ended with exit code 1 while it was starting.*"postmaster\.pid"',
        ):
            servers.start_postgres(tmp_path, port=processes.free_port())
    finally:
        first.stop()
        servers.forget_servers(tmp_path)


def test_valkey_rings_a_bell(redis_url: str) -> None:
    with redis.Redis.from_url(redis_url, socket_timeout=5) as client, client.pubsub() as listener:
        listener.subscribe("bell")
        assert listener.get_message(timeout=5) is not None
        client.publish("bell", "moved")
        heard = listener.get_message(timeout=5)
    assert heard is not None
    assert heard["data"] == b"moved"


def test_a_taken_port_is_seen_and_a_free_one_is_free(tmp_path: Path) -> None:
    port = processes.free_port()
    assert not processes.is_port_taken(port)
    server = servers.start_valkey(tmp_path, port=port)
    assert processes.is_port_taken(port)
    server.stop()
    assert not processes.is_port_taken(port)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root has to hand its server to somebody else")
def test_as_root_the_server_runs_as_nobody_and_no_permission_changes(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    server = servers.start_postgres(closed, port=processes.free_port())
    try:
        owner = Path(f"/proc/{server.process.pid}").stat().st_uid
        assert owner == 65534
        assert closed.stat().st_mode & 0o777 == 0o700
        assert (closed / "postgres.password").stat().st_mode & 0o777 == 0o600
    finally:
        server.stop()
        servers.forget_servers(closed)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root has to hand its server to somebody else")
def test_binaries_nobody_may_reach_are_copied_not_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As if the environment lay in a closed home folder.
    monkeypatch.setattr(servers, "_everybody_may_run", lambda _program: False)
    server = servers.start_postgres(tmp_path, port=processes.free_port())
    try:
        with psycopg.connect(server.url) as connection:
            assert connection.execute("select 1").fetchone() == (1,)
    finally:
        server.stop()
        servers.forget_servers(tmp_path)
