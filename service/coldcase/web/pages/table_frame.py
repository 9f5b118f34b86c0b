"""What all pages of one rule table share: its name, where its rows are, the remarks on a place, and words."""

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

import msgspec

from coldcase.core.rule_table import RuleTable
from coldcase.db.rule_tables import StoredTable, is_draft
from coldcase.web.pages.rule_words import TableWords
from coldcase.web.remark_schemas import Remark


class TablePage:
    """One version as its pages see it: `words` for its codes, paths of its rows, remarks by place."""

    def __init__(self, stored: StoredTable, table: RuleTable, remarks: Sequence[Remark] = ()) -> None:
        self.stored = stored
        self.table = table
        self.remarks = remarks
        self.words = TableWords(table)
        self.path = f"/tables/{stored.version}"
        self.is_draft = is_draft(stored)

    def cause_path(self, code: str) -> str | None:
        """Where a cause has its page; None for what has none."""
        return f"{self.path}/causes/{quote(code)}" if code in self.table.causes else None

    def finding_path(self, code: str, anchor: str = "") -> str | None:
        """Where a finding, or a pattern, has its page."""
        if code not in self.table.findings and code not in self.table.patterns:
            return None
        return f"{self.path}/findings/{quote(code)}{f'#{quote(anchor)}' if anchor else ''}"

    def limit_path(self, place: int) -> str:
        """Where a limit stands on the page of limits."""
        return f"{self.path}/limits#limit-{place}"

    def remarks_at(self, *pointers: str) -> list[dict[str, Any]]:
        """The remarks on these places and what is below them, the open ones first."""
        order = {"open": 0, "answered": 1, "settled": 2}
        found = [
            one for one in self.remarks if any(f"{one.pointer}/".startswith(f"{at}/") for at in pointers)
        ]
        return [self.remark(one) for one in sorted(found, key=lambda one: order[one.state])]

    def remark(self, one: Remark) -> dict[str, Any]:
        """A remark as its macro shows it."""
        place, titled = self.place_of(one.pointer)
        return {
            "said": one,
            "proposed": None if one.proposal is None else _value(one.proposal),
            "place": titled,
            "path": place,
        }

    def place_of(self, pointer: str) -> tuple[str, str]:
        """The page on which a place of the document is shown, and what people call it."""
        parts = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
        found: tuple[str | None, str] = self.path, "the table as a whole"
        match parts:
            case ["causes" | "base_rates", code, *_] if code in self.table.causes:
                found = self.cause_path(code), self.words.cause(code)
            case ["findings", code, "per_hundred" | "row_basis", cause, *_] if code in self.table.findings:
                of = f"{self.words.finding(code)}: {self.words.cause(cause)}"
                found = self.finding_path(code, f"row-{cause}"), of
            case ["findings" | "patterns", code, *_] if self.finding_path(code):
                found = self.finding_path(code), self.words.finding(code)
            case ["limits", place, *_] if place.isdigit() and int(place) < len(self.table.limits):
                limit = self.table.limits[int(place)]
                found = self.limit_path(int(place)), f"limit of {self.words.quantity(limit.quantity).lower()}"
            case ["quantities", code, *_] if code in self.table.quantities:
                found = f"{self.path}/limits#{quote(code)}", self.words.quantity(code)
            case ["cautions" | "discounts" as kind, place, *_] if place.isdigit():
                found = f"{self.path}#{kind.removesuffix('s')}-{place}", f"a {kind.removesuffix('s')}"
        return found[0] or self.path, found[1]


def _value(proposal: Any) -> str:
    """What should stand there, short values as people write them."""
    if isinstance(proposal, list) and all(isinstance(one, int | float) for one in proposal):
        return ", ".join(f"{one:g}" for one in proposal)
    return proposal if isinstance(proposal, str) else msgspec.json.encode(proposal).decode()


def share(value: float) -> str:
    """A share of 100 as people say it."""
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}".removesuffix(".0")


def times(here: float, elsewhere: float) -> str:
    """How much more, or less, often: what a reader would work out in the head."""
    if here >= elsewhere:
        ratio, word = here / max(elsewhere, 0.05), "more"
    else:
        ratio, word = elsewhere / max(here, 0.05), "less"
    if ratio < 1.15:
        return "about as often"
    if ratio < 1.75:
        return f"somewhat {word} often"
    number = f"{ratio:.0f}" if ratio >= 3 else f"{ratio:.1f}".removesuffix(".0")
    return f"about {number} times {'as' if word == 'more' else 'less'} often"
