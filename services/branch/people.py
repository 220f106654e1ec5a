"""Who may use this node: enrolled tablets, staff with PINs, sessions. Local to the shop; none of it is a fact.

A PIN is good only on an enrolled device. Codes and tokens are kept as hashes. Five wrong PINs, and each
further try waits longer.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock
from uuid import UUID

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from branch.store import BranchStore, Tx
from branch.store.rows import Cursor, number, text
from cylinder.around import Actor

FREE_TRIES = 5
DEVICE_CODE_GOOD_FOR = dt.timedelta(minutes=10)
SESSION_LASTS = dt.timedelta(hours=12)
_LONGEST_WAIT_S = 15 * 60


class SignInRefused(Exception):
    """Why not, in words for the person at the tablet."""


@dataclass(frozen=True, slots=True)
class Person:
    """One of the staff, as the sign-in page lists them."""

    actor: Actor
    known_as: str


@dataclass(frozen=True, slots=True)
class Session:
    """Who is signed in, on which device."""

    person: Person
    device_id: str


class People:
    """Staff, devices and sessions of this shop."""

    def __init__(
        self,
        store: BranchStore,
        *,
        now: Callable[[], dt.datetime],
        new_token: Callable[[], str],
        new_code: Callable[[], str],
        relock: dt.timedelta,
        hasher: PasswordHasher | None = None,
    ) -> None:
        self._store = store
        self._now = now
        self._new_token = new_token
        self._new_code = new_code
        self._relock = relock
        self._hasher = hasher or PasswordHasher()
        self._hashing = Lock()

    def staff(self) -> tuple[Person, ...]:
        """Everybody who works here, by name."""
        with self._store.reading() as c:
            c.execute(_STAFF)
            return tuple(_person(row) for row in c.fetchall())

    def set_pin(self, actor_id: str, pin: str) -> None:
        """Give a person a PIN of 6 to 8 digits. Raises SignInRefused when it is none, or too easy."""
        if not (pin.isascii() and pin.isdecimal() and 6 <= len(pin) <= 8) or len(set(pin)) == 1:
            raise SignInRefused("A PIN has 6 to 8 digits, not all the same.")
        hashed = self._hasher.hash(pin)
        with self._store.writing() as tx:
            tx.c.execute(_SET_PIN, (actor_id, hashed))
            tx.c.execute("delete from pin_try where actor_id = ?", (actor_id,))

    def dismiss(self, tx: Tx, actor_id: str) -> None:
        """Somebody no longer works here: no sign-in, and open sessions end, with what `tx` records of it."""
        tx.c.execute("update person set is_here = 0 where actor_id = ?", (actor_id,))
        tx.c.execute("delete from session where actor_id = ?", (actor_id,))

    def device_code(self) -> str:
        """A one-time code by which a tablet becomes one of this shop's; good for ten minutes."""
        code = self._new_code()
        good_until = self._now() + DEVICE_CODE_GOOD_FOR
        with self._store.writing() as tx:
            tx.c.execute("delete from device_code where good_until < ?", (self._now().isoformat(),))
            tx.c.execute(
                "insert into device_code (code_hash, good_until) values (?, ?)",
                (_hash(_tidy(code)), good_until.isoformat()),
            )
        return code

    def enrol_device(self, code: str, *, name: str) -> str:
        """Turn a code into a device token, once. Raises SignInRefused."""
        token = self._new_token()
        with self._store.writing() as tx:
            tx.c.execute("select good_until from device_code where code_hash = ?", (_hash(_tidy(code)),))
            row = tx.c.fetchone()
            is_good = row is not None and dt.datetime.fromisoformat(text(row[0])) >= self._now()
            if is_good:
                tx.c.execute("delete from device_code where code_hash = ?", (_hash(_tidy(code)),))
                tx.c.execute(
                    "insert into device (device_id, name, token_hash, enrolled_at) values (?, ?, ?, ?)",
                    (_hash(token)[:12], name, _hash(token), self._now().isoformat()),
                )
        if not is_good:
            raise SignInRefused("This code is not good (any more). Ask a manager for a new one.")
        return token

    def devices(self) -> tuple[tuple[str, str, bool], ...]:
        """Each tablet: id, name, whether it is revoked."""
        with self._store.reading() as c:
            c.execute("select device_id, name, is_revoked from device order by enrolled_at")
            return tuple((text(row[0]), text(row[1]), bool(row[2])) for row in c.fetchall())

    def revoke_device(self, device_id: str) -> None:
        """A lost tablet: no sign-in on it, and its sessions end at once."""
        with self._store.writing() as tx:
            tx.c.execute("update device set is_revoked = 1 where device_id = ?", (device_id,))
            tx.c.execute("delete from session where device_id = ?", (device_id,))

    def device(self, token: str | None) -> str | None:
        """The device that a token stands for."""
        if not token:
            return None
        with self._store.reading() as c:
            c.execute("select device_id from device where token_hash = ? and is_revoked = 0", (_hash(token),))
            row = c.fetchone()
        return None if row is None else text(row[0])

    def sign_in(self, *, device_token: str | None, actor_id: str, pin: str) -> str:
        """A session token for the right PIN on an enrolled device. Raises SignInRefused."""
        device_id = self.device(device_token)
        if device_id is None:
            raise SignInRefused("This tablet is not enrolled here. Ask a manager for a code.")
        now = self._now()
        # Counted before it is looked at, and taken back when it was right: many tries at once are many tries.
        pin_hash, wait_until = self._count_try(actor_id, now)
        if wait_until is not None and wait_until > now:
            seconds = int((wait_until - now).total_seconds()) + 1
            raise SignInRefused(f"Too many wrong PINs. Try again in {seconds} s, or ask a manager.")
        if not self._is_right(pin_hash, pin):
            raise SignInRefused("That is not the PIN. Try again.")
        token = self._new_token()
        with self._store.writing() as tx:
            tx.c.execute("delete from pin_try where actor_id = ?", (actor_id,))
            tx.c.execute(
                "insert into session (token_hash, actor_id, device_id, opened_at, used_at) values (?, ?, ?, ?, ?)",
                (_hash(token), actor_id, device_id, now.isoformat(), now.isoformat()),
            )
        return token

    def session(self, token: str | None, device_token: str | None) -> Session | None:
        """Who is signed in by this token on this device, unless it lay idle for too long."""
        device_id = self.device(device_token)
        if not token or device_id is None:
            return None
        now = self._now()
        with self._store.reading() as c:
            c.execute(_SESSION, (_hash(token), device_id))
            row = c.fetchone()
        if row is None:
            return None
        used_at, opened_at = (dt.datetime.fromisoformat(text(each)) for each in row[:2])
        if now - used_at > self._relock or now - opened_at > SESSION_LASTS:
            return None
        if now - used_at > dt.timedelta(seconds=20):  # Not a write for every picture that a page asks for.
            self.touch(token)
        return Session(person=_person(tuple(row)[2:]), device_id=device_id)

    def touch(self, token: str) -> None:
        """The session was used: it does not lock while somebody works, or while a fill page is open."""
        with self._store.writing() as tx:
            tx.c.execute(
                "update session set used_at = ? where token_hash = ?", (self._now().isoformat(), _hash(token))
            )

    def sign_out(self, token: str | None) -> None:
        """End a session."""
        if token:
            with self._store.writing() as tx:
                tx.c.execute("delete from session where token_hash = ?", (_hash(token),))

    def _is_right(self, pin_hash: str | None, pin: str) -> bool:
        try:
            # One at a time: each takes 64 MiB, and a tablet must not take the node's memory by trying often.
            with self._hashing:
                # Somebody who is not here takes as long to refuse as a wrong PIN.
                return self._hasher.verify(pin_hash or _NOBODY, pin)
        except (VerificationError, InvalidHashError):
            return False

    def _count_try(self, actor_id: str, now: dt.datetime) -> tuple[str | None, dt.datetime | None]:
        """The hash to try against and until when nobody may; a try that may go on is counted as a wrong one."""
        with self._store.writing() as tx:
            pin_hash, wait_until = _pin_row(tx.c, actor_id)
            if wait_until is None or wait_until <= now:
                tx.c.execute("select failed from pin_try where actor_id = ?", (actor_id,))
                row = tx.c.fetchone()
                failed = 1 + (number(row[0]) if row else 0)
                over = min(failed - FREE_TRIES, 20)
                wait_s = 0 if over < 0 else min(_LONGEST_WAIT_S, 5 * 2**over)
                tx.c.execute(_COUNT, (actor_id, failed, (now + dt.timedelta(seconds=wait_s)).isoformat()))
        return pin_hash, wait_until


