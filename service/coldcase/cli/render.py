"""An answer on a terminal: cause, how sure, why, what to look at next, what to do, what to mind."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from coldcase.core.answer import Answer, ChainLink, DerivedValue, Lead, Weight
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.rule_table import When
from coldcase.core.titles import (
    ROLE_WORDS,
    STEP_WORDS,
    cause_title,
    finding_title,
    in_hundred,
    leaders,
    outcome_titles,
)

CELLS = 12
WIDEST_BAR = 20.0
"""Decibans that fill a bar."""
STYLES = {"coded": "bold green", "provisional": "bold yellow", "undetermined": "bold red"}
SAYS = {"coded": "", "provisional": "named for now, ", "undetermined": "no cause is named, "}


@dataclass(frozen=True, slots=True)
class Length:
    """How many lines of the long lists are printed; what to do is always printed whole."""

    weights: int
    checks: int
    cautions: int


IN_FULL = Length(weights=1000, checks=1000, cautions=1000)
BRIEF = Length(weights=3, checks=2, cautions=2)


def show(answer: Answer, compiled: CompiledTable, out: TextIO, length: Length = IN_FULL) -> None:
    """Prints an answer."""
    console = Console(file=out, highlight=False)
    for line in headline(answer):
        console.print(line)
    rows = Table.grid(padding=(0, 2))
    rows.add_column(style="dim", justify="right", min_width=9)
    rows.add_column()
    for label, lines in _sections(answer, compiled, length):
        for index, line in enumerate(lines):
            rows.add_row(label if index == 0 else "", line)
    console.print(Padding(rows, (0, 0, 1, 1)))


def headline(answer: Answer) -> tuple[Text, Text]:
    """The cause; ten dots for the confidence, and what the status means."""
    style = STYLES[answer.status]
    dots = round(answer.confidence * 10)
    line = Text(" ").append("●" * dots, style=style).append("○" * (10 - dots), style="dim")
    leads = " for the leader" if answer.status == "undetermined" else ""
    line.append(f" {in_hundred(answer.confidence)} of 100{leads}", style="bold")
    line.append(f"  {SAYS[answer.status]}compressor {answer.machine.replace('_', ' ')}", style="dim")
    return Text(f" {answer.title}", style=style), line


def overview(answers: Iterable[tuple[str, Answer]], out: TextIO) -> None:
    """One line an answer."""
    rows = Table.grid(padding=(0, 2))
    for name, answer in answers:
        style = STYLES[answer.status]
        rows.add_row(
            Text(name),
            Text(answer.title, style=style),
            Text(f"{in_hundred(answer.confidence):>3d}", style=style),
        )
    Console(file=out, highlight=False).print(Padding(rows, (0, 0, 1, 1)))


def _sections(answer: Answer, compiled: CompiledTable, length: Length) -> Iterable[tuple[str, list[Text]]]:
    refused = answer.status == "undetermined"
    notes = [Text(note, style="italic") for note in answer.notes]
    yield "refused", notes if refused else []
    yield "leading" if refused else "rivals", [Text(_ranked(answer, compiled))]
    yield "leads", [line for lead in answer.leads for line in _lead(lead, compiled, length)]
    yield "why", _cut([_weight(row, compiled) for row in answer.rationale], length.weights)
    yield (
        "against",
        _cut([_weight(row, compiled) for row in answer.against], 1 if length is BRIEF else length.weights),
    )
    yield (
        "besides",
        [Text(f"{ROLE_WORDS[row.role]}: {cause_title(row.cause, compiled)}") for row in answer.contributing],
    )
    if length is IN_FULL:
        yield "steps", [_step(link) for link in answer.chain]
        yield "readings", [_reading(row, compiled) for row in answer.derived if row.outcome]
    yield (
        "next",
        _cut([_check(row.question, row.effort, row.before) for row in answer.next_checks], length.checks),
    )
    yield "do", [Text(f"{number}. {row.text}") for number, row in enumerate(answer.actions, 1)]
    yield (
        "mind",
        _cut([Text(f"! {text}", style="yellow") for text in _cautions(answer, compiled)], length.cautions),
    )
    yield "note", [] if refused else notes


def _cut(lines: list[Text], most: int) -> list[Text]:
    return (
        lines if len(lines) <= most else [*lines[:most], Text(f"and {len(lines) - most} more", style="dim")]
    )


def _ranked(answer: Answer, compiled: CompiledTable) -> str:
    return ", ".join(
        f"{cause_title(row.cause, compiled)} {row.confidence * 100:.1f}" for row in leaders(answer)
    )


def _weight(row: Weight, compiled: CompiledTable) -> Text:
    filled = max(1, round(min(abs(row.decibans) / WIDEST_BAR, 1) * CELLS))
    line = Text("▆" * filled + " " * (CELLS - filled), style="green" if row.decibans > 0 else "red")
    line.append(f" {row.decibans:+5.1f} dB  ", style="dim")
    outcome = outcome_titles(row.finding, row.outcome, compiled, absent=row.absent)
    return line.append(
        f"{finding_title(row.finding, compiled)}: {outcome}",
        style="" if row.counted else "dim strike",
    )


def _lead(lead: Lead, compiled: CompiledTable, length: Length) -> Iterable[Text]:
    yield Text(lead.title, style="bold").append(f"  {in_hundred(lead.confidence)} of 100", style="dim")
    if length is IN_FULL:
        yield from (_weight(row, compiled) for row in lead.support)
    if lead.decided_by is not None:
        against = cause_title(lead.decided_by.against, compiled)
        yield Text(f"→ {lead.decided_by.check}").append(f"  against: {against}", style="dim")


def _step(link: ChainLink) -> Text:
    line = Text(f"{'●' if link.state == 'seen' else '○'} {link.step}")
    return line if link.state == "seen" else line.append(f"  {STEP_WORDS[link.state]}", style="dim")


def _reading(row: DerivedValue, compiled: CompiledTable) -> Text:
    outcome = outcome_titles(row.finding or "", row.outcome or "", compiled)
    upper = "" if row.to is None else f" to {row.to}"
    return Text(f"{finding_title(row.finding or '', compiled)}: {row.value}{upper} {row.unit}, {outcome}")


def _cautions(answer: Answer, compiled: CompiledTable) -> list[str]:
    """Those that this case calls for before those that always hold."""
    always = {row.text for row in compiled.table.cautions if row.when == When()}
    return sorted((row.text for row in answer.cautions), key=lambda text: text in always)


def _check(question: str, effort: str, before: str | None) -> Text:
    line = Text(question)
    return line.append(f"  {effort}{f', before {before}' if before else ''}", style="dim")
