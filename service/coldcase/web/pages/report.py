"""What stands on the report of one decision for whoever owns the machine: what failed it and why, how sure
that is, what shows it, what to do. Worked out before the template sees it.
"""

import re
from typing import Any
from urllib.parse import quote

from coldcase.core.answer import Answer, ChainLink, Lead, Weight
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.titles import (
    ROLE_WORDS,
    STEP_WORDS,
    cause_title,
    finding_title,
    in_hundred,
    leaders,
)
from coldcase.decision_record import DecisionInContext
from coldcase.web.pages.case_words import BEFORE_WORDS, REFUSED_WORDS
from coldcase.web.pages.report_bench import bench_context, in_words
from coldcase.web.pages.trade_names import trade_name

MOST_SIGNS_SHOWN = 4
"""Signs that stand open; weaker ones are one click away, and on paper."""

STATUS_SAID = {
    "coded": "Named: the evidence carries it.",
    "provisional": "Named for now: the evidence is weaker than a firm answer asks for.",
    "undetermined": "Not named: the evidence does not carry any one cause.",
}
MACHINE = {
    "damaged": "The findings show damage in the compressor.",
    "sound": "The findings show a sound compressor.",
    "not_shown": "The findings do not say whether the compressor itself is damaged.",
}
EFFORT_WORDS = {"ask": "ask", "look": "look", "meter": "measure", "open": "open up", "lab": "laboratory"}
BASIS = {
    "teardown": "teardown",
    "laboratory": "laboratory",
    "field": "in the field",
    "supplier_report": "supplier's report",
}
# How the engine says a frequency (`core/wording.py`). A sentence of a release that says it otherwise is shown
# as it stands.
FREQUENCY = re.compile(
    r"(?P<found>.*?)\. Of 100 failures from this cause about (?P<here>[\d.]+) show it, "
    r"of 100 unrelated failures about (?P<elsewhere>[\d.]+)\."
)


def report_context(
    answer: Answer, case: dict[str, Any], compiled: CompiledTable, record: DecisionInContext
) -> dict[str, Any]:
    """What the template is filled with. `linked` is for the caller to say: whether findings, causes and
    limits lead to the pages of their rule table.
    """
    base = None if answer.rule_table.version is None else f"/tables/{answer.rule_table.version}"
    named = answer.status != "undetermined"
    rows = [_sign(row, answer.cause, base, compiled) for row in answer.rationale]
    counted, against = [row for row in rows if row["counted"]], answer.against
    return {
        "answer": answer,
        "named": named,
        "base": base,
        "heading": trade_name(answer.cause, compiled),
        "plainly": _plainly(answer, compiled),
        "machine_name": _machine_name(case),
        "named_words": STATUS_SAID[answer.status],
        "machine_words": MACHINE[answer.machine],
        # Why nothing is named stands above in words; the engine says it in its own measure.
        "notes": [in_words(note) for note in answer.notes if "decibans" not in note],
        "refused": REFUSED_WORDS.get(answer.refused_because or "", ""),
        "hundred": max(in_hundred(answer.confidence), 1),
        "next_likely": [
            (trade_name(row.cause, compiled), max(round(row.confidence * 100), 0)) for row in leaders(answer)
        ],
        "shown": counted[:MOST_SIGNS_SHOWN],
        "further": counted[MOST_SIGNS_SHOWN:],
        "elsewhere_counted": [row for row in rows if not row["counted"]],
        "against": [_sign(row, answer.cause, base, compiled) for row in against],
        "unexplained": [_titled(code, base, compiled) for code in answer.unexplained],
        "contributing": [
            {
                "role": ROLE_WORDS[row.role],
                "cause": trade_name(row.cause, compiled),
                "path": _cause_path(row.cause, base, compiled),
                "explains": [finding_title(code, compiled) for code in row.explains],
            }
            for row in answer.contributing
        ],
        "leads": [_lead(row, base, compiled) for row in answer.leads],
        "chain": [_step(row, base, compiled) for row in answer.chain],
        "checks": [
            (
                _titled(row.finding, base, compiled)["path"],
                row.question,
                EFFORT_WORDS.get(row.effort, row.effort),
                BEFORE_WORDS.get(row.before or "", ""),
            )
            for row in answer.next_checks
        ],
        "cause_path": _cause_path(answer.cause, base, compiled),
        **_afterwards(record, compiled),
        **bench_context(answer, case, compiled, base),
    }


