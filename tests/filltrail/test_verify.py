"""`filltrail verify FILE`: a shop's database or an exported log, whole or with one planted damage, which is named at its place."""

from __future__ import annotations

import base64
import datetime as dt
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from pydantic import JsonValue
from tests.branch.a_shop import Shop, make_shop
from tests.eventlog.a_whole_log import Network
from typer.testing import CliRunner

from branch import witness
from branch.offline import FileReport, check_file
from branch.store.rows import node_row
from eventlog import Sealed, Seen
from eventlog.chain import LOG_OPENED
from eventlog.checkpoint import parse_checkpoint, sign_checkpoint
from eventlog.keys import public_text
from eventlog.log_file import CheckpointLine, FactLine, Header
from eventlog.wire import FeedItem, FeedPage, WireEnvelope
from filltrail.__main__ import app
from filltrail.layout import attempt
from filltrail.processes import plain_environment
from filltrail.verify import LogReport, between, lines_of, verify_path

EMPTY_STANDING = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


@dataclass
class Pier:
    """A shop's data folder with a feed of some length, and the network around it."""

    net: Network
    data: Path

    @property
    def file(self) -> Path:
        return self.data / "branch.sqlite"

    def damage(self, *statements: str, by: Sequence[object] = ()) -> FileReport:
        """Change the file as somebody with a database tool would, and check it."""
        with closing(sqlite3.connect(self.file)) as connection, connection:
            for statement in statements:
                connection.execute(statement, by if "?" in statement else ())
        return check_file(self.file)

    def place(self, position: int) -> str:
        """As a problem begins: the position, the node and its number."""
        with closing(sqlite3.connect(self.file)) as connection:
            node, seq = connection.execute(
                "select node, seq from fact where position = ?", (position,)
            ).fetchone()
        return f"position {position}, {node} {seq}"

    def state(self, position: int) -> bytes:
        with closing(sqlite3.connect(self.file)) as connection:
            (state,) = connection.execute(
                "select e.state from stored_events e join fact f on f.inc = e.originator_id "
                "and f.seq = e.originator_version where f.position = ?",
                (position,),
            ).fetchone()
        assert isinstance(state, bytes)
        return state


PUT_STATE = (
    "update stored_events set state = ? where (originator_id, originator_version) = "
    "(select inc, seq from fact where position = {position})"
)


def enrols(net: Network, node: str, key: str) -> Sealed:
    body: dict[str, JsonValue] = {"node": node, "name": node.title(), "public_key": key}
    return net.hub.writes("node.enrolled", body, subject=f"node/{node}", seen=Seen())


def absorb(shop: Shop, net: Network) -> None:
    with shop.node.store.writing() as tx:
        node = node_row(tx.c)
        assert node is not None
        after = node.feed.position
        items = tuple(
            FeedItem(
                position=n,
                received_at=shop.clock.now(),
                raw=held.sealed.raw.decode(),
                signature=base64.b64encode(held.sealed.signature).decode(),
            )
            for n, held in enumerate(net.feed[after:], start=after + 1)
        )
        size = len(net.feed)
        page = FeedPage(
            epoch=net.epoch, after=after, head=size, items=items, feed_hash=net.hash_at(size),
            hub_time=shop.clock.now(),
        )  # fmt: skip
        tx.absorb(page, heard_at=shop.clock.now())


def bears_out(shop: Shop, net: Network) -> None:
    """The hub signs what there is, and the shop finds the same."""
    net.signs()
    with shop.node.store.writing() as tx:
        said = witness.take(tx.c, net.signed[-1], hub_key=net.hub.key.public_key(), now=shop.clock.now())
    assert said == "agrees"


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Pier:
    """Positions 1-3 the hub's, then pier's visit with its staff, then quay's facts; two checkpoints; one visit not sent yet."""
    folder = tmp_path_factory.mktemp("sound")
    net = Network()
    shop = make_shop(folder, hub=net.hub.key)
    own = shop.node.store.author.key.public_key()
    net.publishes(
        net.hub.writes(LOG_OPENED, {"parent": None, "reason": "first"}, subject="node/hub", seen=Seen())
    )
    net.publishes(enrols(net, "pier", public_text(own)))
    net.publishes(enrols(net, "quay", public_text(net.quay.key.public_key())))
    shop.up_to("rating")
    for sealed in shop.node.store.own_log():
        net.publishes(sealed)
    absorb(shop, net)
    bears_out(shop, net)
    net.publishes(
        net.quay.writes(LOG_OPENED, {"parent": None, "reason": "first"}, subject="node/quay", seen=Seen())
    )
    for n in range(8):
        net.publishes(
            net.quay.writes(
                "cylinder.noticed", {"n": n}, subject="cylinder/c-1", seen=net.seen(len(net.feed))
            )
        )
    absorb(shop, net)
    bears_out(shop, net)
    shop.greet(tag=15)
    shop.node.store.close()
    return Pier(net, folder / "pier")


