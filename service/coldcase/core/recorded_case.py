"""Cases that stand on record, taken once more: what of them is weighed, and the case that they were."""

from typing import Any

import msgspec

from coldcase.core.case import UNIT_LABELS, Case
from coldcase.core.case_checks import trimmed
from coldcase.core.case_reader import ParsedCase, parse_case, with_known_refrigerant
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.renaming import renamed

NEVER_WEIGHED = ("job", "evidence", "supersedes")


def weighed_part(raw: dict[str, Any]) -> dict[str, Any]:
    """A case on record without what never is weighed: labels that a later engine would refuse change no
    answer.
    """
    unit = {name: value for name, value in raw["unit"].items() if name not in UNIT_LABELS}
    return {name: value for name, value in raw.items() if name not in NEVER_WEIGHED} | {"unit": unit}


def parse_again(raw: Any, compiled: CompiledTable) -> ParsedCase:
    """The case of a JSON value that this engine has taken before, under a table of the same words, so that
    nothing need be looked for in it. Raises `BadCase` for what is no case by shape.
    """
    try:
        case = msgspec.convert(raw, Case)
    except msgspec.ValidationError:
        return parse_case(raw, compiled)
    case, notes = renamed(trimmed(case), compiled)
    return ParsedCase(with_known_refrigerant(case, compiled, notes), tuple(notes), raw, raw)
