"""Divers' names and addresses: sealed one by one, found by a search in memory, never in a fact and never in a log.

Each diver has a random AES-256-GCM key; that key is wrapped by the master key, which is a file outside the
database. Destroying a diver's row destroys the only copy of that key. E-mail addresses are unique by a blind
index (HMAC-SHA-256), since a plain hash of an address can be guessed.

The search decrypts every card once and keeps them in this process: measured fine up to some thousands of divers;
beyond that it needs an index of its own.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock

import psycopg
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from eventlog.card import has_hidden_signs, is_address, is_phone
from eventlog.wire import DiverCard
from network.store.database import Database, Tx

KEY_BYTES = 32
NONCE_BYTES = 12  # NIST SP 800-38D, 8.2: 96 bits
MOST_FOUND = 20
SHORTEST_SEARCH = 2

put_card = """
insert into diver (diver_ref, wrapped_key, sealed_card, email_index, changed_at) values (%s, %s, %s, %s, %s)
on conflict (diver_ref) do update set wrapped_key = excluded.wrapped_key, sealed_card = excluded.sealed_card,
    email_index = excluded.email_index, changed_at = excluded.changed_at
"""
one_card = "select diver_ref, wrapped_key, sealed_card from diver where diver_ref = %s"
every_card = "select diver_ref, wrapped_key, sealed_card from diver"
vault_stands = "select count(*) as n, max(changed_at) as latest from diver"


class CardRefused(Exception):
    """The card cannot be kept; all reasons, without what was in it."""

    def __init__(self, reasons: list[str]) -> None:
        super().__init__("; ".join(reasons))
        self.reasons = reasons


class AddressTaken(Exception):
    """Another diver has this e-mail address."""


@dataclass(slots=True)
class Vault:
    """Keeps cards. `draw` gives random bytes."""

    database: Database
    master_key: bytes
    draw: Callable[[int], bytes]
    _cards: dict[str, DiverCard] = field(default_factory=dict)
    _stand: tuple[int, dt.datetime | None] = (0, None)
    _lock: Lock = field(default_factory=Lock)

    def put(self, card: DiverCard, *, now: dt.datetime) -> None:
        """Keep a card in place of the diver's earlier one. Raises CardRefused, AddressTaken."""
        reasons = card_doubts(card)
        if reasons:
            raise CardRefused(reasons)
        key = self.draw(KEY_BYTES)
        row = (
            card.diver_ref,
            _sealed(self._wrapping_key(), key, b"key/" + card.diver_ref.encode(), self.draw),
            _sealed(key, card.model_dump_json().encode(), b"card/" + card.diver_ref.encode(), self.draw),
            None if card.email is None else self._blind(card.email),
            now,
        )
        try:
            with self.database.transaction() as tx:
                tx.execute(put_card, row)
        except psycopg.errors.UniqueViolation:
            raise AddressTaken from None

    def get(self, diver_ref: str) -> DiverCard | None:
        """One diver's card."""
        with self.database.transaction() as tx:
            row = tx.execute(one_card, (diver_ref,)).fetchone()
        return None if row is None else self._opened(row)

    def find(self, q: str) -> tuple[DiverCard, ...]:
        """Cards whose name, address or number contains `q`; none for a shorter search than two letters."""
        wanted = _folded(q)
        if len(wanted) < SHORTEST_SEARCH:
            return ()
        digits = re.sub(r"\D", "", q)
        with self.database.transaction() as tx:
            cards = self._all(tx)
        found = [card for card in cards if _matches(card, wanted, digits)]
        return tuple(sorted(found, key=lambda card: (_folded(card.name), card.diver_ref))[:MOST_FOUND])

    def _all(self, tx: Tx) -> list[DiverCard]:
        """Every card; read again when another process, or this one, has changed any."""
        row = tx.execute(vault_stands).fetchone()
        stand = (0, None) if row is None else (int(row["n"]), row["latest"])
        with self._lock:
            if stand != self._stand:
                self._cards = {str(one["diver_ref"]): self._opened(one) for one in tx.execute(every_card)}
                self._stand = stand
            return list(self._cards.values())

    def _opened(self, row: dict[str, object]) -> DiverCard:
        ref = str(row["diver_ref"]).encode()
        wrapped, card = row["wrapped_key"], row["sealed_card"]
        assert isinstance(wrapped, bytes)
        assert isinstance(card, bytes)
        key = _opened(self._wrapping_key(), wrapped, b"key/" + ref)
        return DiverCard.model_validate_json(_opened(key, card, b"card/" + ref))

    def _wrapping_key(self) -> bytes:
        return _derived(self.master_key, b"filltrail/vault/wrap/1")

    def _blind(self, email: str) -> bytes:
        key = _derived(self.master_key, b"filltrail/vault/email-index/1")
        return hmac.new(key, email.lower().encode(), hashlib.sha256).digest()


def card_doubts(card: DiverCard) -> list[str]:
    """Every reason why a card cannot be kept."""
    doubts: list[str] = []
    if not card.name.strip() or has_hidden_signs(card.name):
        doubts.append("The name is empty or contains control characters.")
    if card.email is not None and not is_address(card.email):
        doubts.append("The e-mail address is not one that mail can be sent to.")
    if card.phone is not None and not is_phone(card.phone):
        doubts.append("The phone number may hold digits, spaces, + ( ) . / and - only.")
    return doubts


def _matches(card: DiverCard, wanted: str, digits: str) -> bool:
    if wanted in _folded(card.name) or wanted in _folded(card.email or ""):
        return True
    return len(digits) >= 3 and digits in re.sub(r"\D", "", card.phone or "")


def _folded(text: str) -> str:
    """Lower case without accents, so that a counter need not type them."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in plain if not unicodedata.combining(letter)).strip()


def _derived(master_key: bytes, purpose: bytes) -> bytes:
    return HKDF(algorithm=SHA256(), length=KEY_BYTES, salt=None, info=purpose).derive(master_key)


def _sealed(key: bytes, plain: bytes, bound_to: bytes, draw: Callable[[int], bytes]) -> bytes:
    nonce = draw(NONCE_BYTES)
    return nonce + AESGCM(key).encrypt(nonce, plain, bound_to)


def _opened(key: bytes, sealed: bytes, bound_to: bytes) -> bytes:
    try:
        return AESGCM(key).decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], bound_to)
    except InvalidTag:
        raise ValueError("the vault does not open: another master key, or the row was altered") from None
