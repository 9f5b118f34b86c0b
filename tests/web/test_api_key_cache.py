"""Which keys are trusted, and for how long: on a clock of the test's own."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from uuid_utils.compat import uuid7

from coldcase.db import keys
from coldcase.db.keys import ApiKey
from coldcase.errors import StoreAway
from coldcase.web.auth import MOST_ASKING, ApiKeyCache

pytestmark = pytest.mark.anyio
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
GRACE_S = 3600.0


class CacheWithClocks(ApiKeyCache):
    """A cache whose clocks stand where the test puts them."""

    def __init__(self) -> None:
        self.silence, self.now, self.looks = 0.0, NOON, 0
        super().__init__(silent_s=lambda: self.silence, grace_s=GRACE_S, clock=lambda: self.now)

    def holds(self, *secrets: str, expires_at: datetime | None = None) -> None:
        """Knows these keys and no others."""
        made: dict[str, Any] = {
            "client_id": 1,
            "client": "Tern Haven",
            "person": None,
            "scopes": frozenset({"preview"}),
            "created_at": NOON,
        }
        self.replace(
            {
                keys.secret_digest(secret): ApiKey(id=uuid7(), **made, expires_at=expires_at, revoked_at=None)
                for secret in secrets
            }
        )

    def finds(self, *secrets: str, could_look: bool = True) -> None:
        """Has these keys after the next look, if it could look at all."""

        async def look() -> bool:
            self.looks += 1
            if could_look:
                self.holds(*secrets)
            return could_look

        self.look = look


async def test_a_known_key_is_trusted_while_the_database_is_silent_and_not_for_ever():
    cache = CacheWithClocks()
    cache.holds("one")
    cache.silence = GRACE_S - 1
    assert (await cache.find(b"one")).client == "Tern Haven"
    cache.silence = GRACE_S + 1
    with pytest.raises(StoreAway):
        await cache.find(b"one")


async def test_a_key_ends_at_its_time():
    cache = CacheWithClocks()
    cache.holds("one", expires_at=NOON + timedelta(seconds=1))
    assert await cache.find(b"one") is not None
    cache.now = NOON + timedelta(seconds=1)
    assert await cache.find(b"one") is None


async def test_a_key_that_is_not_handed_over_any_more_opens_nothing():
    cache = CacheWithClocks()
    cache.holds("one", "two")
    cache.holds("two")
    cache.finds("two")
    assert await cache.find(b"one") is None
    assert await cache.find(b"two") is not None


async def test_a_key_that_was_just_made_is_looked_for():
    cache = CacheWithClocks()
    cache.finds("new")
    assert await cache.find(b"new") is not None
    assert await cache.find(b"new") is not None
    assert cache.looks == 1


async def test_where_nobody_could_look_an_unknown_key_is_neither_right_nor_wrong():
    cache = CacheWithClocks()
    cache.finds(could_look=False)
    with pytest.raises(StoreAway):
        await cache.find(b"new")


async def test_made_up_keys_wait_in_a_short_queue():
    cache, let_go, asked = CacheWithClocks(), asyncio.Event(), []

    async def look() -> bool:
        asked.append(None)
        await let_go.wait()
        return True

    cache.look = look
    waiting = [asyncio.create_task(cache.find(f"made up {number}".encode())) for number in range(MOST_ASKING)]
    while len(asked) < MOST_ASKING:
        await asyncio.sleep(0)
    assert await asyncio.wait_for(cache.find(b"one more"), 10) is None
    let_go.set()
    assert await asyncio.gather(*waiting) == [None] * MOST_ASKING
