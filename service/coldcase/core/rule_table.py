"""The rule table as values: causes, findings, natural frequencies, limits, discounts, actions, cautions.

A table is one JSON document (the starter table is the same document written as TOML, one file a station).
`flaws` in `coldcase.core.checking` says what is wrong with one; `table_digest` names it.
"""

import hashlib
import re
from typing import Annotated, Any, Literal, get_args

import msgspec
import rfc8785
from msgspec import Meta

from coldcase.core.case import Code, Known

UNLISTED = "unlisted"
UNDETERMINED = "undetermined"
NO_FAULT = "no_fault_found"

MOTORS = ("three_phase", "single_phase", "inverter", "permanent_magnet")
CONNECTIONS = ("star", "delta", "part_winding", "star_delta_start", "single_phase")
COMPRESSOR_TYPES = ("scroll", "rotary", "reciprocating", "screw")

Effort = Literal["ask", "look", "meter", "open", "lab"]
ALL_EFFORTS: tuple[Effort, ...] = get_args(Effort)
Deadline = Literal["opening", "scrapping", "restart"]
Kind = Literal["one", "several"]
SafetyGroup = Literal["A1", "A2L", "A2", "A3", "B1", "B2L", "B2", "B3"]
"""Toxicity (A lower, B higher) and flammability (1 none, 2L, 2, 3 highest) of ASHRAE 34."""
Share = Annotated[float, Meta(ge=0, le=100)]
Words = Annotated[str, Meta(min_length=1, max_length=1000)]


