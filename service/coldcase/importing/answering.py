"""The lines of a chunk answered together: exactly what each would be answered alone. Pure."""

from collections.abc import Sequence

import structlog

from coldcase.classifying import add_readings, answer_case
from coldcase.core.answer import Answer
from coldcase.core.answer_builder import build_answers
from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable
from coldcase.errors import ColdcaseError

_logger = structlog.get_logger(__name__)


class NoAnswer(ColdcaseError):
    """The engine has no answer to this case; it is logged, and nothing was recorded."""

    code = "internal"


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
