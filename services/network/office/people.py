"""Who may read the office: officers, their passwords, their sessions, and how long a wrong password costs.

Owns `officer`, `officer_session`, `officer_try`. Must never keep a password or a session's token, only what checks them.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from dataclasses import dataclass
from uuid import UUID

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from cylinder.facts import ActorCertified
from network.own_log import OwnLog, Statement
from network.store.database import Tx
from sync.at_hub import Appended

SHORTEST_PASSWORD = 12  # OWASP ASVS 5.0, 6.2.1 asks for 8 and recommends 15
LONGEST_PASSWORD = 256
TRIES_BEFORE_DELAY = 5
FIRST_DELAY = dt.timedelta(seconds=5)
LONGEST_DELAY = dt.timedelta(minutes=15)
IDLE_LIFE = dt.timedelta(minutes=30)
WHOLE_LIFE = dt.timedelta(hours=12)
NOTE_USE_EVERY = dt.timedelta(seconds=30)
_LOGIN = re.compile(r"[a-z0-9][a-z0-9.-]{0,62}")

# Argon2id, RFC 9106's second recommended set: 64 MiB, 3 passes, 4 lanes (the library's default).
_hasher = PasswordHasher()
# Checked when the login is unknown, so that an unknown one takes as long as a wrong password.
_NOBODY = "$argon2id$v=19$m=65536,t=3,p=4$bm9ib2R5LW5vYm9keQ$M2ZkY2U5ZTI0ZTYxM2E1YWI1NzQ0MmQyNjBmMTI1YTc"

officer_by_login = "select login, name, actor_id, password_hash from officer where login = %s"
put_officer = """
insert into officer (login, name, actor_id, password_hash, changed_at) values (%s, %s, %s, %s, %s)
on conflict (login) do update set name = excluded.name, password_hash = excluded.password_hash,
    changed_at = excluded.changed_at
"""
end_sessions = "delete from officer_session where login = %s"
lock_tries = "select failed, not_before from officer_try where login = %s for update"
count_try = """
insert into officer_try (login, failed, not_before) values (%s, 1, %s)
on conflict (login) do update set failed = officer_try.failed + 1, not_before = excluded.not_before
"""
forget_tries = "delete from officer_try where login = %s"
open_session = "insert into officer_session (token_sha256, login, opened_at, used_at) values (%s, %s, %s, %s)"
session_by_token = """
select s.login, o.name, o.actor_id, s.opened_at, s.used_at
from officer_session s join officer o on o.login = s.login where s.token_sha256 = %s
"""
note_use = "update officer_session set used_at = %s where token_sha256 = %s"
close_session = "delete from officer_session where token_sha256 = %s"
drop_old_sessions = "delete from officer_session where used_at < %s or opened_at < %s"


@dataclass(frozen=True, slots=True)
class Officer:
    """A signed-in safety officer."""

    login: str
    name: str
    actor_id: str


@dataclass(frozen=True, slots=True)
class Wait:
    """Too many wrong passwords: ask again after this long."""

    seconds: int


class NotAppointed(Exception):
    """An officer cannot be made; the message says why."""


def appoint(
    tx: Tx,
    own_log: OwnLog,
    *,
    login: str,
    name: str,
    password: str,
    fact_id: UUID,
    actor_id: str,
    now: dt.datetime,
) -> Appended | None:
    """Make an officer, whose working name is a fact; or change an officer's password. Raises NotAppointed."""
    if not _LOGIN.fullmatch(login):
        raise NotAppointed("a login is lower-case letters, digits, dots and hyphens")
    if not name.strip() or len(name) > 60 or not name.isprintable():
        raise NotAppointed("the name is empty, longer than 60 letters or not printable")
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise NotAppointed(
            f"FILLTRAIL_OFFICER_PASSWORD must hold {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters"
        )
    known = tx.execute(officer_by_login, (login,)).fetchone()
    tx.execute(put_officer, (login, name.strip(), actor_id, _hasher.hash(password), now))
    tx.execute(end_sessions, (login,))
    tx.execute(forget_tries, (login,))
    if known is not None:
        return None
    fact = ActorCertified(actor_id=actor_id, known_as=name.strip(), role="officer")
    statement = Statement(fact_id, fact.KIND, f"actor/{actor_id}", fact.model_dump(mode="json"), v=fact.V)
    return own_log.write(tx, [statement], now=now)


def plain_login(keyed: str) -> str:
    """A login as it is looked up, whatever the keyboard made of it."""
    return keyed.strip().lower()[:63]


def sign_in(tx: Tx, login: str, password: str, token: str, *, now: dt.datetime) -> Officer | Wait | None:
    """Open a session for `token`; None when login and password do not fit, Wait when they may not be tried yet."""
    login = plain_login(login)
    tries = tx.execute(lock_tries, (login,)).fetchone()
    if tries is not None and now < tries["not_before"]:
        return Wait(max(1, int((tries["not_before"] - now).total_seconds())))
    row = tx.execute(officer_by_login, (login,)).fetchone()
    if not _fits(str(row["password_hash"]) if row is not None else _NOBODY, password) or row is None:
        failed = 1 if tries is None else int(tries["failed"]) + 1
        tx.execute(count_try, (login, now + delay_after(failed)))
        return None
    tx.execute(forget_tries, (login,))
    tx.execute(drop_old_sessions, (now - IDLE_LIFE, now - WHOLE_LIFE))
    tx.execute(open_session, (_digest(token), login, now, now))
    return Officer(login, str(row["name"]), str(row["actor_id"]))


def officer_of(tx: Tx, token: str, *, now: dt.datetime) -> Officer | None:
    """Who is signed in by this token, if it is still good."""
    row = tx.execute(session_by_token, (_digest(token),)).fetchone()
    if row is None or now - row["used_at"] > IDLE_LIFE or now - row["opened_at"] > WHOLE_LIFE:
        return None
    if now - row["used_at"] > NOTE_USE_EVERY:
        tx.execute(note_use, (now, _digest(token)))
    return Officer(row["login"], row["name"], row["actor_id"])


def sign_out(tx: Tx, token: str) -> None:
    """End a session."""
    tx.execute(close_session, (_digest(token),))


def delay_after(failed: int) -> dt.timedelta:
    """How long the next try has to wait: nothing for the first five, then doubling up to a quarter of an hour."""
    over = failed - TRIES_BEFORE_DELAY
    if over < 0:
        return dt.timedelta(0)
    return min(LONGEST_DELAY, FIRST_DELAY * (1 << min(over, 20)))


def _fits(password_hash: str, password: str) -> bool:
    try:
        return _hasher.verify(password_hash, password[:LONGEST_PASSWORD])
    except (VerificationError, InvalidHashError):
        return False


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