class _Row(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    pass


class Gate(_Row, frozen=True, kw_only=True):
    """The machines on which something can occur. An empty list of a field rules nothing out, nor does a field
    not known.
    """

    motors: list[str] = []
    connections: list[str] = []
    compressor_types: list[str] = []


class Condition(_Row, frozen=True, kw_only=True, rename={"outcomes": "in", "not_": "not"}):
    """Three-valued logic over findings; exactly one of the five forms.

    `finding` with `in` is unknown while the finding was not looked at. `unless` means "not known to be".
    """

    all: list["Condition"] | None = None
    any: list["Condition"] | None = None
    not_: "Condition | None" = None
    unless: "Condition | None" = None
    finding: Code | None = None
    outcomes: list[Code] | None = None


class When(_Row, frozen=True, kw_only=True):
    """When an action, caution, discount or limit applies: all of what is given must hold.

    `unit` and `opening` map a field to the values that fit; `unit` also knows `refrigerant_class` and
    `refrigerant_safety`, and says `unknown` for what was not sent; an opening says
    `not_stated`. `siblings` holds unless the compressor is known to be
    alone on its circuit.
    """

    unit: dict[str, list[str]] = {}
    opening: dict[str, list[str | bool]] = {}
    observed: Condition | None = None
    siblings: bool = False


class Step(_Row, frozen=True, kw_only=True):
    """One link of the chain from circumstance to final event, and the findings that show it."""

    step: Words
    seen_as: dict[Code, list[Code]]


class Action(_Row, frozen=True, kw_only=True):
    """What to do to the system so that the next compressor does not die the same way."""

    text: Words
    basis: Words
    when: When = When()


class Contrast(_Row, frozen=True, kw_only=True):
    """The check that tells a cause from one that looks like it."""

    against: Code
    check: Words


class Cause(_Row, frozen=True, kw_only=True):
    """One initiating cause."""

    title: Words
    family: Code
    summary: Words
    system_borne: bool
    gate: Gate = Gate()
    chain: list[Step]
    actions: list[Action]
    contrast: list[Contrast] = []


class Outcome(_Row, frozen=True, kw_only=True):
    """One answer to a finding's question.

    `definition` says it in a line that two people would apply alike. `shows` says what it says of the
    compressor itself: `damage`; `trouble` that a machine in order has only where something outside makes it;
    `sound`, a part or a measurement in order; `runs_well`, the whole machine tried and in order; or
    `outside_fault`, a measured fault outside it that has a cause of its own.
    `tags` name what can spoil the evidence.
    """

    code: Code
    title: Words
    definition: Words | None = None
    shows: Literal["damage", "trouble", "sound", "runs_well", "outside_fault"] | None = None
    tags: list[Code] = []
    gate: Gate = Gate()


class RowsOn(_Row, frozen=True, kw_only=True):
    """Frequencies on some machines, in place of a finding's general ones; a cause that is not listed keeps
    its general row.
    """

    when: Gate
    per_hundred: dict[Code, list[Share]]
    basis: Words
    background: list[Share] | None = None


class Finding(_Row, frozen=True, kw_only=True):
    """One thing to look at, and of 100 failures from each cause how many show each outcome (order of
    `outcomes`).

    `background` is the share among failures from unrelated causes; a cause that is not listed has the
    background's. Of `on_machines` each that names the machine at hand takes the place of rows before it.

    Of kind `one` the outcomes exclude each other, a row sums to 100 and the first outcome is the clear one.
    Of kind `several` each outcome is a sign of its own, seen or looked for and not there, with its own share
    of 100. `succeeded_by` names the finding that is asked in place of this one; this one is still taken and
    weighed, unless both were sent. `row_basis` says why a row is as it is, where `basis` does not.
    """

    station: Code
    kind: Kind = "one"
    title: Words
    question: Words
    effort: Effort
    group: Code
    outcomes: list[Outcome]
    background: list[Share]
    per_hundred: dict[Code, list[Share]]
    basis: Words
    before: Deadline | None = None
    gate: Gate = Gate()
    supersedes: list[Code] = []
    on_machines: list[RowsOn] = []
    succeeded_by: Code | None = None
    row_basis: dict[Code, Words] = {}


class Pattern(_Row, frozen=True, kw_only=True):
    """A finding computed from others. `present` gives its share in 100; while it holds, it replaces what it
    subsumes.

    Where two patterns that hold subsume the same finding, the higher `priority` takes it; a pattern all of
    whose evidence another of higher priority has taken does not count.
    """

    title: Words
    when: Condition
    subsumes: list[Code] = []
    priority: int = 0
    background: Share
    per_hundred: dict[Code, Share]
    basis: Words


class Group(_Row, frozen=True, kw_only=True):
    """Findings that are signs of one physical effect: the k-th strongest counts (1 - rho)^(k - 1)."""

    rho: Annotated[float, Meta(ge=0, le=1)]
    says: Words


class Override(_Row, frozen=True, kw_only=True):
    """Base rates on some machines, in place of the general ones."""

    when: Gate
    rates: dict[Code, Annotated[float, Meta(gt=0)]]


class Discount(_Row, frozen=True, kw_only=True):
    """Spoilt evidence: outcomes that bear one of `tags`, belong to one of `findings` or take one of `efforts`
    to see keep only `keep` of their weight; if `known` is given, only what is known in one of these ways.
    """

    when: When
    keep: Annotated[float, Meta(ge=0, le=1)]
    reason: Words
    tags: list[Code] = []
    findings: list[Code] = []
    efforts: list[Effort] = []
    known: list[Known] = []


class Closed(_Row, frozen=True, kw_only=True):
    """What it makes no sense to ask for: while `when` applies, findings of these stations, of these efforts
    (both, where both are given), or these findings are no next check.
    """

    when: When
    reason: Words
    stations: list[Code] = []
    efforts: list[Effort] = []
    findings: list[Code] = []


class Lost(_Row, frozen=True, kw_only=True):
    """A kind of evidence that is gone for good where `when` applies: `what` names it, and rows that say the
    same there are one kind.
    """

    when: When
    what: Words


class Caution(_Row, frozen=True, kw_only=True):
    """A warning to the people who work on the machine."""

    text: Words
    basis: Words
    when: When = When()


class Refrigerant(_Row, frozen=True, kw_only=True, rename={"class_": "class"}):
    """Chemical class and ASHRAE 34 safety group of a designation."""

    class_: Words
    safety: SafetyGroup


class Quantity(_Row, frozen=True, kw_only=True):
    """A quantity that limits judge: its unit, meaning, and the range in which a value is credible."""

    unit: Words
    meaning: Words
    lowest: float
    highest: float


class Band(_Row, frozen=True, kw_only=True):
    """Values below `below` (the last band: all others) yield `outcome`; no outcome says nothing."""

    below: float | None = None
    outcome: Code | None = None


class Limit(_Row, frozen=True, kw_only=True):
    """How a quantity becomes an outcome of a finding; of the limits for one quantity and finding the first
    that fits decides.
    """

    quantity: Code
    finding: Code
    bands: list[Band]
    basis: Words
    when: When = When()


class CauseLink(_Row, frozen=True, kw_only=True):
    """A cause that may bring another about: where both are supported, the first is what began it.

    Of 100 failures that `cause` began, `leads_to` followed in `per_hundred` and shows its signs too; at 0 the
    two are not weighed together.
    """

    cause: Code
    leads_to: Code
    per_hundred: Annotated[float, Meta(ge=0, lt=100)] = 0
    basis: Words


class Threshold(_Row, frozen=True, kw_only=True):
    """Least confidence of the leader, least ratio of first to second, least number of groups that support the
    leader.
    """

    least_confidence: Annotated[float, Meta(ge=0, le=1)]
    least_ratio: Annotated[float, Meta(ge=1)]
    least_groups: Annotated[int, Meta(ge=0, le=10)]


class Coding(_Row, frozen=True, kw_only=True):
    """When a leader is coded, when it is only named, and when the answer is a refusal.

    `strong_decibans` is strong support: what a contributing cause needs, and a sign on which an answer rests
    alone. Where `many_losses` kinds of evidence are lost, a leader must clear `after_loss` as well, and is
    named provisionally at best.
    """

    coded: Threshold
    provisional: Threshold
    after_loss: Threshold | None = None
    many_losses: Annotated[int, Meta(ge=1)] = 2
    thin_margin_decibans: Annotated[float, Meta(ge=0)]
    strong_decibans: Annotated[float, Meta(ge=0)]
    contradiction_ratio: Annotated[float, Meta(ge=0)]


class Retired(_Row, frozen=True, kw_only=True):
    """A code of an earlier table that forms may still send."""

    kind: Literal["cause", "finding", "outcome"]
    code: Code
    finding: Code | None = None
    renamed_to: Code | None = None


class RuleTable(_Row, frozen=True, kw_only=True):
    """One version of everything that decides an answer.

    `mistaken` is the share of findings that say nothing of the cause: wrongly seen, or signs of a second
    trouble. `unlisted_explains` is the share of what a known cause usually explains that a cause which the
    table does not know is taken to explain as well (0: nothing better than the background). `sharpness` is
    the power to which shares are raised before they are stated, so that of the answers that say 0.8 about 80
    in 100 are right: above 1 where the weights, careful one by one, together say less than they know.
    """

    format: Literal[1]
    temperature: Annotated[float, Meta(ge=1, le=10)]
    sharpness: Annotated[float, Meta(ge=1, le=2)] = 1
    mistaken: Annotated[float, Meta(ge=0, le=0.5)] = 0
    unlisted_explains: Annotated[float, Meta(ge=0, le=1)] = 0
    coding: Coding
    stations: list[Code]
    base_rates: dict[Code, Annotated[float, Meta(gt=0)]]
    base_rate_overrides: list[Override]
    causes: dict[Code, Cause]
    findings: dict[Code, Finding]
    patterns: dict[Code, Pattern]
    groups: dict[Code, Group]
    discounts: list[Discount]
    cautions: list[Caution]
    closed: list[Closed] = []
    lost: list[Lost] = []
    refrigerants: dict[str, Refrigerant]
    quantities: dict[Code, Quantity]
    limits: list[Limit]
    links: list[CauseLink] = []
    retired: list[Retired] = []


def spelling_key(designation: str) -> str:
    """What a refrigerant's designation is compared by: `R-410A`, `r410a` and `R 410A` have the same key."""
    return re.sub(r"[^A-Z0-9]", "", designation.upper()).removeprefix("R")


def canonical_table(table: RuleTable) -> bytes:
    """The table's one spelling: RFC 8785 bytes."""
    return rfc8785.dumps(msgspec.to_builtins(table))


def table_digest(table: RuleTable) -> str:
    """`sha256:` and the SHA-256 of the canonical bytes."""
    return digest_of(canonical_table(table))


def digest_of(canonical: bytes) -> str:
    """The same of a table's canonical bytes."""
    return "sha256:" + hashlib.sha256(canonical).hexdigest()


def from_document(document: Any) -> RuleTable:
    """A table from plain JSON values; raises `msgspec.ValidationError` at the first member of a wrong
    shape.
    """
    return msgspec.convert(document, RuleTable)
