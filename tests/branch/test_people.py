"""Signing in: an enrolled device and a PIN, both; and what is wrong is said without giving anything away."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor

import pytest
from tests.branch.a_shop import Shop

from branch.people import SignInRefused


def _enrolled(shop: Shop) -> str:
    return shop.node.people.enrol_device(shop.node.people.device_code(), name="Bay tablet")


def test_the_right_pin_on_an_enrolled_device_signs_in(shop: Shop) -> None:
    device = _enrolled(shop)
    token = shop.node.people.sign_in(device_token=device, actor_id=shop.actors["operator"].id, pin="407118")
    session = shop.node.people.session(token, device)
    assert session is not None
    assert session.person.actor == shop.actors["operator"]


def test_a_pin_is_no_good_on_a_device_that_is_not_enrolled(shop: Shop) -> None:
    with pytest.raises(SignInRefused, match="not enrolled"):
        shop.node.people.sign_in(device_token="made-up", actor_id=shop.actors["operator"].id, pin="407118")


def test_a_device_code_works_once_and_for_ten_minutes(shop: Shop) -> None:
    code = shop.node.people.device_code()
    shop.node.people.enrol_device(code.lower(), name="One")
    with pytest.raises(SignInRefused):
        shop.node.people.enrol_device(code, name="Two")
    late = shop.node.people.device_code()
    shop.clock.move(dt.timedelta(minutes=11))
    with pytest.raises(SignInRefused):
        shop.node.people.enrol_device(late, name="Three")


def test_five_wrong_pins_make_even_the_right_one_wait(shop: Shop) -> None:
    device, actor_id = _enrolled(shop), shop.actors["operator"].id
    for _ in range(5):
        with pytest.raises(SignInRefused, match="not the PIN"):
            shop.node.people.sign_in(device_token=device, actor_id=actor_id, pin="9999")
    with pytest.raises(SignInRefused, match="Too many"):
        shop.node.people.sign_in(device_token=device, actor_id=actor_id, pin="407118")
    shop.clock.move(dt.timedelta(seconds=6))
    assert shop.node.people.sign_in(device_token=device, actor_id=actor_id, pin="407118")


def test_a_session_locks_when_it_lies_idle_and_lives_while_it_is_used(shop: Shop) -> None:
    device = _enrolled(shop)
    token = shop.node.people.sign_in(device_token=device, actor_id=shop.actors["operator"].id, pin="407118")
    for _ in range(4):
        shop.clock.move(dt.timedelta(minutes=4))
        assert shop.node.people.session(token, device) is not None
    shop.clock.move(dt.timedelta(minutes=6))
    assert shop.node.people.session(token, device) is None


def test_a_revoked_tablet_and_a_dismissed_person_are_out_at_once(shop: Shop) -> None:
    device = _enrolled(shop)
    operator = shop.node.people.sign_in(
        device_token=device, actor_id=shop.actors["operator"].id, pin="407118"
    )
    manager = shop.node.people.sign_in(device_token=device, actor_id=shop.actors["manager"].id, pin="407118")
    with shop.node.store.writing() as tx:
        shop.node.people.dismiss(tx, shop.actors["operator"].id)
    assert shop.node.people.session(operator, device) is None
    assert shop.node.people.session(manager, device) is not None
    shop.node.people.revoke_device(shop.node.people.devices()[0][0])
    assert shop.node.people.session(manager, device) is None


@pytest.mark.parametrize("pin", ["", "12345", "123456789", "12a4", "4444", "١٢٣٤"])
def test_a_pin_that_is_none_is_refused(shop: Shop, pin: str) -> None:
    with pytest.raises(SignInRefused):
        shop.node.people.set_pin(shop.actors["operator"].id, pin)


def test_many_tries_at_once_are_many_tries(shop: Shop) -> None:
    device, actor_id = _enrolled(shop), shop.actors["operator"].id
    words: list[str] = []

    def guess(n: int) -> None:
        try:
            shop.node.people.sign_in(device_token=device, actor_id=actor_id, pin=f"{1000 + n}")
        except SignInRefused as refused:
            words.append(str(refused))

    with ThreadPoolExecutor(8) as tablets:
        list(tablets.map(guess, range(24)))
    assert sum("not the PIN" in one for one in words) == 5
    assert sum("Too many" in one for one in words) == 19