@pytest.fixture
def pier(sound: Pier, tmp_path: Path) -> Pier:
    """The sound one, to be damaged."""
    shutil.copytree(sound.data, tmp_path / "pier")
    return Pier(sound.net, tmp_path / "pier")


def exported(net: Network) -> list[str]:
    """The lines of the same log as a hub exports it."""
    header = Header(
        epoch=net.epoch, position=len(net.feed), feed_hash=net.hash_at(len(net.feed)), standing_digest=EMPTY_STANDING,
        hub_node="hub", hub_public_key=public_text(net.hub.key.public_key()),
    )  # fmt: skip
    facts = [
        FactLine(
            position=held.position, received_at=dt.datetime(2026, 6, 14, tzinfo=dt.UTC),
            envelope=WireEnvelope.of(held.sealed), envelope_hash=held.sealed.hash,
            feed_hash=net.hash_at(held.position or 0),
        )
        for held in net.feed
    ]  # fmt: skip
    signed = [CheckpointLine(signed=one) for one in net.signed]
    return [line.model_dump_json() for line in (header, *facts, *signed)]


def last(pier: Pier) -> int:
    return len(pier.net.feed)


def test_a_sound_database_has_no_problem_and_is_left_as_it_was(pier: Pier) -> None:
    before = {file.name: file.read_bytes() for file in pier.data.iterdir() if file.is_file()}
    report = check_file(pier.file, hub_keys=[pier.net.hub.key.public_key()])
    assert (report.problems, report.node, report.position) == ((), "pier", last(pier))
    assert report.root == parse_checkpoint(pier.net.signed[-1]).root
    assert {file.name: file.read_bytes() for file in pier.data.iterdir() if file.is_file()} == before


def test_a_turned_bit_in_a_stored_envelope_is_named_at_its_position(pier: Pier) -> None:
    at = last(pier) - 3
    state = bytearray(pier.state(at))
    state[-10] ^= 1
    report = pier.damage(PUT_STATE.format(position=at), by=(bytes(state),))
    (problem,) = report.problems
    assert problem.startswith(f"position {at}")
    assert "not the one that was stored here" in problem


def test_a_changed_signature_is_named_at_its_position(pier: Pier) -> None:
    at = last(pier) - 3
    state = pier.state(at)
    report = pier.damage(PUT_STATE.format(position=at), by=(bytes(64) + state[64:],))
    assert report.problems == (f"{pier.place(at)}: the signature does not match",)


def test_a_dropped_row_is_named_at_its_position(pier: Pier) -> None:
    at = last(pier) - 3
    assert pier.damage(f"delete from fact where position = {at}").problems == (f"position {at}: missing",)


def test_an_envelope_that_is_gone_while_its_index_is_there_is_named(pier: Pier) -> None:
    at = last(pier) - 3
    report = pier.damage(
        "delete from stored_events where (originator_id, originator_version) = "
        f"(select inc, seq from fact where position = {at})"
    )
    (problem,) = report.problems
    assert problem.startswith(f"position {at}: the envelope is not the one that was stored here")


def test_two_rows_that_changed_places_are_named_at_the_first_of_them(pier: Pier) -> None:
    one, other = last(pier) - 4, last(pier) - 3
    report = pier.damage(
        f"update fact set position = 100000 where position = {one}",
        f"update fact set position = {one} where position = {other}",
        f"update fact set position = {other} where position = 100000",
    )
    assert report.problems[0] == (
        f"{pier.place(one)}: the cumulative hash is not what the envelopes up to here give"
    )


def test_a_cursor_that_was_moved_is_named_where_the_log_really_ends(pier: Pier) -> None:
    report = pier.damage(f"update node set position = {last(pier) + 5}")
    assert report.problems == (
        f"position {last(pier) + 1}: the log ends before it, though it says that it reaches {last(pier) + 5}",
    )


