"""Settings: one frozen value, read from the environment; a flag beats the environment."""

from collections.abc import Mapping
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from coldcase.errors import ColdcaseError

PREFIX = "COLDCASE_"
NOT_SETTINGS = frozenset({"COLDCASE_KEY"})
"""Variables of ours that only a command reads."""


class BadSettings(ColdcaseError):
    """A setting cannot be used as it is."""

    code = "bad_settings"


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How the service runs. Each member is the environment variable `COLDCASE_` and its name in capitals."""

    database_url: str | None = None
    owner_url: str | None = None
    service_password: str | None = None
    data_dir: str = "./.coldcase"
    host: str = "127.0.0.1"
    port: Annotated[int, Meta(ge=0, le=65535)] = 8000
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    log_requests: bool = False
    metrics: Literal["open", "closed"] = "open"
    metrics_port: Annotated[int, Meta(ge=1, le=65535)] | None = None
    most_connections: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    connections_per_address: Annotated[int, Meta(ge=1, le=1_000_000)] | None = None
    trusted_proxies: str | None = None
    most_in_flight: Annotated[int, Meta(ge=1, le=100_000)] = 512
    most_waiting: Annotated[int, Meta(ge=1, le=100_000)] = 2048
    pool_size: Annotated[int, Meta(ge=1, le=1000)] = 5
    idempotency_days: Annotated[int, Meta(ge=1, le=3650)] = 90
    seal_seconds: Annotated[float, Meta(ge=1, le=86_400)] = 60.0
    warm_properties: bool = True
    drain_seconds: Annotated[int, Meta(ge=1, le=3600)] = 20

    @property
    def proxies(self) -> tuple[IPv4Network | IPv6Network, ...]:
        """`trusted_proxies` as networks. Raises `ValueError` if it is not a list of addresses and networks, parted by commas."""
        return tuple(ip_network(part.strip()) for part in (self.trusted_proxies or "").split(",") if part.strip())


def read(environ: Mapping[str, str], flags: Mapping[str, Any] | None = None) -> Settings:
    """The settings of an environment, overruled by `flags` that are not None. Raises `BadSettings`."""
    ours = {name.removeprefix(PREFIX).lower(): text for name, text in environ.items() if name.startswith(PREFIX)}
    values: dict[str, Any] = {name: text for name, text in ours.items() if PREFIX + name.upper() not in NOT_SETTINGS}
    values |= {name: value for name, value in (flags or {}).items() if value is not None}
    try:
        settings = msgspec.convert(values, Settings, strict=False)
    except msgspec.ValidationError as error:
        raise BadSettings(f"Settings: {error}".replace("object contains unknown field", "there is no setting")) from error
    try:
        _ = settings.proxies
    except ValueError as error:
        raise BadSettings(f"Settings: COLDCASE_TRUSTED_PROXIES: {error}.") from error
    return settings
