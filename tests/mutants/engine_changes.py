"""Changes of answers, figures and the engine."""

from tests.mutants.change import Change

CORE = "service/coldcase/core/"
WEB = "service/coldcase/web/"
CACHE = ("tests/web/test_answer_cache.py",)

ENGINE_CHANGES: tuple[Change, ...] = (
    # Answers.
    Change(
        "cached answers ignore readings",
        "service/coldcase/kept_answers.py",
        "evidence=[], supersedes=None)",
        "evidence=[], supersedes=None, readings=type(parsed.case.readings)())",
        CACHE,
    ),
    Change(
        "cached answers ignore the opening",
        "service/coldcase/kept_answers.py",
        "evidence=[], supersedes=None)",
        "evidence=[], supersedes=None, opening=type(parsed.case.opening)())",
        CACHE,
    ),
    Change(
        "cached answers outlive their rule table",
        "service/coldcase/kept_answers.py",
        "of = (compiled.digest, next_checks",
        "of = (next_checks",
        CACHE,
    ),
    # Figures.
    Change(
        "a provisional answer counts as right",
        "service/coldcase/feedback/calibrating.py",
        "self.right += leader == row.cause",
        "self.right += 1",
        ("tests/auditing/test_statistics.py",),
    ),
    # The engine.
    Change(
        "a lone soft sign is enough",
        CORE + "coding.py",
        "        and not alone_and_soft\n",
        "",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "a rival may be as near",
        CORE + "coding.py",
        "        and first >= bar.least_ratio * second\n",
        "",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "nothing contradicts",
        CORE + "coding.py",
        "if against >= strong and against >=",
        "if against < 0 and against >=",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "spoilt evidence speaks of the machine",
        CORE + "coding.py",
        "in weighed.items if item.keep >= HALF}",
        "in weighed.items}",
        ("tests/core/test_coding.py",),
    ),
    Change(
        "an undetermined answer names a cause",
        CORE + "answer_builder.py",
        'named = cause if coding.status != "undetermined" else None',
        "named = cause",
        ("tests/core", "tests/spec"),
    ),
    Change(
        "a number is touched by nine verdicts",
        CORE + "learning.py",
        "LEAST_VERDICTS = 10",
        "LEAST_VERDICTS = 9",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "what was only told teaches",
        CORE + "verdict_counts.py",
        "elif item.keep < MILLION:",
        "elif item.keep < 0:",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "rows of some machines learn from all",
        CORE + "verdict_counts.py",
        "if names_machine(rows.when, machine)]",
        "if machine]",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "a background is pooled as verdicts came in",
        CORE + "learning.py",
        "sum(rates[cause] * rows[cause][place] for cause in rates) / total",
        "sum(rows[cause][place] for cause in rates) / len(rates)",
        ("tests/core/test_learning.py",),
    ),
    Change(
        "a proposal is tried on what taught it",
        "service/coldcase/proposing/learner.py",
        "if part not in left_out",
        "if left_out or part",
        ("tests/proposing",),
    ),
    Change(
        "circuits are parted at random",
        "service/coldcase/proposing/holding_out.py",
        "case.id if case.circuit is None else case.circuit",
        "case.id",
        ("tests/proposing",),
    ),
    Change(
        "a proposal says nothing of being worse",
        "service/coldcase/proposing/summary.py",
        "    if found.worse:\n",
        "    if not found:\n",
        ("tests/proposing",),
    ),
    Change(
        "an edited number is still what verdicts said",
        CORE + "learning.py",
        "if number is None or change.new != number.new:",
        "if number is None:",
        ("tests/web/test_proposals.py",),
    ),
    Change(
        "a case for training tells what it was to whoever has not answered",
        WEB + "training_pages.py",
        """    if said is None:
        return _gone_on(f"/training/{found.name}")
""",
        """    if said is None:
        said = TrainingAnswer(
            id=compat.uuid7(), client_id=key.client_id, by_key=key.id, case_name=found.name,
            causes=["moisture"], next_check=None, was_right=False, at=None,
        )
""",
        ("tests/web/test_training_pages.py",),
    ),
    Change(
        "drafts are listed to whoever reads tables",
        WEB + "table_pages.py",
        "seen = [row for row in rows if drafts or not is_draft(row)]",
        "seen = list(rows)",
        ("tests/web/test_table_pages.py",),
    ),
    Change(
        "a page shows a draft to whoever reads tables",
        WEB + "table_pages.py",
        "        require_sight(request, stored)\n",
        "",
        ("tests/web/test_table_pages.py",),
    ),
)
