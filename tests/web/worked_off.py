"""What tests of backtests and proposals share: a service with settings of its own, and people at it."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from coldcase.app import create_app
from coldcase.settings import Settings
from tests.web.conftest import Service, recording


@asynccontextmanager
async def running_service(database: Any, **settings: Any) -> AsyncIterator[Service]:
    """A service on a database of its own. With `backtests="off"` what is asked for waits until a test works
    it off.
    """
    chosen = Settings(database_url=database.service_url, warm_properties=False, **settings)
    app = create_app(chosen)
    async with app.lifespan():
        await recording(app)
        running = Service(app, database.owner_url)
        yield running
        for client in running.open:
            await client.aclose()


def service_url(service: Service) -> str:
    """Where its database is, for the role that it runs as."""
    return service.owner_url.replace("coldcase_owner", "coldcase_service")


async def person_with(
    scopes: tuple[str, ...], service: Service, person: str, *other: str, client: str = "Tern Haven"
) -> Any:
    """A caller with these scopes, or with others."""
    secret, _ = await service.key(*(other or scopes), person=person, client=client)
    return service.http(secret)
