"""What the calls that list, count and export decisions share: filters, paging, and whose decisions a key may
read.
"""

from datetime import datetime
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from coldcase.db.decisions import DecisionFilter, DecisionOrigin, Order
from coldcase.db.keys import ApiKey
from coldcase.errors import Flaw
from coldcase.web.parsing import again
from coldcase.web.problems import BadRequest
from coldcase.web.route import Header

READS_ALL = "decisions:read:all"


LINK = Header("Link", '`rel="next"`: the page after this one.')


WhichTime = Literal["closed_at", "recorded_at"]
"""By which time decisions are found or counted."""

Moment = Annotated[datetime, Meta(tz=True)]

Origin = Annotated[
    DecisionOrigin,
    Meta(description="How a decision came: one by one (`live`), or by an import (`bulk`); both if not said."),
]


def check_span(first: datetime | None, last: datetime | None) -> None:
    """Raises `BadRequest` for a span of time that ends before it begins."""
    if first is not None and last is not None and first > last:
        raise BadRequest((Flaw("to", "lies before `from`"),))


def reads_all(key: ApiKey) -> bool:
    """Whether the key shows every client's decisions."""
    return READS_ALL in key.scopes


def next_page(path: str, query: msgspec.Struct, cursor: str | None) -> dict[str, str]:
    """The header that leads to the page after this one, if there is one."""
    return {} if cursor is None else {"Link": f'<{again(path, query, cursor=cursor)}>; rel="next"'}


def order_of(by: WhichTime) -> Order:
    """The time that a query means: the job's closing, or where that is missing its recording; or for all its
    recording.
    """
    return "at" if by == "closed_at" else "recorded_at"


def decision_filter(query: msgspec.Struct, key: ApiKey, *, by: Order) -> DecisionFilter:
    """The search that a query asks for, within what the key may see."""
    asked = msgspec.structs.asdict(query)
    given = {name: asked[name] for name in DecisionFilter.__struct_fields__ if asked.get(name) is not None}
    if "has_verdict" in given:
        given["has_verdict"] = given["has_verdict"] == "true"
    given |= {"by": by, "client_id": None if reads_all(key) else key.client_id}
    # Checked against the types of the search: a query whose member means something else is found out.
    return msgspec.convert(given, DecisionFilter)
