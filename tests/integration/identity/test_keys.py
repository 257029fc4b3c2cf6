"""Keys and sessions: let in while they are good, for what they may, and never by a guess."""

import secrets
from collections.abc import Callable

import pytest

from tests.integration.identity.conftest import Clock
from tests.integration.identity.issuer import HOUR_S, NOW_S, Issuer, over_http
from zoneledger.application.callers import REMEMBER_US, Callers
from zoneledger.application.keys import bearer_of_key, create_key
from zoneledger.application.ports import Store
from zoneledger.core.callers import EVERYONE, Caller, Scope
from zoneledger.core.errors import NotAuthenticated

ADDRESS = "192.0.2.7"
UNITS = ("harbour/wing-1",)
DAY_S = 24 * HOUR_S


async def _key(store: Store, clock: Clock, *, days: int = 365) -> str:
    bearer = bearer_of_key("dashboard", [Scope.READ, Scope.REASONS], UNITS)
    return (await create_key(store, bearer, days, clock(), "somebody", "command line"))[1]


def _id(key: str) -> str:
    return key.split("_")[1]


@pytest.fixture
async def key(store: Store, clock: Clock) -> str:
    """A key that may read, and give reasons, on one line."""
    return await _key(store, clock)


async def test_a_key_is_let_in_for_what_it_may(key: str, callers: Callers) -> None:
    expected = Caller("dashboard", frozenset({Scope.READ, Scope.REASONS}), UNITS, "key")
    assert [await callers.caller(key, ADDRESS) for _ in range(3)] == [expected] * 3


@pytest.mark.parametrize(
    "change",
    [
        lambda key: key[:-1] + ("A" if key[-1] != "A" else "E"),
        lambda key: key + "A",
        lambda key: key[:-1],
        lambda key: key + "\n",
        lambda key: " " + key,
        lambda key: key.upper(),
        lambda key: key.replace("zl_", "zs_"),
        lambda key: f"zl_{'0' * 12}_{key.split('_', 2)[2]}",
        lambda key: f"zl_{_id(key)}_{secrets.token_urlsafe(32)}",
        lambda key: f"zl_{_id(key)}_",
        lambda key: f"zl_{_id(key)}_%",
        lambda key: "zl_' OR 1=1 --",
        lambda key: key[3:],
        lambda key: "x" * 100_000,
        lambda key: "\ud800",
        lambda key: "\x00",
        lambda key: "",
    ],
)
async def test_what_is_not_quite_a_key_is_not_let_in(change: Callable[[str], str], key: str, callers: Callers) -> None:
    with pytest.raises(NotAuthenticated) as refusal:
        await callers.caller(change(key), ADDRESS)
    assert key.split("_", 2)[2] not in str(refusal.value)
    assert await callers.caller(key, ADDRESS)


async def test_who_sends_nothing_is_let_in_only_where_nobody_is_asked(key: str, store: Store, clock: Clock) -> None:
    assert await Callers(store, clock).caller(None, ADDRESS) is EVERYONE
    with pytest.raises(NotAuthenticated, match="is wanted"):
        await Callers(store, clock, required=True).caller(None, ADDRESS)


async def test_what_is_wrong_is_refused_also_where_nobody_is_asked(key: str, store: Store, clock: Clock) -> None:
    callers = Callers(store, clock)
    for wrong in ("", "zl", key[:-1]):
        with pytest.raises(NotAuthenticated):
            await callers.caller(wrong, ADDRESS)
    assert (await callers.caller(key, ADDRESS)).name == "dashboard"


async def test_a_key_that_has_expired_is_not_let_in_though_it_is_remembered(
    store: Store, callers: Callers, clock: Clock
) -> None:
    key = await _key(store, clock, days=1)
    clock.now_s += DAY_S - 1
    assert await callers.caller(key, ADDRESS)
    clock.now_s += 1
    for _ in range(2):
        with pytest.raises(NotAuthenticated, match="has expired"):
            await callers.caller(key, ADDRESS)


async def test_a_revoked_key_is_not_let_in_at_once_here_and_within_30_s_elsewhere(
    key: str, callers: Callers, store: Store, clock: Clock
) -> None:
    elsewhere = Callers(store, clock, required=True)
    for one in (callers, elsewhere):
        assert await one.caller(key, ADDRESS)
    await callers.revoke(_id(key), "somebody", ADDRESS)
    with pytest.raises(NotAuthenticated, match="was revoked"):
        await callers.caller(key, ADDRESS)
    clock.now_s += REMEMBER_US / 1e6
    with pytest.raises(NotAuthenticated, match="was revoked"):
        await elsewhere.caller(key, ADDRESS)


async def test_who_guesses_is_not_told_that_a_key_was_revoked(key: str, callers: Callers) -> None:
    await callers.revoke(_id(key), "somebody", ADDRESS)
    for guess in (f"zl_{_id(key)}_{secrets.token_urlsafe(32)}", f"zl_{'0' * 12}_{secrets.token_urlsafe(32)}"):
        with pytest.raises(NotAuthenticated, match=r"^This key, token or session is not known\.$"):
            await callers.caller(guess, ADDRESS)


async def test_of_10_000_guesses_none_is_let_in_and_the_right_key_is_all_the_while(
    key: str, callers: Callers, store: Store
) -> None:
    refused = 0
    for number in range(10_000):
        with pytest.raises(NotAuthenticated):
            await callers.caller(f"zl_{_id(key)}_{secrets.token_urlsafe(32)}", ADDRESS)
        refused += 1
        if number % 100 == 0:
            assert (await callers.caller(key, ADDRESS)).name == "dashboard"
    assert refused == 10_000


