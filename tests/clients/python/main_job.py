"""The main job with the client that `openapi-python-client` makes of `openapi/openapi.json`: a case is
classified, answer and record are read, a problem is told.

    python main_job.py http://localhost:8000 KEY
"""

import sys

from coldcase_client import AuthenticatedClient
from coldcase_client.api.classifying import classify
from coldcase_client.api.decisions import show_decision
from coldcase_client.models import (
    AnswerWithCodes,
    Case,
    CaseObservations,
    CompressorType,
    DecisionRecord,
    Motor,
    Problem,
    ProblemType,
    Status,
    Unit,
)

UNIT = Unit(compressor_type=CompressorType.SCROLL, motor=Motor.THREE_PHASE, refrigerant="R-448A")


def main(address: str, key: str) -> None:
    """Classifies a good case and one with a slip, and says what came of them."""
    client = AuthenticatedClient(base_url=address, token=key)
    seen = {"copper_plating": "heavy", "filter_drier": "wet", "oil_clarity": "stays_milky"}
    case = Case(unit=UNIT, observations=CaseObservations.from_dict(seen))
    answer = classify.sync(client=client, body=case, idempotency_key="python-1")
    if not isinstance(answer, AnswerWithCodes) or answer.id is None:
        raise SystemExit(f"refused: {answer}")
    again = classify.sync(client=client, body=case, idempotency_key="python-1")
    if not isinstance(again, AnswerWithCodes) or again.id != answer.id:
        raise SystemExit(f"not repeated: {again}")
    record = show_decision.sync(answer.id, client=client)
    if not isinstance(record, DecisionRecord):
        raise SystemExit(f"not on record: {record}")
    print(answer.cause, answer.status is Status.CODED, len(record.chain), len(record.verdicts))

    slip = Case(unit=UNIT, observations=CaseObservations.from_dict({"copper_platting": "heavy"}))
    problem = classify.sync(client=client, body=slip)
    if not isinstance(problem, Problem) or problem.type_ is not ProblemType.BAD_CASE:
        raise SystemExit(f"not refused: {problem}")
    for flaw in problem.errors or []:
        print(problem.type_.value, flaw.pointer, flaw.suggestion)


if __name__ == "__main__":
    main(*sys.argv[1:])
