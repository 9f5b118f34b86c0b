"""Whether the service lives, is ready, and how it does; no key needed."""

from datetime import timedelta

import msgspec
from litestar import Response, get

from coldcase.clock import now
from coldcase.errors import NotFound
from coldcase.web import schemas
from coldcase.web.route import JSON, Call, route
from coldcase.web.services import services

PROMETHEUS = "text/plain"
PROMETHEUS_VERSION = "text/plain; version=0.0.4"


@get("/health/live", **route("isLive", "Operation", {200: {JSON: schemas.Health}}))
async def is_live() -> Response[bytes]:
    """The process answers"""
    return Response(msgspec.json.encode(schemas.Health(status="live")), media_type=JSON)


@get("/health/ready", **route("isReady", "Operation", {200: {JSON: schemas.Health}}))
async def is_ready(request: Call) -> Response[bytes]:
    """It can classify, and whether it can record

    Stays up with `recording: false` while the database is away or takes no records: previews and vocabulary
    go on. `starter_table.on_record` is false where this release brings a starter table that the record does
    not have: nothing is changed by itself, `coldcase table import` makes it a draft.
    """
    service = services(request)
    recorder = service.recorder
    health = schemas.Health(
        status="ready",
        recording=recorder.available,
        recording_since=now() - timedelta(seconds=recorder.unchanged_s),
        rule_table=service.rule_tables.current.version,
        starter_table=schemas.StarterOnRecord(
            digest=service.rule_tables.starter, on_record=service.rule_tables.starter_known
        ),
    )
    return Response(msgspec.json.encode(health), media_type=JSON)


@get("/metrics", **route("showMetrics", "Operation", {200: {PROMETHEUS: str}}, problems=("not_found",)))
async def show_metrics(request: Call) -> Response[bytes]:
    """Figures for Prometheus; can be closed by a setting"""
    service = services(request)
    if not service.metrics_open:
        raise NotFound("Metrics are closed here.")
    return Response(service.metrics.text(), media_type=PROMETHEUS_VERSION)
