"""Refrigerants as people write them: designations in any case, short forms, chemical names and formulas.

Numbers and names belong together by ASHRAE 34 [from memory].
"""

import re
from collections.abc import Mapping

from coldcase.core.rule_table import spelling_key

DESIGNATION_BY_NAME = {
    "ammonia": "R-717", "nh3": "R-717", "carbon dioxide": "R-744", "co2": "R-744", "propane": "R-290",
    "c3h8": "R-290",
    "isobutane": "R-600a", "i butane": "R-600a", "methylpropane": "R-600a", "2 methylpropane": "R-600a",
    "butane": "R-600",
    "n butane": "R-600", "ethane": "R-170", "c2h6": "R-170", "ethylene": "R-1150", "ethene": "R-1150",
    "c2h4": "R-1150",
    "propylene": "R-1270", "propene": "R-1270", "c3h6": "R-1270", "methane": "R-50", "ch4": "R-50",
    "pentane": "R-601",
    "n pentane": "R-601", "isopentane": "R-601a", "r410": "R-410A", "410": "R-410A",
}  # fmt: skip
"""Names and formulas, and R-410, which means the A wherever it is said; without hyphens, in small letters."""

_DESIGNATION = re.compile(
    r"(?:(?:R|HFC|HFO|HCFC|CFC|HCFO|HC)[ -]?)?(?P<number>[0-9]{2,4})"
    r"(?:[ -]?(?P<letters>[A-Z]{1,3}))?(?:[ -]?\(?(?P<form>[EZ])\)?)?",
    re.IGNORECASE,
)


def designation_of(text: str, known: Mapping[str, str]) -> str | None:
    """The designation that a text means, of those in `known` (designations by their `spelling_key`); None if
    none does.

    A short form (`R-507`, `R-1234ze`) means the one known designation that has a letter or an isomer more.
    """
    words = re.sub(r"[\s-]+", " ", text.strip()).lower()
    named = DESIGNATION_BY_NAME.get(words) or DESIGNATION_BY_NAME.get(words.replace(" ", ""))
    if named is not None:
        return known.get(spelling_key(named))
    written = _DESIGNATION.fullmatch(text.strip())
    if written is None:
        return None
    key = "".join(part.upper() for part in written.group("number", "letters", "form") if part)
    if key in known:
        return known[key]
    longer = [
        designation
        for other, designation in known.items()
        if len(other) == len(key) + 1 and other[:-1] == key and other[-1].isalpha()
    ]
    return longer[0] if len(longer) == 1 else None


def is_respelled(text: str, designation: str) -> bool:
    """Whether a text differs from a designation in more than capitals, hyphens, blanks and brackets."""
    return re.sub(r"[\s()-]+", "", text).upper() != re.sub(r"[()-]+", "", designation).upper()
