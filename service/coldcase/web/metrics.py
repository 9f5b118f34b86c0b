"""Prometheus figures of HTTP."""

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Metric, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from coldcase.workers import Shared, Tally

_BUCKETS = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0)


class Metrics:
    """Counts of one application; each has a registry of its own, so that two can live in one process.

    `total` counts all answers, those of other workers too.
    """

    def __init__(self, total: Tally | None = None) -> None:
        self.total = total or Shared(0).answered
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "coldcase_http_requests",
            "Requests answered",
            ["method", "route", "status"],
            registry=self.registry,
        )
        self.seconds = Histogram(
            "coldcase_http_request_seconds",
            "Time to the last byte of the answer",
            ["route"],
            buckets=_BUCKETS,
            registry=self.registry,
        )
        self.in_flight = Gauge(
            "coldcase_http_requests_in_flight",
            "Requests being worked on",
            registry=self.registry,
            multiprocess_mode="livesum",
        )
        self.problems = Counter(
            "coldcase_problems", "Requests answered with a problem document", ["code"], registry=self.registry
        )
        self.cut = Counter(
            "coldcase_http_cut",
            "Connections and requests refused or ended before their time",
            ["why"],
            registry=self.registry,
        )
        self._running = CollectorRegistry()
        self._known: dict[tuple[str, str, int], tuple[Counter, Histogram]] = {}

    def answered(self, method: str, route: str, status: int, began: float) -> None:
        """Counts one answer; `began` is a reading of `time.perf_counter`."""
        self.total.add(1)
        known = self._known.get((method, route, status))
        if known is None:
            known = self.requests.labels(method, route, str(status)), self.seconds.labels(route)
            self._known[method, route, status] = known
        known[0].inc()
        known[1].observe(time.perf_counter() - began)

    def begin(self) -> CollectorRegistry:
        """The registry of the parts that run from now on; what those of an earlier run counted is
        forgotten.
        """
        self._running = CollectorRegistry()
        return self._running

    def read_gauges(self, readings: Iterable["GaugeReading"]) -> None:
        """Has these figures read whenever somebody asks for all."""
        GaugeCollector(readings, self._running)

    async def keep_fresh(self) -> None:
        """What must be done again and again while the service runs."""

    def text(self) -> bytes:
        """Everything, in the Prometheus text format."""
        return generate_latest(self.registry) + generate_latest(self._running)


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """A figure that is read when somebody asks for it: its name, what it says, and where it comes from.

    None means that there is none yet. `label` is the name and the value of its label, if it has one. `of_all`
    is what one figure is made of those of several workers.
    """

    name: str
    says: str
    read: Callable[[], float | None]
    label: tuple[str, str] | None = None
    of_all: Literal["sum", "min", "max"] = "sum"


class GaugeCollector(Collector):
    """Figures that cost nothing until they are asked for."""

    def __init__(self, readings: Iterable[GaugeReading], registry: CollectorRegistry) -> None:
        self._readings = tuple(readings)
        registry.register(self)

    def collect(self) -> Iterator[Metric]:
        """Reads all of them."""
        found: dict[str, GaugeMetricFamily] = {}
        for reading in self._readings:
            value = reading.read()
            if value is None:
                continue
            name, label = reading.label or ("", "")
            family = found.setdefault(
                reading.name, GaugeMetricFamily(reading.name, reading.says, labels=[name] if name else [])
            )
            family.add_metric([label] if name else [], value)
        yield from found.values()
