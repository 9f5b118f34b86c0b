"""A crosswalk: a client's own words and codes beside ours, as one document, in JSON or TOML.

`outbound` gives for our causes the client's codes. `inbound` says what the members and words of the client's
own form or table mean. Pure: a row is a mapping of its names to values, of JSON or all of them text, as a
line of CSV is.
"""

import re
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from coldcase.core.case import Code, Label, Text
from coldcase.core.labels import LABEL

MOST_MEMBERS = 1000
MOST_WORDS = 1000

Name = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_-]{0,63}$(?!\n)", description="lower-case name")]
OwnCode = str | int
OwnCodes = OwnCode | dict[str, OwnCode]
"""The client's code of a cause; or several, each under the name of its list.

Their limits are in `is_own_code`: in msgspec 0.22 a union of a checked text and another type frees the wrong
memory.
"""

MOST_CODES = 20


def is_own_code(codes: Any) -> bool:
    """Whether these are codes: a line of text, a whole number that JSON keeps exactly, or some of them by
    name.
    """
    match codes:
        case bool():
            return False
        case str():
            return _is_label(codes)
        case int():
            return abs(codes) < 2**53
        case dict():
            single = all(not isinstance(code, dict) and is_own_code(code) for code in codes.values())
            return single and 0 < len(codes) <= MOST_CODES and all(map(_is_label, codes))
        case _:
            return False


def _is_label(text: str) -> bool:
    return len(text) <= 200 and re.match(LABEL, text) is not None


class _Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    pass


class OwnMember(_Part, frozen=True, kw_only=True):
    """What a member of the client's means.

    `to` is the pointer of ours that it fills; `unit` that of its quantity. `words` give for each of its words
    what stands in ours; without `to`, an outcome (or `seen` and `not_seen`) of each finding that it says
    something of. With a `separator` one value may hold several words. `blank` is what nothing means, by the
    same rules: not looked at, unless it is said.
    """

    to: Annotated[str, Meta(max_length=200)] | None = None
    unit: Annotated[str, Meta(max_length=20)] | None = None
    words: Annotated[dict[Label, Any], Meta(min_length=1, max_length=MOST_WORDS)] | None = None
    separator: Annotated[str, Meta(min_length=1, max_length=3)] | None = None
    blank: Any = None


class Inbound(_Part, frozen=True, kw_only=True):
    """The client's own form: its `members` by name; `constants`, our pointers with what stands there where no
    member gives it; members to `ignore`; words that are `blanks`.

    `decimal` parts decimals; `dates` is the form of dates and times (`DD.MM.YYYY hh:mm`), in `utc_offset`.
    """

    members: Annotated[dict[Label, Any], Meta(min_length=1, max_length=MOST_MEMBERS)]
    constants: Annotated[dict[str, Any], Meta(max_length=200)] = {}
    ignore: Annotated[list[Label], Meta(max_length=MOST_MEMBERS)] = []
    blanks: Annotated[list[Label], Meta(max_length=20)] = []
    decimal: Annotated[str, Meta(pattern=r"^[.,]$(?!\n)")] = "."
    dates: Annotated[str, Meta(min_length=1, max_length=40)] | None = None
    utc_offset: Annotated[str, Meta(pattern=r"^(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])$(?!\n)")] = "Z"


class Crosswalk(_Part, frozen=True, kw_only=True):
    """A client's own words and codes beside ours: outbound from our causes, inbound to our case, or both."""

    title: Text | None = None
    outbound: dict[Code, OwnCodes] | None = None
    inbound: Inbound | None = None


def as_compared(word: str) -> str:
    """A word or name as two of them are compared: blanks around it and capitals say nothing."""
    return word.strip().casefold()


def own_codes(crosswalk: Crosswalk, cause: str) -> Any:
    """The client's codes of a cause; None where it has none."""
    return (crosswalk.outbound or {}).get(cause)
