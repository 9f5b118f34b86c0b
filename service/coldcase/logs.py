"""Logging: one JSON object a line on standard error, from structlog and from the standard library alike."""

import logging
import sys

import structlog


def start_logging(level: str) -> None:
    """Configures both for this process. Levels: `debug`, `info`, `warning`, `error`."""
    number = logging.getLevelNamesMapping()[level.upper()]
    shared: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        # Without local variables: they may hold keys and database passwords.
        structlog.processors.ExceptionRenderer(structlog.tracebacks.ExceptionDictTransformer(show_locals=False)),
    ]
    structlog.configure(
        processors=[*shared, structlog.processors.JSONRenderer()],
        wrapper_class=structlog.make_filtering_bound_logger(number),
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
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
    # Each request is counted by /metrics and logged by `log_requests`; the driver's and the server's chatter is not ours.
    for chatty in ("uvicorn", "httpx", "alembic"):
        logging.getLogger(chatty).setLevel(max(number, logging.WARNING))
    # It warns of every connection that we ended on purpose; what came of it is ours to tell.
    logging.getLogger("psycopg").setLevel(max(number, logging.ERROR))
