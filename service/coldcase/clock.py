"""The machine's clock, read at the edge only: everything below takes the time as an argument."""

from datetime import UTC, datetime


def now() -> datetime:
    """The machine's time, UTC."""
    return datetime.now(UTC)  # noqa: TID251  # this is the edge
