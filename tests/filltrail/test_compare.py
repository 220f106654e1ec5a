"""Equal is only what is equal in everything; each difference is named."""

from filltrail.compare import Verified, compare


def test_nodes_that_know_the_same_are_equal() -> None:
    assert compare([_node("hub"), _node("lantern"), _node("gannet")]).is_equal()


def test_another_standing_is_a_difference_named_with_its_node() -> None:
    answer = compare([_node("hub"), _node("lantern"), _node("gannet", standing_digest="ff")])

    assert answer.differences == ("gannet and hub differ in standing_digest: ff and d1",)


def test_a_node_that_is_behind_is_a_difference() -> None:
    answer = compare([_node("hub"), _node("lantern", position=6, feed_hash="aa")])

    assert [difference.split(":")[0] for difference in answer.differences] == [
        "lantern and hub differ in position",
        "lantern and hub differ in feed_hash",
    ]


def test_a_problem_on_any_node_is_a_difference_even_when_digests_agree() -> None:
    answer = compare([_node("hub", problems=("seq 3 of lantern is not signed",)), _node("lantern")])

    assert answer.differences == ("hub: seq 3 of lantern is not signed",)


def _node(
    node: str,
    *,
    position: int = 7,
    feed_hash: str = "f1",
    standing_digest: str = "d1",
    problems: tuple[str, ...] = (),
) -> Verified:
    return Verified(
        node=node,
        epoch="e1",
        position=position,
        feed_hash=feed_hash,
        standing_digest=standing_digest,
        facts=7,
        problems=problems,
    )
