"""The answer to a case as frozen values: what a caller reads, and what is recorded."""

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

Status = Literal["coded", "provisional", "undetermined"]
MachineState = Literal["sound", "damaged", "not_shown"]
ChainState = Literal["seen", "not_seen", "not_checked"]
RefusedBecause = Literal["thin", "unlike", "contradictory", "close", "lost"]
Role = Literal["initiating", "following", "beside"]
Source = Literal["observation", "reading", "laboratory", "pattern"]


class _Part(msgspec.Struct, frozen=True, gc=False):
    pass


class Ranked(_Part, frozen=True, gc=False):
    """A cause and its confidence (0 to 1, four decimals)."""

    cause: str
    confidence: float


class Weight(_Part, frozen=True, kw_only=True, gc=False):
    """One finding's say on the leading cause, in decibans against the background of unrelated failures.

    `decibans` as counted, after discount and group; `full_decibans` before. `counted` is false where a
    pattern or another finding replaced it. `strength` is the verbal scale of the Association of Forensic
    Science Providers. `absent` marks a sign that was looked for and is not there.
    """

    finding: str
    outcome: str | list[str]
    absent: bool = False
    source: Source
    decibans: float
    full_decibans: float
    counted: bool
    strength: str
    sentence: str


class Contribution(_Part, frozen=True, kw_only=True, gc=False):
    """A second cause with strong support among what the leader does not explain, or explains less well.

    `role`: `initiating` (it may have brought the coded cause about), `following` (the coded cause may have
    brought it about) or `beside`.
    """

    cause: str
    role: Role = "beside"
    support_decibans: float
    explains: list[str]


class DerivedValue(_Part, frozen=True, kw_only=True, gc=False):
    """A quantity worked out from readings or the oil report, and what the rule table's limit makes of it.

    `to` is the upper end of a range that begins at `value`. One that could not be judged has no `outcome` and
    says why in `note`. `superseded` marks one whose finding
    was also observed: the observation stands.
    """

    quantity: str
    value: float | str | None
    unit: str
    to: float | None = None
    finding: str | None = None
    outcome: str | list[str] | None = None
    limit: str | None = None
    basis: str | None = None
    note: str | None = None
    superseded: bool = False


class Discounted(_Part, frozen=True, kw_only=True, gc=False):
    """A finding whose weight was reduced, to which share, and why."""

    finding: str
    outcome: str | list[str]
    absent: bool = False
    kept: float
    reason: str


class ChainLink(_Part, frozen=True, kw_only=True, gc=False):
    """A step of the leader's chain of events, and the findings that show it."""

    step: str
    state: ChainState
    by: list[str]


class Asked(_Part, frozen=True, gc=False):
    """One answer that a question takes, and what it means in a line, if the table says it."""

    code: str
    title: str
    definition: str | None


class NextCheck(_Part, frozen=True, kw_only=True, gc=False):
    """A finding worth looking at next, with the expected drop of the ranking's entropy.

    Of kind `one` its outcomes exclude each other; of kind `several` each is a sign that may be seen or looked
    for and not there.
    """

    finding: str
    question: str
    effort: str
    before: str | None
    gain_bits: float
    kind: str
    outcomes: list[Asked]


class DecidingCheck(_Part, frozen=True, kw_only=True, gc=False):
    """The check that would tell a lead from the cause that stands nearest to it.

    `finding` is what it answers; null where the table describes a check of more than one.
    """

    against: str
    check: str
    finding: str | None


class Lead(_Part, frozen=True, kw_only=True, gc=False):
    """One of the causes that lead where none is named: what speaks for it most, and what would decide."""

    cause: str
    title: str
    confidence: float
    support: list[Weight]
    decided_by: DecidingCheck | None


class Advice(_Part, frozen=True, kw_only=True, gc=False):
    """An action or a caution, and where it comes from."""

    text: str
    basis: str


class LeftOut(_Part, frozen=True, gc=False):
    """What a lenient reading left out, an observation, a measurement or an exhibit as a whole: where (RFC
    6901 pointer), what was sent there (as JSON), what was wrong with it, and what was likely meant in its
    place. A long pointer or text is cut and ends in `…`.

    At most 200; a last one with an empty pointer then counts the rest.
    """

    pointer: str
    sent: str
    detail: str
    suggestion: str | None = None


class TableName(_Part, frozen=True, kw_only=True, gc=False):
    """The rule table that answered; `version` is null for a table read from files."""

    version: int | None
    digest: str


class EngineName(_Part, frozen=True, kw_only=True, gc=False):
    """The engine that answered; `properties` names the fluid property library if it was used."""

    version: str
    properties: str | None


class AnswerHead(_Part, frozen=True, kw_only=True, gc=False):
    """The first members of an answer: all that may differ where the same evidence is asked about again."""

    id: UUID | None = None
    recorded: bool = False
    recorded_at: datetime | None = None
    job_ref: str | None
    supersedes: UUID | None


class Answer(_Part, frozen=True, kw_only=True, gc=False):
    """Why this compressor failed, how sure, what shows it, what to check and what to do.

    `refused_because` says why no cause is named: `thin` (too little speaks for the leader), `unlike`
    (what was found is not what the leader usually shows), `contradictory`, `close` (no cause stands far
    enough above the next), or `lost` (one would, were not so much of the evidence lost); of several
    reasons the first of these. Where no cause is named `leads` has the leading ones, and there is no
    rationale and no chain, for those would tell a story of a cause that is not named. `notes` are for
    people.
    """

    id: UUID | None = None
    recorded: bool = False
    recorded_at: datetime | None = None
    job_ref: str | None
    supersedes: UUID | None
    cause: str
    title: str
    family: str | None
    system_borne: bool
    status: Status
    refused_because: RefusedBecause | None
    confidence: float
    machine: MachineState
    ranking: list[Ranked]
    leads: list[Lead] = []
    contributing: list[Contribution]
    rationale: list[Weight]
    against: list[Weight]
    unexplained: list[str]
    derived: list[DerivedValue]
    discounted: list[Discounted]
    chain: list[ChainLink]
    next_checks: list[NextCheck]
    actions: list[Advice]
    cautions: list[Advice]
    notes: list[str]
    left_out: list[LeftOut]
    rule_table: TableName
    engine: EngineName