def _plainly(answer: Answer, compiled: CompiledTable) -> tuple[str, str]:
    """The title of the rule table, where it says more than the heading, and what it means."""
    cause = compiled.table.causes.get(answer.cause)
    title = "" if answer.title == trade_name(answer.cause, compiled) else answer.title
    return title, cause.summary if cause else ""


def _machine_name(case: dict[str, Any]) -> str:
    """The machine in words, as far as it was said: "scroll compressor B-2"."""
    unit = case.get("unit", {})
    kind = unit.get("compressor_type", "unknown")
    words = [*([] if kind == "unknown" else [kind]), "compressor"]
    words += [unit["ref"]] if unit.get("ref") else []
    return " ".join(words)


def _sign(weight: Weight, cause: str, base: str | None, compiled: CompiledTable) -> dict[str, Any]:
    """One finding's say: what was found, and of 100 failures from this cause and of 100 others how many show
    it.
    """
    said = FREQUENCY.match(weight.sentence)
    found = said["found"] if said else weight.sentence
    _, _, rest = weight.sentence.partition(f"'{cause_title(cause, compiled)}'.")
    return {
        "path": _finding_path(weight.finding, base, compiled, cause),
        "found": f"{found}.".replace("..", "."),
        "here": said["here"] if said else None,
        "elsewhere": said["elsewhere"] if said else None,
        "counted": weight.counted,
        "rest": rest.strip() if weight.counted else weight.sentence.rpartition("Not counted again: ")[2],
    }


def _lead(lead: Lead, base: str | None, compiled: CompiledTable) -> dict[str, Any]:
    decided = lead.decided_by
    return {
        "name": trade_name(lead.cause, compiled),
        "title": "" if lead.title == trade_name(lead.cause, compiled) else lead.title,
        "path": _cause_path(lead.cause, base, compiled),
        "hundred": max(in_hundred(lead.confidence), 1),
        "support": [_sign(row, lead.cause, base, compiled) for row in lead.support],
        "check": decided.check if decided else None,
        "against": trade_name(decided.against, compiled) if decided else None,
    }


def _step(link: ChainLink, base: str | None, compiled: CompiledTable) -> dict[str, Any]:
    return {
        "step": link.step,
        "state": link.state,
        "words": STEP_WORDS[link.state],
        "by": [_titled(code, base, compiled) for code in link.by],
    }


def _titled(code: str, base: str | None, compiled: CompiledTable) -> dict[str, Any]:
    return {"title": finding_title(code, compiled), "path": _finding_path(code, base, compiled)}


def _finding_path(
    code: str, base: str | None, compiled: CompiledTable, cause: str | None = None
) -> str | None:
    if base is None or (code not in compiled.table.findings and code not in compiled.table.patterns):
        return None
    rows = f"?cause={quote(cause)}" if cause in compiled.table.causes else ""
    return f"{base}/findings/{quote(code)}{rows}"


def _cause_path(code: str, base: str | None, compiled: CompiledTable) -> str | None:
    return None if base is None or code not in compiled.table.causes else f"{base}/causes/{quote(code)}"


def _afterwards(record: DecisionInContext, compiled: CompiledTable) -> dict[str, Any]:
    """What became of the decision: its place in the chain, verdicts with the newest first, earlier decisions
    on the same circuit.
    """
    ids = [link.id for link in record.chain]
    place = ids.index(record.decision.id) if record.decision.id in ids else 0
    return {
        "superseded_by": record.chain[place + 1 :][-1:],
        "supersedes": record.chain[:place][-1:],
        "client": record.decision.client,
        "verdicts": [
            {
                "title": cause_title(row.cause or "not_determinable", compiled),
                "basis": BASIS[row.basis],
                "at": row.established_at or row.recorded_at,
                "person": row.established_by or row.person,
                "note": row.note,
            }
            for row in record.verdicts
        ],
        "earlier": [
            {
                "id": row.id,
                "title": trade_name(row.cause, compiled),
                "at": row.at,
                "job": row.job_ref,
            }
            for row in record.earlier
        ],
    }
