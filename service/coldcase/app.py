"""The join: settings to a running service. Nothing is built at import."""

import asyncio
import gc
import os
from collections.abc import AsyncIterator, Callable, Coroutine, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import timedelta
from functools import partial
from typing import Any

import structlog
from litestar import Litestar
from litestar.enums import ScopeType
from litestar.types import ControllerRouterHandler, Receive, Scope, Send
from sqlalchemy.ext.asyncio import AsyncEngine

from coldcase import dictionaries
from coldcase.answering import AnswerBatcher
from coldcase.auditing.proving import Trees
from coldcase.auditing.sealing import Sealer
from coldcase.backtesting.supervising import Backtests, Orders
from coldcase.clock import now
from coldcase.db.change_listener import ChangeListener
from coldcase.db.clock import DatabaseClock
from coldcase.db.engine import AUDIT, EXPORTS, READS, SEALS, SessionLimits, in_use, make_engine, require_ready
from coldcase.db.pulse import Pulse, within
from coldcase.db.recorder import Recorder
from coldcase.db.transactions import Transaction, transaction
from coldcase.governing import load_rule_tables
from coldcase.importing.spooling import SpoolRoom, SpoolSettings
from coldcase.importing.supervising import ImportWorkers
from coldcase.proposing.evidence import EvidenceDesk
from coldcase.readings import refrigerants
from coldcase.settings import BadSettings, Settings
from coldcase.shipped import starter_table
from coldcase.web import auth, problems
from coldcase.web.auth import ApiKeyCache
from coldcase.web.connections import ThrottledLog
from coldcase.web.documents import Documents
from coldcase.web.imports import Imports
from coldcase.web.link_addresses import LinkDesk
from coldcase.web.metrics import GaugeReading, Metrics
from coldcase.web.middleware import Gateway
from coldcase.web.routes import ROUTES
from coldcase.web.services import Services
from coldcase.web.sessions import Sessions
from coldcase.web.shares import SharedShares, Shares, client_share
from coldcase.web.streams import Exports, Places
from coldcase.web.worker_metrics import WorkerMetrics
from coldcase.workers import Shared, Worker

_logger = structlog.get_logger()

LARGEST_BODY = 64 * 1024
EXPORTS_AT_ONCE = 4
STRANGERS_AT_ONCE = 3
CLOSE_SECONDS = 5.0
"""How long each part may take to close."""


class App(Litestar):
    """Litestar behind one layer of our own, which also sees what has no route."""

    gateway: Gateway

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # type: ignore[override]
        """An ASGI call."""
        if scope["type"] == ScopeType.HTTP:
            await self.gateway(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)


def create_app(
    settings: Settings,
    *,
    extra_routes: Sequence[ControllerRouterHandler] = (),
    worker: Worker | None = None,
) -> App:
    """The service; it needs `settings.database_url` when it starts. `extra_routes` are for benchmarks and
    tests; `worker` says which it is of several that serve together.
    """
    shared = Shared(settings.bulk_streams, worker)
    metrics = Metrics(shared.answered) if worker is None else WorkerMetrics(worker, shared.answered)
    app = App(
        route_handlers=[*ROUTES, *extra_routes],
        guards=[auth.admit],
        exception_handlers=problems.HANDLERS,
        lifespan=[partial(_lifespan, settings=settings, metrics=metrics, shared=shared)],
        request_max_body_size=LARGEST_BODY,
        openapi_config=None,
        logging_config=None,
    )
    app.state.documents = Documents(lambda: app.routes)
    app.gateway = Gateway(
        partial(Litestar.__call__, app),
        most_in_flight=settings.most_in_flight,
        log_requests=settings.log_requests,
        metrics=metrics,
        routes=lambda: app.routes,
        metrics_port=settings.metrics_port,
    )
    return app


@asynccontextmanager
async def _lifespan(
    app: Litestar, *, settings: Settings, metrics: Metrics, shared: Shared
) -> AsyncIterator[None]:
    """Whatever has started is closed on every way out, the last first, and none can hold up the others."""
    url = settings.database_url
    if url is None:
        raise BadSettings("COLDCASE_DATABASE_URL is not set.")
    registry = metrics.begin()
    async with AsyncExitStack() as started:
        pulse, engines = Pulse(), {}

        def transactions(limits: SessionLimits, connections: int) -> Transaction:
            engine = engines[limits.application] = make_engine(
                url, limits, connections=connections, pulse=pulse
            )
            started.push_async_callback(close_in_time, engine.dispose, limits.application)
            return partial(transaction, engine, limits, pulse=pulse)

        reading, exporting = transactions(READS, settings.pool_size), transactions(EXPORTS, EXPORTS_AT_ONCE)
        auditing, sealing = transactions(AUDIT, 1), transactions(SEALS, 1)
        async with reading() as conn:
            await require_ready(conn)
        rule_tables = await load_rule_tables(reading, starter_table())
        keys = ApiKeyCache(silent_s=lambda: pulse.silent_s, grace_s=settings.key_grace_seconds, clock=now)
        listener = ChangeListener(url, on_keys=keys.replace, on_tables=rule_tables.refresh, pulse=pulse)
        keys.look = listener.look
        started.push_async_callback(close_in_time, listener.close, "watch")
        await listener.start()
        sealer = Sealer(sealing, seconds=settings.seal_seconds)
        started.push_async_callback(close_in_time, sealer.close, "sealer")
        recorder = Recorder(
            url,
            keys_live=timedelta(days=settings.idempotency_days),
            most_waiting=settings.most_waiting,
            registry=registry,
            clock=DatabaseClock(now),
        )
        # Before the sealer, so that what waited for its commit comes under the last seal.
        started.push_async_callback(close_in_time, recorder.close, "recorder")
        await recorder.start()
        say = ThrottledLog(metrics)
        imports = _imports(url, settings, shared, say)
        started.push_async_callback(close_in_time, imports.workers.close, "imports")
        services = app.state.services = Services(
            rule_tables=rule_tables,
            batcher=AnswerBatcher(),
            recorder=recorder,
            keys=keys,
            sessions=Sessions(
                reading, hours=settings.session_hours, grace_s=settings.key_grace_seconds, clock=now
            ),
            transaction=reading,
            audit_transaction=auditing,
            verifying=asyncio.Lock(),
            places=_shares(settings.most_in_flight, settings, "requests in flight", say),
            exports=_exports(exporting, settings, say),
            imports=imports,
            links=LinkDesk(reading, days=settings.link_days, most_days=settings.link_most_days),
            strangers=asyncio.Semaphore(STRANGERS_AT_ONCE),
            trees=Trees(),
            evidence=EvidenceDesk(url),
            backtests=Backtests(reading, _orders(url, settings), lambda: metrics.total.total),
            metrics=metrics,
            metrics_open=settings.metrics == "open",
            most_open_drafts=settings.most_open_drafts,
        )
        metrics.read_gauges(_readings(services, sealer, pulse, engines))
        freshening = asyncio.create_task(metrics.keep_fresh(), name="metrics")
        started.callback(freshening.cancel)
        if settings.warm_properties:
            refrigerants.warm()
        if rule_tables.just_published:
            await dictionaries.train_and_keep(reading, rule_tables.current)
        # Modules, rule table and property tables stay for good: no collection need look at them again.
        gc.collect()
        gc.freeze()
        await sealer.start()
        started.push_async_callback(close_in_time, services.evidence.close, "evidence")
        if settings.backtests == "on":
            started.push_async_callback(close_in_time, services.backtests.close, "backtests")
            await services.backtests.start()
        yield


