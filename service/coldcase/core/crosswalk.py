"""A crosswalk: a client's own words and codes beside ours, as one document, in JSON or TOML.

`outbound` gives for our causes the client's codes. `inbound` says what the members and words of the client's
own form or table mean. Pure: a row is a mapping of its names to values, of JSON or all of them text, as a
line of CSV is.
"""

from typing import Annotated, Any

import msgspec
from msgspec import Meta

from coldcase.core.case import Code, Label, Text

MOST_MEMBERS = 1000
MOST_WORDS = 1000

Name = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_-]{0,63}$(?!\n)", description="lower-case name")]
Figure = Annotated[int, Meta(ge=-(2**53) + 1, le=2**53 - 1)]
OwnCode = Label | Figure
OwnCodes = OwnCode | Annotated[dict[Label, OwnCode], Meta(min_length=1, max_length=20)]
"""The client's code of a cause; or several, each under the name of its list."""


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