def test_a_cut_tail_is_named_where_it_was_cut_even_with_a_cursor_to_match(pier: Pier) -> None:
    at = last(pier) - 2
    report = pier.damage(
        f"delete from fact where position > {at}",
        "delete from stored_events where not exists (select 1 from fact where inc = originator_id and seq = originator_version)",
        f"delete from feed_copy where position > {at}",
        f"update node set position = {at}, feed_hash = (select feed_hash from feed_copy where position = {at})",
    )
    assert report.problems == (
        f"position {at + 1}: the log ends before it, though the hub signed {last(pier)}",
    )


def test_a_cut_own_log_is_named(pier: Pier) -> None:
    report = pier.damage(
        "delete from stored_events where originator_version = (select max(seq) from node) "
        "and originator_id in (select replace(inc, '-', '') from node)",
        "delete from fact where position is null and seq = (select max(seq) from node)",
    )
    assert len(report.problems) >= 1
    assert report.problems[0].startswith("own log ")


def test_a_standing_that_is_not_what_its_facts_say_is_named(pier: Pier) -> None:
    report = pier.damage("update standing set document = '{'")
    assert any(problem.startswith("standing: ") for problem in report.problems)


def test_a_forged_checkpoint_is_named(pier: Pier) -> None:
    said = parse_checkpoint(pier.net.signed[-1])
    raw = pier.net.signed[-1].raw.replace(said.root, "a" * 64)
    report = pier.damage("update witness_checkpoint set raw = ? where position = (select max(position) from witness_checkpoint)", by=(raw,))  # fmt: skip
    assert "checkpoint: the signature does not match the checkpoint" in report.problems


def forge(pier: Pier) -> None:
    """The hub's key signs a second root for the last position, and the shop sees it."""
    said = parse_checkpoint(pier.net.signed[-1])
    other = sign_checkpoint(said.model_copy(update={"root": "a" * 64}), pier.net.hub.key)
    public = pier.net.hub.key.public_key()
    with closing(sqlite3.connect(pier.file)) as connection, connection:
        c = connection.cursor()
        assert witness.take(c, other, hub_key=public, now=dt.datetime.now(dt.UTC)) == "rewritten"
        # What it keeps of the second root is told as a problem of its own; here only the evidence is.
        c.execute("delete from witness_checkpoint where raw = ?", (other.raw,))


def test_evidence_that_the_shop_holds_is_told(pier: Pier) -> None:
    forge(pier)
    assert any("log was rewritten" in problem for problem in check_file(pier.file).problems)


def test_the_branchs_command_shows_evidence_until_a_person_answers_it(pier: Pier) -> None:
    env = {**plain_environment(), "FILLTRAIL_DATA": str(pier.data)}
    assert attempt("branch", "evidence", env=env).returncode == 0
    forge(pier)
    shown = attempt("branch", "evidence", env=env)
    assert (shown.returncode, "waits for an answer" in shown.stdout) == (1, True)
    assert shown.stdout.count('"position"') == 2, "both signed checkpoints"
    assert attempt("branch", "evidence", "--answer", "1", env=env).returncode == 1
    answered = attempt(
        "branch", "evidence", "--answer", "1", "--by", "R. Amat", "--words", "Restored", env=env
    )
    assert (answered.returncode, "R. Amat: Restored" in answered.stdout) == (0, True)
    assert check_file(pier.file).problems == ()


def test_a_broken_page_of_the_file_is_a_problem_and_no_crash(pier: Pier) -> None:
    content = bytearray(pier.file.read_bytes())
    content[4096 * 3 : 4096 * 3 + 512] = b"\xff" * 512
    pier.file.write_bytes(bytes(content))
    assert check_file(pier.file).problems != ()


def test_a_file_that_is_another_database_is_a_problem_and_no_crash(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "other.sqlite")) as connection:
        connection.execute("create table node (x)")
    (problem,) = check_file(tmp_path / "other.sqlite").problems
    assert problem.startswith("file: it cannot be read as a node's database")


