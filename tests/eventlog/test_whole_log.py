"""A whole log that is sound says so; each planted damage is named at its place."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import replace

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from tests.eventlog.a_whole_log import AT, Author, Network, Whole, a_whole_log

from eventlog import Effect, Event, Place, Sealed, Seen, seal
from eventlog.chain import Head
from eventlog.checkpoint import Checkpoint, WitnessedCheckpoint, parse_checkpoint, sign_checkpoint
from eventlog.envelope import read
from eventlog.keys import key_id, public_text
from eventlog.log_file import NotALog, read_checkpoints, read_lines
from eventlog.whole_log import Held, Shown, Trust


@pytest.fixture
def log() -> Whole:
    return a_whole_log()


def turned(sealed: Sealed) -> Sealed:
    """One digit of the body is another, the signature is not."""
    raw = sealed.raw.replace(b'"n":1', b'"n":7')
    assert raw != sealed.raw
    return Sealed(raw, sealed.signature)


def swap(net: Network, one: int, other: int) -> None:
    """Two envelopes change their positions."""
    first, second = net.feed[one - 1], net.feed[other - 1]
    net.feed[one - 1], net.feed[other - 1] = (
        replace(second, position=one),
        replace(first, position=other),
    )


def test_a_sound_log_has_no_problem_and_says_how_far_it_goes(log: Whole) -> None:
    found = log.check()
    assert (found.problems, found.notes) == ([], [])
    assert (found.facts, found.position, found.feed_hash) == (24, 24, log.said.feed_hash)
    assert found.edge.size == 24


def test_a_turned_bit_is_named_once_at_its_position(log: Whole) -> None:
    held = log.net.feed[16]
    log.net.feed[16] = replace(held, sealed=turned(held.sealed))
    assert log.check().problems == [
        "position 17, pier 7: the envelope is not the one that was stored here; the signature does not match"
    ]


def test_an_envelope_that_can_no_longer_be_read_is_named(log: Whole) -> None:
    held = log.net.feed[16]
    log.net.feed[16] = replace(held, sealed=Sealed(held.sealed.raw[:-1], held.sealed.signature))
    first, *others = log.check().problems
    assert first.startswith("position 17: the envelope is not the one that was stored here; not an envelope")
    # Its own number cannot be told any more, so the own log has a hole there.
    assert others == ["position 19, pier 8: pier 7 before it is missing"]


def test_a_changed_signature_is_named_at_its_position(log: Whole) -> None:
    held = log.net.feed[16]
    log.net.feed[16] = replace(held, sealed=Sealed(held.sealed.raw, bytes(64)))
    assert log.check().problems == ["position 17, pier 7: the signature does not match"]


def test_a_dropped_row_is_named_and_so_is_the_hole_in_the_own_log(log: Whole) -> None:
    del log.net.feed[16]
    found = log.check()
    assert found.problems == ["position 17: missing", "position 19, pier 8: pier 7 before it is missing"]
    assert found.notes == ["from position 17 on, cumulative hash and checkpoints could not be checked"]


def test_several_dropped_rows_are_one_line(log: Whole) -> None:
    del log.net.feed[15:18]
    assert log.check().problems[0] == "positions 16 to 18: missing"


def test_a_dropped_row_of_another_shop_is_a_hole_that_may_be_rightly_there_but_its_position_is_not(
    log: Whole,
) -> None:
    del log.net.feed[17]
    found = log.check()
    assert found.problems == ["position 18: missing"]
    assert any("quay 8 has no position here" in note for note in found.notes)


def test_two_rows_of_one_shop_that_changed_places_are_named_both_ways(log: Whole) -> None:
    swap(log.net, 13, 15)
    assert log.check().problems == [
        "position 13: not what was there; what position 16, quay 7 had seen shows another log, and nothing later agrees",
        "position 13, pier 6: stands before position 15, pier 5, which was recorded earlier",
    ]


def test_two_rows_of_two_shops_that_changed_places_are_named_between_the_marks_around_them(
    log: Whole,
) -> None:
    swap(log.net, 17, 18)
    assert log.check().problems == [
        "positions 14 to 20: not what was there; the checkpoint at 20 shows another log, and nothing later agrees"
    ]


def test_with_a_cumulative_hash_at_each_position_the_first_changed_place_is_named_exactly(log: Whole) -> None:
    log.net.feed = [
        replace(held, kept_feed_hash=log.net.hash_at(n)) for n, held in enumerate(log.net.feed, 1)
    ]
    assert log.check().problems == []
    one, other = log.net.feed[16], log.net.feed[17]
    log.net.feed[16] = replace(other, position=17, kept_feed_hash=one.kept_feed_hash)
    log.net.feed[17] = replace(one, position=18, kept_feed_hash=other.kept_feed_hash)
    assert log.check().problems == [
        "position 17, quay 8: the cumulative hash is not what the envelopes up to here give"
    ]


def test_a_cut_tail_is_named_where_it_was_cut(log: Whole) -> None:
    del log.net.feed[21:]
    problems = log.check().problems
    assert problems[0] == "position 22: the log ends before it, though it says that it reaches 24"


def test_a_cut_tail_with_a_cursor_to_match_is_given_away_by_what_the_hub_signed(log: Whole) -> None:
    del log.net.feed[18:]
    del log.net.beside[:]
    last = log.net.feed[16]
    log.said = replace(log.net.says(), own=Head(log.net.pier.inc, 7, last.sealed.hash))
    assert log.check().problems == ["position 19: the log ends before it, though the hub signed 20"]


def test_a_cursor_that_was_moved_is_named(log: Whole) -> None:
    log.said = replace(log.said, position=30)
    assert log.check().problems == ["position 25: the log ends before it, though it says that it reaches 30"]
    log.said = replace(log.said, position=22, feed_hash=log.net.hash_at(22))
    assert log.check().problems == ["position 23: the log goes on to 24, though it says it ends before"]


def test_a_cursor_with_another_hash_is_named(log: Whole) -> None:
    log.said = replace(log.said, feed_hash="a" * 64)
    assert log.check().problems == [
        "positions 21 to 24: not what was there; the log's own end at 24 shows another log, and nothing later agrees"
    ]


def test_the_end_of_the_own_log_is_checked_as_well(log: Whole) -> None:
    del log.net.beside[-1]
    (problem,) = log.check().problems
    assert problem == "own log 12: the log ends at 11, though it says that it reaches 12"
    log.said = replace(log.said, own=Head(log.net.pier.inc, 11, "a" * 64))
    assert log.check().problems == ["own log 11: its last envelope is not the one that the log names"]


def test_an_envelope_that_was_written_anew_with_the_stolen_key_still_breaks_its_chain_and_the_marks(
    log: Whole,
) -> None:
    held = log.net.feed[16]
    old = read(held.sealed.raw)
    forged = seal(
        old.event.model_copy(update={"body": {"n": 99}}), old.place, recorded_at=AT, key=log.net.pier.key
    )
    log.net.feed[16] = Held(forged, 17, kept_hash=forged.hash)
    assert log.check().problems == [
        "positions 14 to 20: not what was there; the checkpoint at 20 shows another log, and nothing later agrees",
        "position 19, pier 8: does not follow on 7",
    ]


def test_a_fact_by_a_key_that_the_hub_never_enrolled_is_named(log: Whole) -> None:
    stranger = Author("reef")
    sealed = stranger.writes("node.log_opened", {}, subject="node/reef", seen=Seen())
    log.net.feed.append(Held(sealed, 25, kept_hash=sealed.hash))
    log.said = log.net.says()
    assert log.check().problems == ["position 25, reef 1: signed by a key that was never enrolled for it"]


def test_a_shop_that_enrols_a_key_is_not_the_hub(log: Whole) -> None:
    reef = Author("reef")
    body = {"node": "reef", "name": "Reef", "public_key": public_text(reef.key.public_key())}
    enrols = log.net.pier.writes("node.enrolled", dict(body), subject="node/reef", seen=Seen())
    opens = reef.writes("node.log_opened", {}, subject="node/reef", seen=Seen())
    for sealed in (enrols, opens):
        log.net.feed.append(Held(sealed, len(log.net.feed) + 1))
    log.said = log.net.says()
    assert any("reef 1: signed by a key that was never enrolled" in one for one in log.check().problems)


def test_keys_are_learnt_from_no_hub_but_the_pinned_one(log: Whole) -> None:
    other = Ed25519PrivateKey.generate().public_key()
    problems = log.check(trust=Trust("hub", {key_id(other): ("hub", other)})).problems
    assert "position 1, hub 1: signed by a key that was never enrolled for it" in problems
    assert "position 4, pier 1: signed by a key that was never enrolled for it" in problems
    assert "checkpoint: signed by a key that is not the hub's" in problems


def test_a_fact_that_had_seen_its_own_future_gives_a_rolled_back_feed_away(log: Whole) -> None:
    seen = Seen(epoch="e1", position=40, feed_hash="a" * 64)
    sealed = log.net.quay.writes("cylinder.received", {}, subject="cylinder/c-1", seen=seen)
    log.net.publishes(sealed)
    log.said = log.net.says()
    assert log.check().problems == ["position 25, quay 12: had seen position 40, which came after it"]


def test_a_fact_that_stands_twice_is_named(log: Whole) -> None:
    event = read(log.net.feed[16].sealed.raw).event
    sealed = log.net.pier.writes("cylinder.received", {}, subject="cylinder/c-1", seen=Seen())
    place = read(sealed.raw).place
    again = seal(event.model_copy(update={"seen": Seen()}), place, recorded_at=AT, key=log.net.pier.key)
    log.net.pier.log[-1] = again
    log.net.publishes(again)
    log.said = log.net.says()
    assert log.check().problems == [f"position 25, pier 13: the fact {event.id} has a position already"]


def test_two_envelopes_with_one_number_are_named_unless_one_is_kept_as_evidence(log: Whole) -> None:
    old = read(log.net.feed[16].sealed.raw)
    event = Event(
        id=uuid.uuid4(), kind="cylinder.received", v=1, effect=Effect.NEUTRAL, subject="cylinder/c-1", body={},
        performed_on=AT.date(), at=AT, seen=Seen(), actor="sam", role="operator", software="test",
    )  # fmt: skip
    place = Place("pier", old.place.key_id, old.place.inc, old.place.seq, old.place.prev)
    fork = seal(event, place, recorded_at=AT + dt.timedelta(days=1), key=log.net.pier.key)
    log.net.beside.append(Held(fork))
    assert log.check().problems == ["pier 7: another envelope at position 17 has this number already"]
    log.net.beside[-1] = Held(fork, is_loose=True)
    assert log.check().problems == []


def test_the_hubs_own_log_may_have_no_hole_anywhere(log: Whole) -> None:
    log.said = replace(log.said, has_every_envelope=True)
    assert log.check().problems == []
    del log.net.feed[17]
    assert "position 20, quay 9: quay 8 before it is missing" in log.check().problems


def test_a_checkpoint_of_another_shop_that_names_another_log_is_named_with_its_source(log: Whole) -> None:
    said = parse_checkpoint(log.net.signed[1])
    other = sign_checkpoint(said.model_copy(update={"root": "a" * 64}), log.net.hub.key)
    problems = log.check(Shown(other, "quay.json")).problems
    assert (
        problems[0]
        == "position 20: the hub said two things (quay.json): position 20 of epoch e1 has two roots"
    )


def test_a_checkpoint_of_another_shop_beyond_this_log_or_of_another_epoch_is_only_a_note(log: Whole) -> None:
    said = parse_checkpoint(log.net.signed[1])

    def shown(**change: object) -> Shown:
        return Shown(sign_checkpoint(said.model_copy(update=change), log.net.hub.key), "quay.json")

    found = log.check(shown(position=40), shown(epoch="e2"))
    assert found.problems == []
    assert found.notes == [
        "quay.json at 20: of another epoch, e2",
        "quay.json: reaches 40, beyond the end of this log",
    ]


def test_a_checkpoint_that_the_hub_did_not_sign_is_named(log: Whole) -> None:
    stranger = Ed25519PrivateKey.generate()
    said: Checkpoint = parse_checkpoint(log.net.signed[1]).model_copy(
        update={"key_id": key_id(stranger.public_key())}
    )
    problems = log.check(Shown(sign_checkpoint(said, stranger), "quay.json")).problems
    assert problems == ["quay.json: signed by a key that is not the hub's"]


def test_checkpoints_are_read_from_a_file_in_every_form_they_come_in(log: Whole) -> None:
    one, two = log.net.signed
    assert read_checkpoints(one.model_dump_json()) == (one,)
    assert read_checkpoints(WitnessedCheckpoint(checkpoint=one).model_dump_json()) == (one,)
    assert read_checkpoints(f"[{one.model_dump_json()},{two.model_dump_json()}]") == (one, two)
    line = f'{{"line":"checkpoint","signed":{two.model_dump_json()}}}'
    assert read_checkpoints(line) == (two,)
    with pytest.raises(NotALog, match="line 1"):
        read_checkpoints("<html>")


def test_a_file_that_is_no_log_is_refused_at_its_line() -> None:
    with pytest.raises(NotALog, match="line 2"):
        list(read_lines(["", '{"line":"fact"}']))