async def test_a_session_has_what_its_key_has_and_ends_after_12_hours(key: str, callers: Callers, clock: Clock) -> None:
    session = await callers.open_session(key, ADDRESS)
    expected = Caller("dashboard", frozenset({Scope.READ, Scope.REASONS}), UNITS, "session")
    assert session.caller == await callers.caller(session.token, ADDRESS) == expected
    assert session.ends_us == clock() + 12 * HOUR_S * 1_000_000
    clock.now_s += 12 * HOUR_S - 1
    assert await callers.caller(session.token, ADDRESS) == expected
    clock.now_s += 1
    with pytest.raises(NotAuthenticated, match="has expired"):
        await callers.caller(session.token, ADDRESS)
    assert await callers.caller(key, ADDRESS)


async def test_a_session_ends_with_its_key(store: Store, callers: Callers, clock: Clock) -> None:
    key = await _key(store, clock, days=1)
    clock.now_s += DAY_S - HOUR_S
    assert (await callers.open_session(key, ADDRESS)).ends_us == clock() + HOUR_S * 1_000_000


async def test_a_session_is_over_after_logout_at_once_and_within_30_s_elsewhere(
    key: str, callers: Callers, store: Store, clock: Clock
) -> None:
    elsewhere = Callers(store, clock, required=True)
    session, other = await callers.open_session(key, ADDRESS), await callers.open_session(key, ADDRESS)
    assert await elsewhere.caller(session.token, ADDRESS)
    await callers.close_session(session.token)
    with pytest.raises(NotAuthenticated):
        await callers.caller(session.token, ADDRESS)
    clock.now_s += REMEMBER_US / 1e6
    with pytest.raises(NotAuthenticated):
        await elsewhere.caller(session.token, ADDRESS)
    assert await callers.caller(other.token, ADDRESS)
    assert await callers.caller(key, ADDRESS)


async def test_a_session_is_over_once_its_key_is_revoked(
    key: str, callers: Callers, store: Store, clock: Clock
) -> None:
    elsewhere = Callers(store, clock, required=True)
    session = await callers.open_session(key, ADDRESS)
    assert await callers.caller(session.token, ADDRESS) == await elsewhere.caller(session.token, ADDRESS)
    await callers.revoke(_id(key), "somebody", ADDRESS)
    with pytest.raises(NotAuthenticated, match="what it began with"):
        await callers.caller(session.token, ADDRESS)
    clock.now_s += REMEMBER_US / 1e6
    with pytest.raises(NotAuthenticated, match="what it began with"):
        await elsewhere.caller(session.token, ADDRESS)


async def test_a_session_may_be_revoked_by_itself(key: str, callers: Callers) -> None:
    session = await callers.open_session(key, ADDRESS)
    await callers.revoke(_id(session.token), "somebody", ADDRESS)
    with pytest.raises(NotAuthenticated, match="was revoked"):
        await callers.caller(session.token, ADDRESS)
    assert await callers.caller(key, ADDRESS)


async def test_no_session_begins_with_a_session_or_with_what_is_wrong(key: str, callers: Callers, store: Store) -> None:
    session = await callers.open_session(key, ADDRESS)
    for wrong in (session.token, key[:-1], "", "a.b.c"):
        with pytest.raises(NotAuthenticated):
            await callers.open_session(wrong, ADDRESS)
    async with store.reading() as reading:
        assert len(await reading.keys("session")) == 1


async def test_closing_what_is_no_session_changes_nothing(key: str, callers: Callers) -> None:
    session = await callers.open_session(key, ADDRESS)
    for wrong in (key, session.token[:-1], "", f"zl_{_id(session.token)}_{'A' * 43}"):
        await callers.close_session(wrong)
    assert await callers.caller(key, ADDRESS)
    assert await callers.caller(session.token, ADDRESS)


async def test_a_session_of_a_token_ends_with_it(issuer: Issuer, callers: Callers, clock: Clock) -> None:
    token = issuer.token(exp=NOW_S + HOUR_S, zoneledger_units=list(UNITS))
    session = await callers.open_session(token, ADDRESS)
    assert session.caller == Caller("planner", frozenset({Scope.READ}), UNITS, "session")
    assert session.ends_us == (NOW_S + HOUR_S + 60) * 1_000_000
    clock.now_s += HOUR_S + 60
    for one in (token, session.token):
        with pytest.raises(NotAuthenticated, match="has expired"):
            await callers.caller(one, ADDRESS)


async def test_a_session_of_a_token_is_over_once_the_key_that_signed_it_is_withdrawn(
    issuer: Issuer, make_callers: Callable[[str], Callers], clock: Clock
) -> None:
    with over_http(issuer) as published:
        callers = make_callers(published.url)
        session = await callers.open_session(issuer.token(exp=NOW_S + 5 * HOUR_S), ADDRESS)
        clock.now_s += 600
        assert await callers.caller(session.token, ADDRESS)
        issuer.withdraw("rsa-1")
        clock.now_s += 300
        with pytest.raises(NotAuthenticated, match="what it began with"):
            await callers.caller(session.token, ADDRESS)
    assert published.asked == ["/keys"] * 3
