"""Decisions as a backtest reads them from the record."""

from uuid import UUID

from coldcase import classifying
from coldcase.core.answer import Answer
from coldcase.db.backtests import RecordedRow


def recorded(number: int, case_text: str, answer: Answer, client: int = 1) -> RecordedRow:
    """A decision as it stands on record."""
    return RecordedRow(
        id=UUID(int=number),
        client_id=client,
        case_text=case_text,
        cause=answer.cause,
        status=answer.status,
        confidence=round(answer.confidence * 10_000),
        answer_text=classifying.encode_answer(answer).decode(),
    )
