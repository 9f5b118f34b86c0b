"""What imports take of a service."""

from dataclasses import dataclass

from coldcase.importing.spooling import SpoolRoom
from coldcase.importing.supervising import ImportWorkers
from coldcase.web.streams import Places


@dataclass(frozen=True, slots=True)
class Imports:
    """Places, room on disk, and the processes that work on them, each with connections of its own."""

    database_url: str
    places: Places
    room: SpoolRoom
    workers: ImportWorkers
