"""A rule table tried on some cases: recorded decisions, or those of a library. Pure."""

from collections.abc import Mapping, Sequence
from uuid import UUID

import msgspec

from coldcase.backtesting.answering_again import AnswersAgain, recorded_answer
from coldcase.backtesting.comparing import Compared, ComparisonTally, Example, Kept
from coldcase.backtesting.paired import merged
from coldcase.backtesting.touching import AskedAgain
from coldcase.core.compiled_table import CompiledTable
from coldcase.core.short_answers import ShortAnswer
from coldcase.db.backtests import RecordedRow
from coldcase.shipped import LibraryCase


def compare_recorded(
    rows: Sequence[RecordedRow],
    established: Mapping[UUID, str | None],
    again: AnswersAgain,
    tally: ComparisonTally,
) -> None:
    """Counts what the table says of recorded decisions beside what was said; `established` has the causes of
    those on which there is a verdict, None where nobody could say one. What the table cannot say anything
    else of is not answered again.
    """
    asked = {row.id: one for row in rows if (one := again.touched.asked_again(row)) is not None}
    answers = dict(zip(asked, again.answers([*asked.values()]), strict=True))
    for row in rows:
        after = answers.get(row.id)
        if isinstance(after, tuple):
            tally.add_unreadable(after, Kept(row.client_id, Example(decision=row.id)))
            continue
        if after is None and row.id not in established:
            tally.add_same()
            continue
        known = None
        if row.id in established:
            cause = established[row.id]
            known = merged([] if cause is None else [cause], again.renamed)
        # Only the scores of what was established need the whole ranking.
        same = after.cautions if after is not None and asked[row.id].warned else None
        before = recorded_answer(row, again.renamed, ranked=known is not None, cautions=same)
        tally.add(Compared(row.client_id, row.id, None, before, before if after is None else after, known))


def compare_library(
    cases: Sequence[LibraryCase], base: CompiledTable, draft: CompiledTable, tally: ComparisonTally
) -> None:
    """Counts what a table says of the cases of a library beside what its base says.

    A case that the base cannot read is compared with nothing, and counted as one that cannot be read.
    """
    asked = [AskedAgain(msgspec.json.encode(case.case).decode()) for case in cases]
    again = AnswersAgain(draft)
    befores, afters = AnswersAgain(base).answers(asked), again.answers(asked)
    for case, before, after in zip(cases, befores, afters, strict=True):
        flaws = [one for one in (after, before) if isinstance(one, tuple)]
        if flaws:
            tally.add_unreadable(flaws[0], Kept(None, Example(case=case.name)))
            continue
        assert isinstance(before, ShortAnswer)  # noqa: S101 - told by the flaws
        assert isinstance(after, ShortAnswer)  # noqa: S101 - as before
        renamed = msgspec.structs.replace(before, cause=again.renamed.get(before.cause, before.cause))
        tally.add(Compared(None, None, case.name, renamed, after, merged(case.right, again.renamed)))
