"""The order of questions for one person: pointed at first, passed over no more, likely answers before rare
ones.
"""

from coldcase.core.answer_builder import CaseWithReadings
from coldcase.core.asking import Asking, questions_in_order
from coldcase.core.next_checks import next_checks
from coldcase.core.rule_table import ALL_EFFORTS
from tests.core.tables import case_of, compiled_starter, weighed_of

TABLE = compiled_starter()


def order(asking: Asking, efforts=ALL_EFFORTS, **seen):
    return questions_in_order(CaseWithReadings(case_of(seen)), TABLE, efforts, asking)


ANYBODY = Asking(dict.fromkeys(TABLE.table.findings, 0.5))


def test_where_all_are_told_alike_what_tells_most_is_asked_first():
    checks = {check.finding: check.gain_bits for check in next_checks(weighed_of(case_of(), TABLE), TABLE)}
    assert order(ANYBODY)[0] == max(checks, key=lambda code: checks[code])


def test_what_few_can_tell_comes_later():
    first = order(ANYBODY)[0]
    assert first not in order(Asking({**ANYBODY.told, first: 0.01}))[:3]


def test_what_was_pointed_at_comes_first_whatever_it_takes_and_however_little_it_tells():
    asking = Asking(ANYBODY.told, pointed=("lab_additives", "transport_signs"))
    known = [code for code in order(asking, ("ask",)) if code in TABLE.table.findings]
    assert set(known[:2]) == {"lab_additives", "transport_signs"}
    assert {TABLE.table.findings[code].effort for code in known[2:]} == {"ask"}


def test_what_was_answered_or_passed_over_is_not_asked():
    first, second = order(ANYBODY)[:2]
    assert first not in order(Asking(ANYBODY.told, passed=(first,)))
    assert second in order(Asking(ANYBODY.told, passed=(first,)))
    assert "copper_plating" not in order(ANYBODY, copper_plating="heavy")


def test_a_part_of_the_machine_of_which_nothing_could_be_told_is_asked_about_less():
    findings = TABLE.table.findings
    station = findings[order(ANYBODY)[0]].station
    there = [code for code in order(ANYBODY) if findings[code].station == station]
    after = order(Asking(ANYBODY.told, passed=tuple(there[:3])))
    assert findings[after[0]].station != station
