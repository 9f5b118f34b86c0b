"""Decisions as a backtest reads them from the record."""

from uuid import UUID

from coldcase import classifying
from coldcase.core import ENGINE_VERSION
from coldcase.core.answer import Answer
from coldcase.db.answers import StoredAnswer
from coldcase.db.backtests import RecordedRow


def recorded(
    number: int, case_text: str, answer: Answer, client: int = 1, engine: str = ENGINE_VERSION
) -> RecordedRow:
    """A decision as it stands on record, answered by rule table 1."""
    return RecordedRow(
        id=UUID(int=number),
        client_id=client,
        case_text=case_text,
        cause=answer.cause,
        status=answer.status,
        confidence=round(answer.confidence * 10_000),
        rule_table=1,
        engine=engine,
        stored=StoredAnswer(classifying.encode_answer(answer).decode(), None, None, None),
    )
