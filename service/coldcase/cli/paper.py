"""An answer on a terminal: cause, how sure, why, what to look at next, what to do, what to mind."""

from collections.abc import Iterable
from typing import TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from coldcase.core.answer import Answer, Weight
from coldcase.core.compiled import Book
from coldcase.core.rule_table import When
from coldcase.web.pages.report import cause_title, finding_title, outcome_titles

CELLS = 12
WIDEST = 20.0
"""Decibans that fill a bar."""


def show(answer: Answer, book: Book, out: TextIO, *, most: int = 4) -> None:
    """Prints an answer; of the long lists the first `most`."""
    console = Console(file=out, highlight=False)
    console.print(headline(answer))
    rows = Table.grid(padding=(0, 2))
    rows.add_column(style="dim", justify="right", min_width=9)
    rows.add_column()
    for label, lines in _sections(answer, book, most):
        for index, line in enumerate(lines):
            rows.add_row(label if index == 0 else "", line)
    console.print(Padding(rows, (0, 0, 1, 1)))


def headline(answer: Answer) -> Text:
    """The cause, ten dots for the confidence, and what the status means."""
    dots = round(answer.confidence * 10)
    style = {"coded": "bold green", "provisional": "bold yellow", "undetermined": "bold red"}[answer.status]
    line = Text(f" {answer.title} ", style=style)
    line.append("●" * dots, style=style).append("○" * (10 - dots), style="dim")
    line.append(f" {answer.confidence * 100:.0f} of 100", style="bold")
    says = {"coded": "named", "provisional": "named for now", "undetermined": "refused; the leader's confidence"}[answer.status]
    return line.append(f"  {says}; compressor {answer.machine.replace('_', ' ')}", style="dim")


def _sections(answer: Answer, book: Book, most: int) -> Iterable[tuple[str, list[Text]]]:
    yield "why", [_weight(row, book) for row in answer.rationale[:most]]
    yield "against", [_weight(row, book) for row in answer.against[: most - 1]]
    yield "rivals", [Text(", ".join(f"{cause_title(row.cause, book)} {row.confidence * 100:.1f}" for row in answer.ranking[1:4]))]
    yield "steps", [Text(f"{'●' if link.state == 'seen' else '○'} {link.step}") for link in answer.chain if link.state != "not_checked"]
    yield (
        "readings",
        [Text(f"{row.quantity.replace('_', ' ')} {row.value} {row.unit}: {row.outcome}") for row in answer.derived if row.outcome],
    )
    yield "next", [_check(row.question, row.effort, row.before) for row in answer.next_checks[: most - 1]]
    yield "do", [Text(f"{number}. {row.text}") for number, row in enumerate(answer.actions[:most], 1)]
    yield "mind", [Text(f"! {text}", style="yellow") for text in _cautions(answer, book, most)]
    yield "note", [Text(note, style="italic") for note in answer.notes]


def _weight(row: Weight, book: Book) -> Text:
    filled = max(1, round(min(abs(row.decibans) / WIDEST, 1) * CELLS))
    line = Text("▆" * filled + " " * (CELLS - filled), style="green" if row.decibans > 0 else "red")
    line.append(f" {row.decibans:+5.1f} dB  ", style="dim")
    return line.append(f"{finding_title(row.finding, book)}: {outcome_titles(row, book)}", style="" if row.counted else "dim strike")


def _cautions(answer: Answer, book: Book, most: int) -> list[str]:
    """Those that this case calls for before those that always hold."""
    always = {row.text for row in book.table.cautions if row.when == When()}
    return sorted((row.text for row in answer.cautions), key=lambda text: text in always)[:most]


def _check(question: str, effort: str, before: str | None) -> Text:
    line = Text(question)
    return line.append(f"  {effort}{f', before {before}' if before else ''}", style="dim")
