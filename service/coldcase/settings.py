"""Settings: one frozen value, read from the environment; a flag beats the environment."""

import os
from collections.abc import Mapping
from difflib import get_close_matches
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

import msgspec
from msgspec import Meta

from coldcase.errors import ColdcaseError

PREFIX = "COLDCASE_"
NOT_SETTINGS = frozenset({"COLDCASE_KEY"})
"""Variables of ours that only a command reads."""

MOST_JOBS_UNASKED = 8
"""Each has a connection and holds a compiled rule table."""

SCHEMES = frozenset({"postgres", "postgresql", "postgresql+psycopg", "postgresql+asyncpg"})


class BadSettings(ColdcaseError):
    """A setting cannot be used as it is."""

    code = "bad_settings"


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How the service runs. Each member is the environment variable `COLDCASE_` and its name in capitals."""

    database_url: str | None = None
    owner_url: str | None = None
    service_password: str | None = None
    data_dir: Annotated[str, Meta(min_length=1)] = "./.coldcase"
    host: str = "127.0.0.1"
    port: Annotated[int, Meta(ge=0, le=65535)] = 8000
    workers: Annotated[int, Meta(ge=1, le=64)] = 1
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    log_requests: bool = False
    metrics: Literal["open", "closed"] = "open"
    metrics_port: Annotated[int, Meta(ge=1, le=65535)] | None = None
    most_connections: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    connections_per_address: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    trusted_proxies: str | None = None
    most_in_flight: Annotated[int, Meta(ge=1, le=100_000)] = 512
    client_share: Annotated[float, Meta(gt=0, le=1)] = 0.25
    unread_seconds: Annotated[float, Meta(ge=1, le=3600)] = 20.0
    most_waiting: Annotated[int, Meta(ge=1, le=100_000)] = 2048
    pool_size: Annotated[int, Meta(ge=1, le=1000)] = 5
    key_grace_seconds: Annotated[int, Meta(ge=1, le=604_800)] = 3600
    session_hours: Annotated[int, Meta(ge=1, le=8760)] = 12
    link_days: Annotated[int, Meta(ge=1, le=36_500)] = 30
    link_most_days: Annotated[int, Meta(ge=1, le=36_500)] = 365
    idempotency_days: Annotated[int, Meta(ge=1, le=3650)] = 90
    most_open_drafts: Annotated[int, Meta(ge=1, le=10_000)] = 20
    seal_seconds: Annotated[int, Meta(ge=1, le=86_400)] = 60
    backtests: Literal["on", "off"] = "on"
    backtest_share: Annotated[float, Meta(ge=0.01, le=1)] = 0.2
    backtest_jobs: Annotated[int, Meta(ge=1, le=64)] | None = None
    import_jobs: Annotated[int, Meta(ge=1, le=64)] | None = None
    bulk_streams: Annotated[int, Meta(ge=1, le=64)] = 2
    bulk_body_bytes: Annotated[int, Meta(ge=1024)] = 4 * 1024**3
    spool_dir: Annotated[str, Meta(min_length=1)] | None = None
    spool_bytes: Annotated[int, Meta(ge=1024)] = 16 * 1024**3
    warm_properties: bool = True
    drain_seconds: Annotated[int, Meta(ge=1, le=3600)] = 20

    @property
    def backtest_processes(self) -> int:
        """How many processes count a backtest: as many as said, or as there are cores for this one, up to
        eight.
        """
        return self.backtest_jobs or _jobs_unasked()

    @property
    def import_processes(self) -> int:
        """How many processes work on a large import: as many as said, or as `backtest_processes` says."""
        return self.import_jobs or _jobs_unasked()

    @property
    def proxies(self) -> tuple[IPv4Network | IPv6Network, ...]:
        """`trusted_proxies` as networks. Raises `ValueError` if it is not a list of addresses and networks,
        parted by commas.
        """
        return tuple(
            ip_network(part.strip()) for part in (self.trusted_proxies or "").split(",") if part.strip()
        )


def _jobs_unasked() -> int:
    return min(MOST_JOBS_UNASKED, len(os.sched_getaffinity(0)))


def settings_from(environ: Mapping[str, str], flags: Mapping[str, Any] | None = None) -> Settings:
    """The settings of an environment, overruled by `flags` that are not None. Raises `BadSettings`, naming
    each variable or flag.
    """
    given = {
        name: text for name, text in environ.items() if name.startswith(PREFIX) and name not in NOT_SETTINGS
    }
    values: dict[str, tuple[str, Any]] = {
        name.removeprefix(PREFIX).lower(): (name, text) for name, text in given.items()
    }
    values |= {
        name: (f"--{name.replace('_', '-')}", value)
        for name, value in (flags or {}).items()
        if value is not None
    }
    found: dict[str, Any] = {}
    flaws: list[str] = []
    hints = {field.name: field.type for field in msgspec.structs.fields(Settings)}
    for name, (source, value) in values.items():
        try:
            found[name] = _setting(name, value, hints)
        except (msgspec.ValidationError, ValueError) as error:
            flaws.append(f"{source}: {error}.")
    if flaws:
        raise BadSettings(" ".join(flaws))
    return Settings(**found)


def _setting(name: str, value: Any, hints: Mapping[str, Any]) -> Any:
    """The value of one setting. Raises ValueError, or msgspec's error, saying what is wrong; never with the
    value, which may be secret.
    """
    if name not in hints:
        meant = [PREFIX + near.upper() for near in get_close_matches(name, hints, n=1)]
        raise ValueError(f"there is no such setting{''.join(f' (did you mean {near}?)' for near in meant)}")
    converted = msgspec.convert(value, hints[name], strict=False)
    if name.endswith("_url") and converted is not None and not _is_url(converted):
        raise ValueError("this is no URL like postgresql://user@host:5432/database")
    if name == "trusted_proxies":
        _ = Settings(trusted_proxies=converted).proxies
    return converted


def _is_url(text: str) -> bool:
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        return False
    return parts.scheme in SCHEMES and port != 0
