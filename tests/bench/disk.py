"""What a decision takes on disk, everything included: table, TOAST, indexes and its idempotency key."""

import statistics
from collections.abc import Iterator

from tests.bench.figure import Figure, Sizes
from tests.scale.disk import measured, whole

MOST = 2500
KINDS = ("without readings", "with readings")


def measure(sizes: Sizes) -> Iterator[Figure]:
    """The median of a record without readings and one with them, each measured once: of history, and of
    decisions that still have the key of their request.
    """
    for name, history, known_by in (
        ("disk", True, "imported, so that no key is kept"),
        ("disk, with a key", False, "each under a key, which is kept for 90 days"),
    ):
        each = {kind: whole(measured(kind, sizes.disk_rows, history=history)) for kind in KINDS}
        yield Figure(
            name=name,
            unit="bytes a decision, median of records without and with readings",
            rounds=[statistics.median(each.values())],
            measured=each,
            wanted=("at most", MOST),
            how=f"{sizes.disk_rows:,} decisions of each kind, all different, {known_by}; measured once",
        )
