"""The answer so far, as it stands beside the case form: in words, with frequencies a person can picture."""

from collections.abc import Sequence
from typing import Any

from coldcase.core.answer import Answer, Lead
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import UNDETERMINED
from coldcase.core.titles import cause_title, in_hundred, leaders
from coldcase.web.pages.case_words import REFUSED_WORDS
from coldcase.web.pages.trade_names import trade_name

MOST_SENTENCES = 3


def answer_so_far(
    answer: Answer | None, compiled: CompiledTable, notes: Sequence[str] = ()
) -> dict[str, Any] | None:
    """The answer in words: what leads, how sure, what speaks for it, or what is missing; `notes` say how the
    case was read. None where the machine is not known or nothing was found yet.
    """
    if answer is None:
        return None
    named = answer.status != UNDETERMINED
    hundred = in_hundred(answer.confidence)
    first = answer.ranking[0].cause
    title, plainly = trade_name(first, compiled), cause_title(first, compiled)
    return {
        "named": named,
        "title": title,
        "plainly": plainly if plainly != title else "",
        "hundred": hundred,
        "line": _line(answer, title, hundred),
        "firm": answer.status == "coded",
        "others": [(trade_name(row.cause, compiled), in_hundred(row.confidence)) for row in leaders(answer)],
        "sentences": [_plainly(weight.sentence) for weight in answer.rationale if weight.counted][
            :MOST_SENTENCES
        ],
        "against": [_plainly(weight.sentence) for weight in answer.against if weight.counted][:2],
        "why_not": "" if named else REFUSED_WORDS.get(answer.refused_because or "", ""),
        "leads": [] if named else [_lead(lead, compiled) for lead in answer.leads],
        "cautions": [row.text for row in answer.cautions],
        "notes": notes,
    }


def _line(answer: Answer, leader: str, hundred: int) -> str:
    if answer.status == UNDETERMINED:
        return f"No cause yet. In front: {leader}, {hundred} of 100."
    firm = "Named" if answer.status == "coded" else "Named for now"
    return f"{firm}: {leader}, right in about {hundred} of 100 such answers."


def _lead(lead: Lead, compiled: CompiledTable) -> dict[str, Any]:
    decided = lead.decided_by
    return {
        "title": trade_name(lead.cause, compiled),
        "hundred": in_hundred(lead.confidence),
        "sentences": [_plainly(weight.sentence) for weight in lead.support][:2],
        "check": decided.check if decided else "",
        "against": trade_name(decided.against, compiled) if decided else "",
    }


def _plainly(sentence: str) -> str:
    """A sentence up to how strong that is: on the way the frequencies are enough."""
    found, ends, _ = sentence.partition(" show it, of 100 unrelated failures about ")
    if not ends:
        return sentence
    return found + ends + sentence[len(found) + len(ends) :].partition(". ")[0].removesuffix(".") + "."