def test_the_command_prints_a_line_a_problem_and_ends_with_one(pier: Pier, tmp_path: Path) -> None:
    sound = verify_path(pier.file)
    assert sound.problems == ()
    assert list(lines_of(Path("b"), sound))[-1].endswith("nothing is wrong")
    pier.damage(f"delete from fact where position = {last(pier) - 3}")
    answer = CliRunner().invoke(app, ["verify", str(pier.file)])
    assert answer.exit_code == 1
    assert f"{pier.file}: position {last(pier) - 3}: missing" in answer.output.splitlines()


def test_a_sound_exported_log_and_the_shops_copy_are_one(pier: Pier, tmp_path: Path) -> None:
    file = tmp_path / "log.jsonl"
    file.write_text("\n".join(exported(pier.net)))
    hub, shop = verify_path(file), verify_path(pier.file)
    # The demo of standings here is empty of what the shop knows: only the log itself is compared.
    assert [one for one in hub.problems if not one.startswith("standing")] == []
    assert (hub.root, hub.position, hub.epoch) == (shop.root, shop.position, shop.epoch)
    assert any("taken from the file itself" in note for note in hub.notes)
    pinned = verify_path(file, hub_keys=[public_text(pier.net.hub.key.public_key())])
    assert not any("taken from the file itself" in note for note in pinned.notes)


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        ("turned bit", "the envelope is not the one that was stored here"),
        ("signature", "the signature does not match"),
        ("dropped", "missing"),
        ("swapped", "the cumulative hash is not what the envelopes up to here give"),
        ("cut", "the log ends before it"),
    ],
)
def test_an_exported_log_with_one_damage_names_it_at_its_position(
    pier: Pier, tmp_path: Path, damage: str, said: str
) -> None:
    lines = exported(pier.net)
    at = last(pier) - 3  # the header is line 0, so this is its line as well
    line = FactLine.model_validate_json(lines[at])
    match damage:
        case "turned bit":
            raw = line.envelope.raw.replace('"n":', '"m":')
            wire = line.envelope.model_copy(update={"raw": raw})
            lines[at] = line.model_copy(update={"envelope": wire}).model_dump_json()
        case "signature":
            wire = line.envelope.model_copy(update={"signature": base64.b64encode(bytes(64)).decode()})
            lines[at] = line.model_copy(update={"envelope": wire}).model_dump_json()
        case "dropped":
            del lines[at]
        case "swapped":
            other = FactLine.model_validate_json(lines[at + 1])
            same = {"envelope", "envelope_hash"}
            lines[at] = line.model_copy(
                update={name: getattr(other, name) for name in same}
            ).model_dump_json()
            lines[at + 1] = other.model_copy(
                update={name: getattr(line, name) for name in same}
            ).model_dump_json()
        case _:
            del lines[at : last(pier) + 1]
    file = tmp_path / "log.jsonl"
    file.write_text("\n".join(lines))
    first = verify_path(file).problems[0]
    assert first.startswith(f"position {at}")
    assert said in first


def test_another_shops_checkpoint_of_another_log_is_found_by_comparing(pier: Pier, tmp_path: Path) -> None:
    said = parse_checkpoint(pier.net.signed[-1])
    forked = sign_checkpoint(said.model_copy(update={"root": "a" * 64}), pier.net.hub.key)
    theirs = tmp_path / "quay.json"
    theirs.write_text(f"[{pier.net.signed[0].model_dump_json()},{forked.model_dump_json()}]")
    report = verify_path(pier.file, against=[theirs])
    assert any("the hub said two things (quay.json)" in problem for problem in report.problems)
    theirs.write_text(pier.net.signed[0].model_dump_json())
    assert verify_path(pier.file, against=[theirs]).problems == ()


def test_two_logs_of_one_place_that_differ_are_named() -> None:
    one = LogReport(node="hub", epoch="e1", position=7, root="a" * 64, standing_digest="c" * 64)
    other = LogReport(node="pier", epoch="e1", position=7, root="b" * 64, standing_digest="c" * 64)
    assert between([one, other]) == ("position 7: pier and hub differ in root",)
    assert between([one, one.model_copy(update={"epoch": "e2", "root": "d" * 64})]) == ()


def test_what_is_no_log_is_a_problem_and_no_crash(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text("<html>")
    (problem,) = verify_path(file).problems
    assert problem.startswith("file: neither a shop's database nor an exported log")
    (missing,) = verify_path(tmp_path / "nothing").problems
    assert missing.startswith("file: ")
