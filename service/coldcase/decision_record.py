"""A decision as it stands: the chain it belongs to, its verdicts, and what failed on the same circuit
before.
"""

from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.db import decisions, proposals, seals, verdicts
from coldcase.db.decisions import Decision, DecisionFilter, Link, ListedDecision
from coldcase.db.seals import SealPosition
from coldcase.db.verdicts import StoredVerdict
from coldcase.errors import NotFound

LONGEST_CHAIN = 100
MOST_EARLIER = 10
MOST_COUNTED = 1001


class DecisionInContext(msgspec.Struct, frozen=True, kw_only=True):
    """A decision with what belongs to it: verdicts the newest first, earlier decisions on its circuit the
    newest first.
    """

    decision: Decision
    chain: list[Link]
    verdicts: list[StoredVerdict]
    earlier: list[ListedDecision]


class Surroundings(msgspec.Struct, frozen=True):
    """What the record says around a decision: how many decisions have a verdict, `MOST_COUNTED` at most;
    whether numbers of its rule table were counted from verdicts; and under which seal it is.
    """

    judged: int
    learned: bool
    seal: SealPosition | None


async def surroundings_of(conn: AsyncConnection, found: Decision) -> Surroundings:
    """The same of a decision, as far as the reader may see."""
    judged = await verdicts.count_with_verdict(conn, most=MOST_COUNTED)
    learned = await proposals.has_numbers(conn, found.rule_table)
    async with seals.as_auditor(conn):
        return Surroundings(judged, learned, await seals.place_of(conn, "decision", found.id))


async def decision_in_context(conn: AsyncConnection, id_: UUID) -> DecisionInContext:
    """A decision, and the chain it belongs to: each supersedes the one before. Raises NotFound."""
    found = await require_decision(conn, id_)
    chain = await decisions.chain(conn, id_, most=LONGEST_CHAIN)
    links = {link.id for link in chain}
    return DecisionInContext(
        decision=found,
        chain=chain,
        verdicts=await verdicts.verdicts_of(conn, id_),
        earlier=[row for row in await _earlier(conn, found) if row.id not in links][:MOST_EARLIER],
    )


async def _earlier(conn: AsyncConnection, found: Decision) -> list[ListedDecision]:
    if found.circuit is None:
        return []
    same = DecisionFilter(client_id=found.client_id, circuit=found.circuit, stands=True)
    return await decisions.find_decisions(conn, same, after=(found.at, found.id), limit=MOST_EARLIER + 1)


async def require_decision(conn: AsyncConnection, id_: UUID) -> Decision:
    """One decision. Raises NotFound where there is none or it may not be seen."""
    found = await decisions.find_decision(conn, id_)
    if found is None:
        raise NotFound
    return found