_STAFF = """
select p.actor_id, a.known_as, a.role, a.certificate, a.certificate_until
from person p join actor_name a on a.actor_id = p.actor_id where p.is_here = 1 order by a.known_as
"""

_SESSION = """
select s.used_at, s.opened_at, p.actor_id, a.known_as, a.role, a.certificate, a.certificate_until
from session s join person p on p.actor_id = s.actor_id and p.is_here = 1
join actor_name a on a.actor_id = s.actor_id
where s.token_hash = ? and s.device_id = ?
"""

_SET_PIN = """
insert into person (actor_id, pin_hash, is_here) values (?, ?, 1)
on conflict (actor_id) do update set pin_hash = excluded.pin_hash, is_here = 1
"""

_COUNT = """
insert into pin_try (actor_id, failed, not_before) values (?, ?, ?)
on conflict (actor_id) do update set failed = excluded.failed, not_before = excluded.not_before
"""

_NOBODY = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"


def _pin_row(c: Cursor, actor_id: str) -> tuple[str | None, dt.datetime | None]:
    c.execute("select pin_hash from person where actor_id = ? and is_here = 1", (actor_id,))
    person = c.fetchone()
    c.execute("select not_before from pin_try where actor_id = ?", (actor_id,))
    tries = c.fetchone()
    return (
        None if person is None else text(person[0]),
        None if tries is None else dt.datetime.fromisoformat(text(tries[0])),
    )


def _person(row: tuple[object, ...]) -> Person:
    actor_id, known_as, role, certificate, until = tuple(row)
    good_until = None if until is None else dt.date.fromisoformat(text(until))
    actor = Actor(
        id=text(actor_id), role=text(role), certificate=text(certificate), certificate_until=good_until
    )
    return Person(actor=actor, known_as=text(known_as))


def _tidy(code: str) -> str:
    return "".join(sign for sign in code.upper() if sign.isalnum())


def _hash(secret: str) -> str:
    """Tokens and codes are random and long enough that one SHA-256 hides them; PINs are not, and get Argon2id."""
    return hashlib.sha256(secret.encode()).hexdigest()


def actor_id_of(uuid: UUID) -> str:
    """The staff id that facts carry: random, and telling nothing."""
    return f"p-{uuid.hex[:20]}"
