"""Use case: cases for training, of which it is known what they were: those shipped with the service, and a
client's own decisions with a verdict. Their names say nothing of their causes.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db import backtests, decisions
from coldcase.db.decisions import DecisionFilter
from coldcase.errors import NotFound
from coldcase.shipped import LibraryCase, case_library

LIBRARY = "worked"
MOST_OWN = 50
"""Of a client's own decisions with a verdict, the newest."""
SHIPPED = "worked-"


@dataclass(frozen=True, slots=True)
class TrainingCase:
    """A case to be judged by a trainee. `right` are the causes that are known to be so.

    `decision` is the one on record that it comes from; a shipped case has a `title`, which tells what it was.
    """

    name: str
    case: dict[str, Any]
    right: frozenset[str]
    told: str = ""
    title: str | None = None
    decision: decisions.Decision | None = None


@cache
def shipped_cases() -> dict[str, TrainingCase]:
    """The shipped ones by name, in an order that has nothing to do with their causes."""
    named = {_name(one): one for one in case_library(LIBRARY)}
    return {
        name: TrainingCase(name, one.case, one.right, one.told, one.name)
        for name, one in sorted(named.items())
    }


def _name(one: LibraryCase) -> str:
    return SHIPPED + hashlib.sha256(one.name.encode()).hexdigest()[:10]


async def own_cases(conn: AsyncConnection, client_id: int) -> list[decisions.ListedDecision]:
    """A client's newest decisions that stand and have a cause established."""
    wanted = DecisionFilter(client_id=client_id, has_verdict=True, stands=True)
    found = await decisions.find_decisions(conn, wanted, limit=MOST_OWN)
    known = await backtests.established_causes(conn, [one.id for one in found])
    return [one for one in found if known.get(one.id) is not None]


async def training_case(conn: AsyncConnection, client_id: int, name: str) -> TrainingCase:
    """The case of a name. Raises NotFound for one that is not there, is another client's, or of which nobody
    knows what it was.
    """
    if name.startswith(SHIPPED):
        if name not in shipped_cases():
            raise NotFound("There is no such case.")
        return shipped_cases()[name]
    try:
        id_ = UUID(name)
    except ValueError:
        raise NotFound("There is no such case.") from None
    found = await decisions.find_decision(conn, id_)
    if found is None or found.client_id != client_id:
        raise NotFound("There is no such case.")
    cause = (await backtests.established_causes(conn, [id_])).get(id_)
    if cause is None:
        raise NotFound("Nobody has said yet what this case was.")
    return TrainingCase(name, msgspec.json.decode(found.case), frozenset([cause]), decision=found)


def was_right(of: TrainingCase, causes: Sequence[str]) -> bool:
    """Whether the cause that is named first is one of those established."""
    return causes[0] in of.right
