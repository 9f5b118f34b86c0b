"""Prometheus figures of several workers, put together by whichever of them is asked.

The client library keeps each number in a file of its process (its multiprocess mode), so that nothing counted
is lost with a worker that dies. It is in that mode where the environment names the folder as
`PROMETHEUS_MULTIPROC_DIR` before it is imported, which whoever starts a worker sees to.
"""

import asyncio
import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from prometheus_client import CollectorRegistry, Counter, Gauge, Metric, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from coldcase.web.metrics import GaugeReading, Metrics
from coldcase.workers import Tally, Worker

FRESH_SECONDS = 1.0
"""How old the figures of another worker may be that are read, not counted."""

HAS_NONE = {"sum": 0.0, "min": math.inf, "max": -math.inf}
"""What stands for a figure that a worker does not have, and changes nothing of the others'."""


class WorkerMetrics(Metrics):
    """The counts of a worker; its text is that of all of them."""

    def __init__(self, worker: Worker, total: Tally) -> None:
        super().__init__(total)
        self._folder = worker.folder
        self._gauges: dict[str, Gauge] = {}
        self._readings: tuple[GaugeReading, ...] = ()
        workers = Gauge("coldcase_workers", "Serving processes", registry=None, multiprocess_mode="livesum")
        workers.set(1)
        again = Counter("coldcase_worker_restarts", "Workers that stood in for one that died", registry=None)
        again.inc(worker.again)

    def read_gauges(self, readings: Iterable[GaugeReading]) -> None:
        """Has these figures read every second, and whenever somebody asks this worker for all."""
        self._readings = tuple(readings)
        for reading in self._readings:
            if reading.name not in self._gauges:
                self._gauges[reading.name] = Gauge(
                    reading.name,
                    reading.says,
                    [] if reading.label is None else [reading.label[0]],
                    registry=None,
                    multiprocess_mode=f"live{reading.of_all}",  # type: ignore[arg-type]  # one of its words
                )
        self._read()

    async def keep_fresh(self) -> None:
        """Reads the figures again and again, for the others."""
        while True:
            await asyncio.sleep(FRESH_SECONDS)
            self._read()

    def text(self) -> bytes:
        """Everything of all workers, in the Prometheus text format."""
        self._read()
        registry = CollectorRegistry()
        registry.register(_OfAll(self._folder))
        return generate_latest(registry)

    def _read(self) -> None:
        for reading in self._readings:
            gauge, value = self._gauges[reading.name], reading.read()
            if reading.label is not None:
                gauge = gauge.labels(reading.label[1])
            gauge.set(HAS_NONE[reading.of_all] if value is None else value)


class _OfAll(Collector):
    """What the files of all workers say."""

    def __init__(self, folder: str) -> None:
        self._folder = Path(folder)

    def collect(self) -> Iterator[Metric]:
        files = [str(file) for file in self._folder.glob("*.db")]
        found = MultiProcessCollector.merge(files)  # type: ignore[no-untyped-call]  # as the library has it
        for metric in sorted(found, key=lambda metric: metric.name):
            # A figure that no worker has.
            metric.samples = [sample for sample in metric.samples if math.isfinite(sample.value)]
            if metric.samples:
                yield metric
