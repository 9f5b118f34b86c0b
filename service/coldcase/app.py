"""The join: settings to a running service. Nothing is built at import."""

import gc
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import timedelta
from functools import partial

from litestar import Litestar
from litestar.enums import ScopeType
from litestar.types import ControllerRouterHandler, Receive, Scope, Send
from sqlalchemy.ext.asyncio import AsyncEngine

from coldcase.auditing.sealing import Sealer
from coldcase.classifying import Desk, now
from coldcase.db import engine as engines
from coldcase.db import keys
from coldcase.db.keys import ApiKey
from coldcase.db.recorder import Recorder
from coldcase.db.transactions import Transaction, transaction
from coldcase.db.watching import Watch
from coldcase.governing import open_shelf
from coldcase.readings import refrigerants
from coldcase.settings import BadSettings, Settings
from coldcase.shipped import starter_table
from coldcase.web import audit, auth, classifications, decisions, documents, exports, health, problems, statistics, verdicts, vocabulary
from coldcase.web import rule_tables as tables
from coldcase.web.auth import KeyRing
from coldcase.web.connections import Sayings
from coldcase.web.documents import Documents
from coldcase.web.edge import Edge
from coldcase.web.house import House
from coldcase.web.metrics import Metrics
from coldcase.web.shares import Shares, share
from coldcase.web.streams import Exports

LARGEST_BODY = 64 * 1024
EXPORTS_AT_ONCE = 4
ROUTES: tuple[ControllerRouterHandler, ...] = (
    classifications.classify,
    classifications.preview,
    decisions.search_decisions,
    decisions.show_decision,
    exports.export_decisions,
    verdicts.give_verdict,
    verdicts.replay_decision,
    verdicts.prove_inclusion,
    statistics.count_causes,
    statistics.show_calibration,
    audit.list_events,
    audit.list_seals,
    audit.verify_seals,
    vocabulary.show_vocabulary,
    vocabulary.show_cause,
    tables.list_tables,
    tables.show_current,
    tables.show_table,
    health.is_live,
    health.is_ready,
    health.show_metrics,
    documents.show_openapi,
    documents.show_docs,
    documents.show_problem,
)


class App(Litestar):
    """Litestar behind one layer of our own, which also sees what has no route."""

    edge: Edge

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # type: ignore[override]
        """An ASGI call."""
        if scope["type"] == ScopeType.HTTP:
            await self.edge(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)


def create_app(settings: Settings, *, extra_routes: Sequence[ControllerRouterHandler] = ()) -> App:
    """The service; it needs `settings.database_url` when it starts. `extra_routes` are for benchmarks and tests."""
    metrics = Metrics()
    app = App(
        route_handlers=[*ROUTES, *extra_routes],
        guards=[auth.admit],
        exception_handlers=problems.HANDLERS,
        lifespan=[partial(_lifespan, settings=settings, metrics=metrics)],
        request_max_body_size=LARGEST_BODY,
        openapi_config=None,
        logging_config=None,
    )
    app.state.documents = Documents(lambda: app.routes)
    app.edge = Edge(
        partial(Litestar.__call__, app),
        most_in_flight=settings.most_in_flight,
        log_requests=settings.log_requests,
        metrics=metrics,
        routes=lambda: app.routes,
        metrics_port=settings.metrics_port,
    )
    return app


@asynccontextmanager
async def _lifespan(app: Litestar, *, settings: Settings, metrics: Metrics) -> AsyncIterator[None]:
    if settings.database_url is None:
        raise BadSettings("COLDCASE_DATABASE_URL is not set.")
    engine = engines.make_engine(settings.database_url, connections=settings.pool_size)
    streams = engines.make_engine(settings.database_url, connections=EXPORTS_AT_ONCE)
    recorder = Recorder(settings.database_url, keys_live=timedelta(days=settings.idempotency_days), most_waiting=settings.most_waiting)
    try:
        house = await _open(engine, streams, recorder, settings, metrics)
        app.state.house = house
        if settings.warm_properties:
            refrigerants.warm()
        # Modules, rule table and property tables stay for good: no collection need look at them again.
        gc.collect()
        gc.freeze()
        watch = Watch(settings.database_url, on_keys=house.keys.expire_all, on_tables=house.shelf.refresh)
        sealer = Sealer(house.transaction, seconds=settings.seal_seconds, clock=now)
        await watch.start()
        await sealer.start()
        yield
        await sealer.close()
        await watch.close()
    finally:
        await recorder.close()
        await engine.dispose()
        await streams.dispose()


async def _open(engine: AsyncEngine, streams: AsyncEngine, recorder: Recorder, settings: Settings, metrics: Metrics) -> House:
    begin: Transaction = partial(transaction, engine)
    async with begin() as conn:
        await engines.require_ready(conn)
    shelf = await open_shelf(begin, starter_table())
    await recorder.start()
    say = Sayings(metrics)
    return House(
        shelf=shelf,
        desk=Desk(),
        recorder=recorder,
        keys=KeyRing(partial(_key_by_digest, begin)),
        transaction=begin,
        places=Shares(share(settings.most_in_flight, settings.client_share), "requests in flight", say),
        exports=Exports(
            partial(transaction, streams),
            at_once=EXPORTS_AT_ONCE,
            shares=Shares(share(EXPORTS_AT_ONCE, settings.client_share), "exports running", say),
        ),
        metrics=metrics,
        metrics_open=settings.metrics == "open",
    )


async def _key_by_digest(begin: Transaction, digest: bytes) -> ApiKey | None:
    async with begin() as conn:
        return await keys.by_hash(conn, digest)
