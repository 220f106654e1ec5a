"""A checkpoint is the hub's word over exact bytes; a cosignature is a branch's over the same; two of them compare."""

from __future__ import annotations

import base64
import datetime as dt

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from eventlog.checkpoint import (
    Checkpoint,
    SignedCheckpoint,
    check_cosignature,
    contradiction,
    cosign,
    read_checkpoint,
    sign_checkpoint,
)
from eventlog.envelope import Forged, Malformed
from eventlog.keys import key_id

HUB = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
PIER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
CHECKPOINT = Checkpoint(
    epoch="e1",
    position=17,
    root="a" * 64,
    feed_hash="b" * 64,
    hub_time=dt.datetime(2026, 6, 14, 9, 41, tzinfo=dt.UTC),
    key_id=key_id(HUB.public_key()),
)


def test_a_signed_checkpoint_says_what_was_signed() -> None:
    assert read_checkpoint(sign_checkpoint(CHECKPOINT, HUB), HUB.public_key()) == CHECKPOINT


def test_the_bytes_are_canonical_so_that_one_checkpoint_has_one_form() -> None:
    assert sign_checkpoint(CHECKPOINT, HUB).raw == (
        '{"epoch":"e1","feed_hash":"' + "b" * 64 + '","hub_time":"2026-06-14T09:41:00Z","key_id":"'
        + CHECKPOINT.key_id + '","position":17,"root":"' + "a" * 64 + '","v":1}'
    )  # fmt: skip


def test_one_changed_sign_is_no_longer_the_hubs_word() -> None:
    signed = sign_checkpoint(CHECKPOINT, HUB)
    changed = signed.model_copy(update={"raw": signed.raw.replace('"position":17', '"position":16')})
    with pytest.raises(Forged):
        read_checkpoint(changed, HUB.public_key())
    with pytest.raises(Forged):
        read_checkpoint(signed.model_copy(update={"signature": "no base64!"}), HUB.public_key())


def test_another_hubs_word_is_not_believed() -> None:
    with pytest.raises(Forged):
        read_checkpoint(sign_checkpoint(CHECKPOINT, HUB), PIER.public_key())
    with pytest.raises(ValueError, match="key that it names"):
        sign_checkpoint(CHECKPOINT, PIER)


def test_what_is_signed_but_is_no_checkpoint_is_malformed() -> None:
    signature = HUB.sign(b"filltrail/checkpoint/1{}")

    signed = SignedCheckpoint(raw="{}", signature=base64.b64encode(signature).decode())
    with pytest.raises(Malformed):
        read_checkpoint(signed, HUB.public_key())


def test_a_cosignature_is_over_these_bytes_by_this_node_and_no_checkpoint_itself() -> None:
    signed = sign_checkpoint(CHECKPOINT, HUB)
    word = cosign(signed, "pier", PIER)
    check_cosignature(signed, word, PIER.public_key())
    other = sign_checkpoint(CHECKPOINT.model_copy(update={"root": "c" * 64}), HUB)
    with pytest.raises(Forged):
        check_cosignature(other, word, PIER.public_key())
    with pytest.raises(Forged, match="another key"):
        check_cosignature(signed, word, HUB.public_key())
    # The hub's signature is not its cosignature, nor the other way round.
    with pytest.raises(Forged):
        check_cosignature(
            signed, cosign(signed, "hub", HUB).model_copy(update={"signature": signed.signature}), HUB.public_key()
        )  # fmt: skip


@pytest.mark.parametrize("field", ["root", "feed_hash"])
def test_two_words_about_one_position_exclude_each_other(field: str) -> None:
    other = CHECKPOINT.model_copy(update={field: "c" * 64})
    found = contradiction(CHECKPOINT, other)
    assert found is not None
    assert "position 17" in found


def test_checkpoints_of_other_positions_or_epochs_do_not_exclude_each_other() -> None:
    assert contradiction(CHECKPOINT, CHECKPOINT) is None
    for change in ({"position": 18}, {"epoch": "e2"}):
        other = CHECKPOINT.model_copy(update={"root": "c" * 64, **change})
        assert contradiction(CHECKPOINT, other) is None
