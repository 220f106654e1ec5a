"""What a shop knew when it filled: a planted breach is found, and nobody is blamed for what they could not have known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from uuid import UUID

import pytest
from tests.cylinder.given import (
    CERTIFIED,
    HERE,
    INSPECTOR,
    KNOWN,
    NEXT_DOOR,
    OPERATOR,
    OTHER,
    a_fact,
    an_id,
    condemned,
    held,
    origin,
    psi,
    registered,
)
from tests.cylinder.histories import YESTERDAY, clear_on, linked, revoked, withdrawn

from cylinder import facts as f
from cylinder.audit import Audited, Feed, Finding, Opened, SeenAt, Written, audit
from cylinder.recorded import Recorded

HERE_LOG = an_id(f"first log of {HERE}")
THERE_LOG = an_id(f"first log of {NEXT_DOOR}")
NOTHING, KNEW = Finding.NOTHING, Finding.KNEW
UNKNOWABLE, CANNOT_SAY = Finding.UNKNOWABLE, Finding.CANNOT_SAY


def a_fill(
    name: str = "a fill", *, cylinder: UUID = KNOWN, seq: int = 50, log: str = "first", on: int = 0
) -> Recorded:
    """Here a fill was authorised."""
    fact = f.FillAuthorised(visit_id=an_id(f"visit of {name}"), target=psi(3000), rated=psi(3000))
    made = a_fact(fact, name, cylinder=cylinder, actor=OPERATOR, at=origin(HERE, seq, log=log))
    return replace(made, performed_on=made.performed_on.replace(day=made.performed_on.day + on))


def released(block: Recorded) -> Recorded:
    """An inspector next door found nothing."""
    return clear_on(KNOWN, f.HoldReleased(finding="Clean"), [block.id])


@dataclass
class History:
    """A feed in the making. Positions are given in the order of `put`; a hash is the name of its position."""

    written: list[Written] = field(default_factory=list)
    epochs: list[tuple[str, int]] = field(default_factory=lambda: [("one", 0)])
    opened: list[Opened] = field(default_factory=lambda: [Opened(HERE_LOG), Opened(THERE_LOG)])

    def __post_init__(self) -> None:
        for one in (*CERTIFIED, registered()):
            self.put(one)

    @property
    def head(self) -> int:
        return sum(one.position is not None for one in self.written)

    def put(self, fact: Recorded, *, saw: SeenAt | None = None, beside: str = "") -> Recorded:
        """The hub numbers a fact. Unless said otherwise, its node had read nothing."""
        seen = saw or SeenAt(self.epochs[-1][0], 0, "")
        one = Written(fact, seen, self.head + 1)
        self.written.append(replace(one, beside="fork") if beside == "fork" else one)
        return fact

    def read_to(self, position: int, epoch: str | None = None) -> SeenAt:
        """A node had read so far in this feed."""
        return SeenAt(epoch or self.epochs[-1][0], position, f"hash {position}")

    def elsewhere(self, position: int, epoch: str) -> SeenAt:
        """A node had read so far in a feed that went another way."""
        return SeenAt(epoch, position, f"another hash {position}")

    def begin_epoch(self, name: str) -> None:
        """The hub was restored, and goes on from here under a new name."""
        self.epochs.append((name, self.head))

    def audit(self) -> tuple[Audited, ...]:
        feed = Feed(tuple(self.epochs), lambda at: f"hash {at}" if at <= self.head else None)
        return audit(self.written, self.opened, feed)

    def findings(self) -> list[Finding]:
        return [one.finding for one in self.audit()]


def test_an_honest_network_has_nothing_to_show() -> None:
    h = History()
    h.put(a_fill("before anything was found"), saw=h.read_to(h.head))
    h.put(condemned())
    h.put(a_fill("of another cylinder", cylinder=OTHER, seq=52), saw=h.read_to(h.head))
    h.put(a_fill("before the news came", seq=51), saw=h.read_to(h.head - 2))
    assert h.findings() == [UNKNOWABLE, NOTHING, UNKNOWABLE]


def test_a_finding_dated_after_the_fill_says_nothing_about_it() -> None:
    h = History()
    h.put(a_fill(), saw=h.read_to(h.head))
    h.put(replace(condemned(), performed_on=a_fill(on=1).performed_on))
    assert h.findings() == [NOTHING]


@pytest.mark.parametrize(("unread", "finding"), [(0, KNEW), (1, UNKNOWABLE)])
def test_a_planted_breach_is_found_to_the_position(unread: int, finding: Finding) -> None:
    h = History()
    block = h.put(condemned())
    h.put(a_fill(), saw=h.read_to(h.head - unread))
    (found,) = h.audit()
    assert found.finding is finding
    assert [one.id for one in found.blocks] == ([block.id] if finding is KNEW else [])


def test_a_shop_knows_what_its_own_log_says_before_the_fill() -> None:
    h = History()
    own = condemned(node=HERE)
    h.put(replace(own, origin=origin(HERE, 49)))
    h.put(a_fill(seq=50))
    assert h.findings() == [KNEW]


def test_a_shop_does_not_know_what_it_wrote_after_the_fill() -> None:
    h = History()
    h.put(replace(condemned(node=HERE), origin=origin(HERE, 51)))
    h.put(a_fill(seq=50))
    assert h.findings() == [UNKNOWABLE]


def test_a_shop_that_says_it_read_less_than_before_is_held_to_what_it_read() -> None:
    h = History()
    h.put(condemned())
    h.put(a_fill("an honest one of another", cylinder=OTHER, seq=49), saw=h.read_to(h.head))
    h.put(a_fill("one that says it had read nothing", seq=50))
    assert h.findings() == [NOTHING, KNEW]


def test_a_block_that_was_cleared_in_time_does_not_count() -> None:
    h = History()
    block = h.put(held())
    h.put(released(block))
    h.put(a_fill(), saw=h.read_to(h.head))
    assert h.findings() == [NOTHING]


def test_a_clear_that_the_shop_had_not_read_does_not_help_it() -> None:
    h = History()
    block = h.put(held())
    h.put(released(block))
    h.put(a_fill(), saw=h.read_to(h.head - 1))
    assert h.findings() == [KNEW]


def test_a_clear_whose_proof_fell_later_was_good_when_it_was_read() -> None:
    h = History()
    block = h.put(held())
    h.put(released(block))
    read = h.read_to(h.head)
    h.put(revoked(0))
    h.put(a_fill("before the news of the stolen key"), saw=read)
    h.put(a_fill("after it", seq=51), saw=h.read_to(h.head - 1))
    assert h.findings() == [NOTHING, KNEW]


def test_a_clear_by_somebody_who_may_not_is_none() -> None:
    h = History()
    block = h.put(held())
    h.put(replace(released(block), actor=OPERATOR.id, role=OPERATOR.role))
    h.put(a_fill(), saw=h.read_to(h.head))
    assert h.findings() == [KNEW]


def test_a_block_on_a_record_that_was_linked_counts_from_the_link_on() -> None:
    h = History()
    h.put(condemned(OTHER))
    before = h.read_to(h.head)
    h.put(linked(node=NEXT_DOOR))
    h.put(a_fill("before the link was read"), saw=before)
    h.put(a_fill("after", seq=51), saw=h.read_to(h.head))
    assert h.findings() == [NOTHING, KNEW]


def test_a_kind_that_this_software_does_not_know_blocks_here_too() -> None:
    h = History()
    unheard_of = replace(held(), kind="cylinder.made_of_cheese", fact=f.UnknownFact(kind="x", version=1))
    h.put(unheard_of)
    h.put(a_fill(), saw=h.read_to(h.head))
    assert h.findings() == [KNEW]


def test_what_both_feeds_have_in_common_was_read_in_the_old_one_too() -> None:
    h = History()
    h.put(condemned())
    h.put(a_fill("of another", cylinder=OTHER, seq=49), saw=h.read_to(h.head))
    h.begin_epoch("two")
    h.put(a_fill(), saw=h.elsewhere(h.head + 7, "one"))
    h.begin_epoch("three")
    h.put(a_fill("after two restores", seq=51), saw=h.elsewhere(h.head + 7, "two"))
    assert h.findings() == [NOTHING, KNEW, KNEW]


def test_an_epoch_that_a_hub_went_on_with_unnoticed_after_a_restore_proves_only_what_came_before_it() -> None:
    h = History()
    block = h.put(held())
    h.put(a_fill("honest", seq=49, cylinder=OTHER), saw=h.read_to(h.head))
    h.begin_epoch("two")
    h.put(released(block), saw=h.read_to(h.head))
    # The shop read another feed of the same name and length; the clear may have stood in both, before they part.
    h.put(a_fill(), saw=h.elsewhere(h.head, "two"))
    assert h.findings() == [NOTHING, CANNOT_SAY]


def test_beyond_the_parting_nobody_can_say() -> None:
    h = History()
    h.begin_epoch("two")
    # It came back: whoever wrote it did not know of the second epoch, so the first one may have carried it.
    h.put(condemned(), saw=h.read_to(3, "one"))
    h.put(a_fill(), saw=h.elsewhere(h.head + 7, "one"))
    assert h.findings() == [CANNOT_SAY]


def test_a_block_written_under_the_new_name_was_not_in_the_old_feed() -> None:
    h = History()
    h.begin_epoch("two")
    h.put(condemned(), saw=h.read_to(h.head))
    h.put(a_fill(), saw=h.elsewhere(h.head + 7, "one"))
    assert h.findings() == [UNKNOWABLE]


def test_a_clear_that_was_lost_and_came_back_accuses_nobody() -> None:
    h = History()
    block = h.put(held())
    h.begin_epoch("two")
    read = h.read_to(h.head)
    h.put(released(block), saw=h.read_to(3, "one"))
    h.put(a_fill(), saw=read)
    (found,) = h.audit()
    assert (found.finding, found.blocks[0].id) == (CANNOT_SAY, block.id)


def test_a_clear_that_came_back_with_the_withdrawal_that_voids_it_accuses_nobody() -> None:
    h = History()
    block = h.put(held())
    h.begin_epoch("two")
    read = h.read_to(h.head)
    h.put(released(block), saw=h.read_to(3, "one"))
    h.put(withdrawn(INSPECTOR, since=YESTERDAY), saw=h.read_to(3, "one"))
    h.put(a_fill(), saw=read)
    assert h.findings() == [CANNOT_SAY]


def test_a_withdrawal_that_came_back_may_have_been_known_where_the_clear_was() -> None:
    h = History()
    block = h.put(held())
    h.put(released(block))
    read = h.read_to(h.head)
    h.begin_epoch("two")
    h.put(withdrawn(INSPECTOR, since=YESTERDAY), saw=h.read_to(3, "one"))
    h.put(a_fill("within what is proven", seq=49), saw=read)
    h.put(a_fill("beyond it", seq=51), saw=h.elsewhere(h.head + 7, "one"))
    assert h.findings() == [NOTHING, CANNOT_SAY]


def test_equal_hashes_prove_more_than_the_name_of_an_epoch() -> None:
    h = History()
    h.put(condemned())
    h.put(a_fill(), saw=h.read_to(h.head, "a name that this hub has forgotten"))
    assert h.findings() == [KNEW]


def test_a_feed_that_is_not_this_one_proves_nothing() -> None:
    h = History()
    h.put(condemned())
    h.put(a_fill(), saw=h.elsewhere(h.head, "one"))
    assert h.findings() == [CANNOT_SAY]


def test_a_restored_shop_knows_what_its_log_said_up_to_the_cut() -> None:
    h = History()
    again = an_id(f"second log of {HERE}")
    h.opened.append(Opened(again, HERE_LOG, 40))
    h.put(replace(held(), origin=origin(HERE, 40)))
    h.put(replace(held(OTHER), origin=origin(HERE, 41)))
    h.put(a_fill("of what it still knew", seq=2, log="second"))
    h.put(a_fill("of what it had forgotten", cylinder=OTHER, seq=3, log="second"))
    assert h.findings() == [KNEW, UNKNOWABLE]


def test_its_own_clear_that_a_restored_shop_read_back_accuses_nobody() -> None:
    h = History()
    again = an_id(f"second log of {HERE}")
    h.opened.append(Opened(again, HERE_LOG, 40))
    block = h.put(replace(held(), origin=origin(HERE, 40)))
    clear = clear_on(KNOWN, f.HoldReleased(finding="Clean"), [block.id], at=origin(HERE, 41), node=HERE)
    h.begin_epoch("two")
    h.put(clear, saw=h.read_to(1, "one"))
    h.put(a_fill(seq=2, log="second"), saw=h.elsewhere(h.head, "one"))
    assert h.findings() == [CANNOT_SAY]


def test_what_its_log_says_after_the_fill_was_not_known_then() -> None:
    h = History()
    block = h.put(replace(held(), origin=origin(HERE, 40)))
    clear = clear_on(KNOWN, f.HoldReleased(finding="Clean"), [block.id], at=origin(HERE, 60), node=HERE)
    h.begin_epoch("two")
    h.put(clear, saw=h.read_to(1, "one"))
    h.put(a_fill(seq=50), saw=h.elsewhere(h.head, "one"))
    assert h.findings() == [KNEW]


def test_a_fact_that_was_carried_into_a_new_log_is_known_there() -> None:
    h = History()
    again = an_id(f"second log of {HERE}")
    h.opened.append(Opened(again, HERE_LOG, 40))
    block = h.put(replace(held(), origin=origin(HERE, 41)))
    h.written.append(
        Written(replace(block, origin=origin(HERE, 2, log="second")), SeenAt("one", 0, ""), None)
    )
    h.put(a_fill(seq=3, log="second"))
    assert h.findings() == [KNEW]


def test_of_two_tails_of_one_log_nobody_can_say_which_was_known() -> None:
    h = History()
    h.put(replace(held(), origin=origin(HERE, 49)), beside="fork")
    h.put(a_fill(seq=50))
    assert h.findings() == [CANNOT_SAY]


def test_a_log_with_a_hole_before_the_fill_accuses_nobody() -> None:
    h = History()
    h.opened = [Opened(HERE_LOG, an_id("a log that was lost"), 12, is_whole=False)]
    h.put(condemned())
    h.put(a_fill(), saw=h.read_to(h.head))
    assert h.findings() == [CANNOT_SAY]


def test_the_order_in_which_the_facts_are_brought_makes_no_difference() -> None:
    h = History()
    block = h.put(held())
    h.put(a_fill("that knew"), saw=h.read_to(h.head))
    h.put(released(block))
    h.put(a_fill("that was right", seq=51), saw=h.read_to(h.head))
    forwards = h.audit()
    h.written.reverse()
    assert h.audit() == forwards
    assert [one.finding for one in forwards] == [KNEW, NOTHING]
