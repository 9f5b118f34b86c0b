"""What the workers of one service on one machine keep together: numbers in a file that each maps.

Each writes to places of its own and reads all, so that nobody waits for anybody. Two that look at the same
moment may take one place more than there is; a limit of many is none the worse for it.
"""

import mmap
from pathlib import Path

import msgspec

_BYTES = 8
_FILE = "numbers"


class Worker(msgspec.Struct, frozen=True, kw_only=True):
    """One of several serving processes: its place among `of`, counted from 0, the folder that they share, and
    whether it stands in for one that has died.
    """

    place: int
    of: int
    folder: str
    again: bool = False


class Tally:
    """A sum to which each worker adds what is its own."""

    def __init__(self, cells: memoryview, place: int) -> None:
        self._cells = cells
        self._place = place

    @property
    def own(self) -> int:
        """What this process has added."""
        return int(self._cells[self._place])

    @property
    def total(self) -> int:
        """What all have added."""
        return sum(self._cells)

    def add(self, more: int) -> None:
        """Adds to the sum, or takes off it."""
        self._cells[self._place] += more


class Seats:
    """Who sits where: so many places, each with the number of the client that has it, or 0."""

    def __init__(self, cells: memoryview, own: range) -> None:
        self._cells = cells
        self._own = own

    def sit(self, client_id: int) -> None:
        """Takes a place of this process for a client. Raises IndexError where it has none left."""
        free = [place for place in self._own if not self._cells[place]]
        self._cells[free[0]] = client_id

    def leave(self, client_id: int) -> None:
        """Gives back a place that this process took for a client."""
        self._cells[next(place for place in self._own if self._cells[place] == client_id)] = 0

    def of(self, client_id: int) -> int:
        """How many places a client has, of all workers."""
        return self._cells.tolist().count(client_id)

    def clear(self) -> None:
        """Gives back all places of this process."""
        for place in self._own:
            self._cells[place] = 0

    @property
    def own(self) -> int:
        """How many places of this process are taken."""
        return sum(1 for place in self._own if self._cells[place])

    @property
    def total(self) -> int:
        """How many are taken, of all workers."""
        return len(self._cells) - self.of(0)


class Shared:
    """The numbers of a service: bytes on disk of imports, requests answered, and who has the `import_places`
    that there are.

    Without a `worker` this process is alone.
    """

    def __init__(self, import_places: int, worker: Worker | None = None) -> None:
        place, of = (0, 1) if worker is None else (worker.place, worker.of)
        # Each worker may have all of them, and one more for whoever is about to be told that there is none.
        seats = import_places + 1
        size = _BYTES * of * (2 + seats)
        self._cells = memoryview(bytearray(size) if worker is None else _mapped(worker, size)).cast("q")
        self.spooled = Tally(self._cells[:of], place)
        self.answered = Tally(self._cells[of : 2 * of], place)
        own = range(place * seats, (place + 1) * seats)
        self.import_seats = Seats(self._cells[2 * of :], own)

    def release(self) -> None:
        """Gives back what this worker holds: by whoever started it, when it has died."""
        self.spooled.add(-self.spooled.own)
        self.import_seats.clear()


def _mapped(worker: Worker, size: int) -> mmap.mmap:
    with (Path(worker.folder) / _FILE).open("a+b") as file:
        file.truncate(size)
        return mmap.mmap(file.fileno(), size)
