"""A change that takes a promise away, and the tests that hold it."""

from typing import NamedTuple


class Change(NamedTuple):
    """In `file`, `old` (which is there exactly once) becomes `new`; one of `tests` must fail."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]
