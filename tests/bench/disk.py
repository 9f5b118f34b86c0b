"""What a decision takes on disk, everything included: table, TOAST, indexes and its idempotency key."""

import statistics
from collections.abc import Iterator

from tests.bench.figure import Figure, Sizes
from tests.scale.disk import measured, whole

MOST = 2500


def measure(sizes: Sizes) -> Iterator[Figure]:
    """One figure: the median of a record without readings and one with them, measured once."""
    kinds = ("without readings", "with readings")
    each = {kind: whole(measured(kind, sizes.disk_rows)) for kind in kinds}
    yield Figure(
        name="disk",
        unit="bytes a decision, median of records without and with readings",
        rounds=[statistics.median(each.values())],
        measured=each,
        wanted=("at most", MOST),
        how=f"{sizes.disk_rows:,} decisions of each kind, all different, each under a key; measured once",
    )
