"""The lines of a chunk answered together: exactly what each would be answered alone. Pure."""

from collections.abc import Sequence

import structlog

from coldcase.classifying import add_readings, answer_case
from coldcase.core.answer import Answer
from coldcase.core.answer_builder import build_answers
from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import ColdcaseError
from coldcase.kept_answers import KeptAnswers, WrittenAnswer, evidence_key, with_json

_logger = structlog.get_logger(__name__)

KEPT_BYTES = 16 * 1024 * 1024
"""Of answers, in each process that answers lines."""


class NoAnswer(ColdcaseError):
    """The engine has no answer to this case; it is logged, and nothing was recorded."""

    code = "internal"


def written_answers(
    cases: Sequence[ParsedCase], compiled: CompiledTable, kept: KeptAnswers, *, next_checks: bool
) -> list[WrittenAnswer | NoAnswer]:
    """The answers with their JSON, in the order of the cases, without ids; those that are kept are not worked
    out again.
    """
    # One that is not to be kept is known by its place.
    keys: list[bytes | int] = [
        evidence_key(one, compiled, next_checks=next_checks) or place for place, one in enumerate(cases)
    ]
    found: dict[bytes | int, WrittenAnswer | NoAnswer] = {}
    asked: dict[bytes | int, ParsedCase] = {}
    for key, one in zip(keys, cases, strict=True):
        if key not in found and key not in asked:
            known = kept.get(key) if isinstance(key, bytes) else None
            if known is None:
                asked[key] = one
            else:
                found[key] = known
    for key, answer in zip(
        asked, answers(list(asked.values()), compiled, next_checks=next_checks), strict=True
    ):
        if isinstance(answer, NoAnswer):
            found[key] = answer
        else:
            found[key] = kept.keep(key, answer) if isinstance(key, bytes) else with_json(answer)
    return [_to(found[key], one) for key, one in zip(keys, cases, strict=True)]


def _to(found: WrittenAnswer | NoAnswer, parsed: ParsedCase) -> WrittenAnswer | NoAnswer:
    return found if isinstance(found, NoAnswer) else found.to(parsed)


def answers(
    cases: Sequence[ParsedCase], compiled: CompiledTable, *, next_checks: bool
) -> list[Answer | NoAnswer]:
    """The answers, in the order of the cases, without ids."""
    try:
        return list(
            build_answers([add_readings(one, compiled) for one in cases], compiled, next_checks=next_checks)
        )
    except Exception:  # noqa: BLE001 - one case's trouble is not its neighbours': each is asked alone below
        return [_alone(one, compiled, next_checks=next_checks) for one in cases]


def _alone(parsed: ParsedCase, compiled: CompiledTable, *, next_checks: bool) -> Answer | NoAnswer:
    try:
        return answer_case(parsed, compiled, next_checks=next_checks)
    except Exception:
        _logger.exception("a line could not be answered")
        return NoAnswer()