def _orders(url: str, settings: Settings) -> Orders:
    return Orders(
        database_url=url,
        share=settings.backtest_share,
        jobs=settings.backtest_processes,
        log_level=settings.log_level,
    )


def _shares(whole: int, settings: Settings, of_what: str, say: ThrottledLog) -> Shares:
    return Shares(client_share(whole, settings.client_share), of_what, say)


def _exports(transaction: Transaction, settings: Settings, say: ThrottledLog) -> Exports:
    shares = _shares(EXPORTS_AT_ONCE, settings, "exports running", say)
    return Exports(transaction, at_once=EXPORTS_AT_ONCE, shares=shares)


def _imports(url: str, settings: Settings, shared: Shared, say: ThrottledLog) -> Imports:
    if settings.spool_dir is not None and not os.access(settings.spool_dir, os.W_OK | os.X_OK):
        raise BadSettings("COLDCASE_SPOOL_DIR: there is no such folder, or nothing can be written there.")
    room = SpoolSettings(
        folder=settings.spool_dir, body_bytes=settings.bulk_body_bytes, all_bytes=settings.spool_bytes
    )
    most = client_share(settings.bulk_streams, settings.client_share)
    shares = SharedShares(most, "imports running", say, shared.import_seats)
    return Imports(
        url,
        places=Places("imports", at_once=settings.bulk_streams, shares=shares),
        room=SpoolRoom(room, shared.spooled),
        workers=ImportWorkers(settings.log_level, settings.import_processes),
    )


def _readings(
    services: Services, sealer: Sealer, pulse: Pulse, engines: Mapping[str, AsyncEngine]
) -> list[GaugeReading]:
    recorder, exports = services.recorder, services.exports

    def last_seal_age() -> float | None:
        at = sealer.last_sealed_at
        return None if at is None else (now() - at).total_seconds()

    return [
        GaugeReading(
            "coldcase_last_seal_age_seconds",
            "Time since the newest seal that was seen",
            last_seal_age,
            of_all="min",
        ),
        GaugeReading(
            "coldcase_oldest_unsealed_seconds",
            "How long the oldest unsealed record waited, at the last look",
            lambda: sealer.oldest_unsealed_s,
            of_all="max",
        ),
        GaugeReading(
            "coldcase_recorder_queue", "Decisions that wait for their commit", lambda: recorder.waiting
        ),
        GaugeReading(
            "coldcase_recorder_available",
            "1 while decisions can be recorded",
            lambda: recorder.available,
            of_all="min",
        ),
        GaugeReading(
            "coldcase_database_unheard_seconds",
            "Time since the database last answered the watcher",
            lambda: pulse.silent_s,
            of_all="max",
        ),
        GaugeReading("coldcase_api_keys", "API keys in memory", lambda: len(services.keys), of_all="max"),
        GaugeReading("coldcase_exports_running", "Exports running", lambda: exports.running),
        GaugeReading("coldcase_imports_running", "Imports running", lambda: services.imports.places.running),
        GaugeReading(
            "coldcase_spooled_bytes", "Bytes of imports on disk", lambda: services.imports.room.taken.own
        ),
        *(
            GaugeReading(
                "coldcase_connections_in_use",
                "Connections that transactions hold",
                partial(in_use, engine),
                ("kind", kind),
            )
            for kind, engine in engines.items()
        ),
    ]


async def close_in_time(close: Callable[[], Coroutine[Any, Any, None]], what: str) -> None:
    """Closes a part of the service; one that cannot be closed in time, or at all, must not keep the others
    open.
    """
    try:
        await within(CLOSE_SECONDS, close())
    except TimeoutError:
        _logger.warning("a part could not be closed in time", part=what, seconds=CLOSE_SECONDS)
    except Exception:
        _logger.exception("a part could not be closed", part=what)
