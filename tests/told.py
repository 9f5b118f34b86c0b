"""Counts of how many told cases said each finding: the chance that a question of the case form is answered.

`python -m tests.told` writes them where the form reads them. The cases are those of `tests/cases` that clerks
coded from what people told; what an older finding said counts for its successor.
"""

from collections import Counter
from pathlib import Path

from coldcase import classifying
from coldcase.core.signs import whole
from coldcase.errors import BadCase
from tests.accuracy.cases import SETS, cases_of, starter

PLACE = Path(__file__).parents[1] / "service" / "coldcase" / "web" / "pages" / "told.toml"
HEAD = "# Of the cases that people told, how many said each finding. Counted by `python -m tests.told`.\n"


def told_text() -> str:
    """The file as it should be."""
    compiled, counted, cases = starter(), Counter[str](), 0
    for truth in (truth for name in SETS for truth in cases_of(name)):
        try:
            parsed = classifying.case_of(truth.case, compiled)
        except BadCase:
            continue
        cases += 1
        derived = classifying.add_outcomes(parsed, compiled).derived
        said = {*parsed.case.observations, *map(whole, derived)}
        counted.update({compiled.table.findings[code].succeeded_by or code for code in said})
    rows = [f"{code} = {told}" for code, told in sorted(counted.items())]
    return "\n".join([f"{HEAD}cases = {cases}", "", "[findings]", *rows, ""])


if __name__ == "__main__":
    PLACE.write_text(told_text(), encoding="utf-8")
