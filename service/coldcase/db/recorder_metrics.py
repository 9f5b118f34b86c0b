"""What the recorder counts, for Prometheus."""

from prometheus_client import CollectorRegistry, Counter, Histogram

SIZES = (1, 2, 4, 8, 16, 32, 64)
SECONDS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)


class RecorderMetrics:
    """Decisions recorded by status, requests refused by reason, and the sizes and times of batches.

    Registered in `registry`, or nowhere.
    """

    def __init__(self, registry: CollectorRegistry | None) -> None:
        self.sizes = Histogram(
            "coldcase_recorder_batch_size", "Decisions in one commit", buckets=SIZES, registry=registry
        )
        self.seconds = Histogram(
            "coldcase_recorder_commit_seconds", "Time of one commit", buckets=SECONDS, registry=registry
        )
        self._recorded = Counter(
            "coldcase_decisions_recorded",
            "Decisions recorded, replays left out",
            ["status"],
            registry=registry,
        )
        self._refused = Counter(
            "coldcase_recorder_refused", "Decisions not recorded", ["reason"], registry=registry
        )
        self._of_status: dict[str, Counter] = {}

    def recorded(self, status: str) -> None:
        """Counts a decision that has been committed."""
        counter = self._of_status.get(status)
        if counter is None:
            counter = self._of_status[status] = self._recorded.labels(status)
        counter.inc()

    def refused(self, code: str) -> None:
        """Counts a request that was refused with the error of this code."""
        self._refused.labels(code).inc()
