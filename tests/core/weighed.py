"""What tests look up in a weighing."""

from coldcase.core.case import Case
from coldcase.core.weighing import Weighed, WeighedFinding
from tests.core.tables import compiled_starter, weighed_of


def starter_weighed(case: Case) -> Weighed:
    return weighed_of(case, compiled_starter())


def confidence(weighed: Weighed) -> dict[str, int]:
    return dict(zip(weighed.model.causes, weighed.confidence, strict=True))


def item(weighed: Weighed, code: str) -> WeighedFinding:
    return next(item for item in weighed.items if item.code == code)


def counted(weighed: Weighed, code: str) -> list[int]:
    """What a finding counts for each cause, in nanobans."""
    place = [item.code for item in weighed.items].index(code)
    row: list[int] = weighed.counted[place].tolist()
    return row
