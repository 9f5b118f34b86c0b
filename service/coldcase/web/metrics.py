"""Prometheus figures of the HTTP face."""

import time

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

_BUCKETS = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0)


class Metrics:
    """Counts of one application; each has a registry of its own, so that two can live in one process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter("coldcase_http_requests", "Requests answered", ["method", "route", "status"], registry=self.registry)
        self.seconds = Histogram(
            "coldcase_http_request_seconds", "Time to the last byte of the answer", ["route"], buckets=_BUCKETS, registry=self.registry
        )
        self.in_flight = Gauge("coldcase_http_requests_in_flight", "Requests being worked on", registry=self.registry)
        self.decisions = Counter("coldcase_decisions_recorded", "Decisions recorded, replays left out", ["status"], registry=self.registry)
        self.cut = Counter(
            "coldcase_http_cut", "Connections and requests refused or ended before their time", ["why"], registry=self.registry
        )
        self._known: dict[tuple[str, str, int], tuple[Counter, Histogram]] = {}

    def answered(self, method: str, route: str, status: int, began: float) -> None:
        """Counts one answer; `began` is a reading of `time.perf_counter`."""
        known = self._known.get((method, route, status))
        if known is None:
            known = self.requests.labels(method, route, str(status)), self.seconds.labels(route)
            self._known[method, route, status] = known
        known[0].inc()
        known[1].observe(time.perf_counter() - began)

    def text(self) -> bytes:
        """Everything, in the Prometheus text format."""
        return generate_latest(self.registry)
