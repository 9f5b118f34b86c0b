"""Logging: one JSON object a line on standard error, from structlog and from the standard library alike."""

import io
import logging
import sys

import structlog


class _StandardError(io.StringIO):
    """Standard error as it is when something is written, not as it was when logging was configured."""

    def write(self, text: str) -> int:
        return sys.stderr.write(text)

    def flush(self) -> None:
        sys.stderr.flush()


def log_for_people() -> None:
    """Warnings and worse as plain lines on standard error, for commands that a person runs."""
    structlog.configure(
        processors=[
            structlog.processors.KeyValueRenderer(
                key_order=["event"], drop_missing=True, repr_native_str=False
            )
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING),
        logger_factory=structlog.WriteLoggerFactory(_StandardError()),
    )


def start_logging(level: str, **always: int) -> None:
    """Configures both for this process. Levels: `debug`, `info`, `warning`, `error`. `always` are members of
    every line.
    """
    number = logging.getLevelNamesMapping()[level.upper()]

    def add_always(_: object, __: str, line: structlog.typing.EventDict) -> structlog.typing.EventDict:
        return {**line, **always}

    shared: list[structlog.typing.Processor] = [
        add_always,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        # Without local variables: they may hold keys and database passwords.
        structlog.processors.ExceptionRenderer(
            structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
        ),
    ]
    structlog.configure(
        processors=[*shared, structlog.processors.JSONRenderer()],
        wrapper_class=structlog.make_filtering_bound_logger(number),
        logger_factory=structlog.WriteLoggerFactory(_StandardError()),
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    logging.basicConfig(handlers=[handler], level=number, force=True)
    # Each request is counted by /metrics and logged by `log_requests`; the driver's and the server's chatter
    # is not ours.
    for chatty in ("uvicorn", "httpx", "alembic"):
        logging.getLogger(chatty).setLevel(max(number, logging.WARNING))
    # It warns of every connection that we ended on purpose; what came of it is ours to tell.
    logging.getLogger("psycopg").setLevel(max(number, logging.ERROR))
