"""What stands on the report of one decision, worked out before the template sees it."""

from typing import Any

from coldcase.core.answer import Answer, Lead, Weight
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.titles import (
    ROLE_WORDS,
    STEP_WORDS,
    cause_title,
    finding_title,
    in_hundred,
    leaders,
    outcome_titles,
)
from coldcase.decision_record import DecisionInContext

WIDEST_BALANCE = 20.0
"""Decibans that fill half of the balance; heavier evidence is drawn no wider."""

STATUS = {
    "coded": "named: the evidence carries it",
    "provisional": "named for now: the evidence is weaker than a code asks for",
    "undetermined": "not named: the evidence does not carry it",
}
MACHINE = {
    "damaged": "The findings show damage in the compressor.",
    "sound": "The findings show a sound compressor.",
    "not_shown": "The findings do not say whether the compressor itself is damaged.",
}
BEFORE = {"opening": "before opening", "scrapping": "before scrapping", "restart": "before restart"}
EFFORT_WORDS = {"ask": "ask", "look": "look", "meter": "measure", "open": "open up", "lab": "laboratory"}


def report_context(answer: Answer, case: dict[str, Any], compiled: CompiledTable) -> dict[str, Any]:
    """What the template is filled with."""
    return {
        "answer": answer,
        "unit": [(name.replace("_", " "), _shown(value)) for name, value in case.get("unit", {}).items()],
        "job": [(name.replace("_", " "), _shown(value)) for name, value in case.get("job", {}).items()],
        "evidence": case.get("evidence", []),
        "observed": [_observed(code, said, compiled) for code, said in case.get("observations", {}).items()],
        "status": STATUS[answer.status],
        "machine": MACHINE[answer.machine],
        "in_hundred": in_hundred(answer.confidence),
        "leaders": [(cause_title(ranked.cause, compiled), ranked.confidence) for ranked in leaders(answer)],
        "leads": [_lead(lead, compiled) for lead in answer.leads],
        "balance": [_row(weight, compiled) for weight in (*answer.rationale, *answer.against)],
        "chain": [
            (
                link.step,
                link.state,
                STEP_WORDS[link.state],
                [finding_title(code, compiled) for code in link.by],
            )
            for link in answer.chain
        ],
        "contributing": [
            (
                ROLE_WORDS[row.role],
                cause_title(row.cause, compiled),
                row.support_decibans,
                [finding_title(code, compiled) for code in row.explains],
            )
            for row in answer.contributing
        ],
        "unexplained": [finding_title(code, compiled) for code in answer.unexplained],
        "discounted": [
            (finding_title(row.finding, compiled), round(row.kept * 100), row.reason)
            for row in answer.discounted
        ],
        "checks": [
            (row.question, EFFORT_WORDS.get(row.effort, row.effort), BEFORE.get(row.before or "", ""))
            for row in answer.next_checks
        ],
    }


BASIS = {
    "teardown": "teardown",
    "laboratory": "laboratory",
    "field": "in the field",
    "supplier_report": "supplier's report",
}


def afterwards(record: DecisionInContext, compiled: CompiledTable) -> dict[str, Any]:
    """Verdicts on the decision, the newest first, and earlier decisions on the same circuit."""
    return {
        "verdicts": [
            (
                cause_title(row.cause or "not_determinable", compiled),
                BASIS[row.basis],
                row.established_at or row.recorded_at,
                row.established_by or row.person,
                row.note,
            )
            for row in record.verdicts
        ],
        "earlier": [
            (cause_title(row.cause, compiled), row.at, row.job_ref or str(row.id)) for row in record.earlier
        ],
    }


KNOWN = {"seen": "", "measured": "measured", "told": "told, not seen", "assumed": "assumed"}


def _observed(code: str, said: Any, compiled: CompiledTable) -> dict[str, str]:
    """An observation as it was sent; what was disputed stands beside it."""
    detail = said if isinstance(said, dict) else {"outcome": said}

    def words(outcome: str | list[str], *, absent: bool = False) -> str:
        return outcome_titles(code, outcome, compiled, absent=absent)

    several = code in compiled.table.findings and compiled.table.findings[code].kind == "several"
    named = detail.get("outcome") or []
    seen = [*([named] if isinstance(named, str) else named), *detail.get("seen", [])]
    outcomes = [words(each) for each in seen] if several else [words(seen)] if seen else []
    outcomes += [words(each, absent=True) for each in detail.get("not_seen", [])]
    disputed = detail.get("disputed_by") or {}
    return {
        "finding": finding_title(code, compiled),
        "outcomes": "; ".join(outcomes),
        "known": KNOWN[detail.get("known") or "seen"],
        "since": detail.get("since") or "",
        "disputed": words(disputed["outcome"]) if disputed else "",
        "by": disputed.get("by") or "somebody else",
    }


def _lead(lead: Lead, compiled: CompiledTable) -> dict[str, Any]:
    decided = lead.decided_by
    return {
        "title": lead.title,
        "in_hundred": in_hundred(lead.confidence),
        "support": [weight.sentence for weight in lead.support],
        "check": decided.check if decided else None,
        "against": cause_title(decided.against, compiled) if decided else None,
    }


def _row(weight: Weight, compiled: CompiledTable) -> dict[str, Any]:
    return {
        "finding": finding_title(weight.finding, compiled),
        "outcome": outcome_titles(weight.finding, weight.outcome, compiled, absent=weight.absent),
        "decibans": weight.decibans,
        "share": min(abs(weight.decibans) / WIDEST_BALANCE, 1) * 50,
        "strength": weight.strength,
        "sentence": weight.sentence,
        "counted": weight.counted,
        "source": weight.source,
    }


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return " ".join(str(part) for part in value.values())
    return str(value).replace("_", " ")
