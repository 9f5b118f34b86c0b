import sys

from tests.accuracy.cases import CODED, Truth, answered, cases_of, starter
from tests.accuracy.draws import cause_removed, dropped, one_wrong
from tests.accuracy.figures import draw_figures, figures, misses


def main(names: list[str]) -> None:
    names = names or ["development", *(name for name, path in CODED.items() if path.exists())]
    for name in names:
        show(name, cases_of(name))
    told = [truth for name in names if name in CODED for truth in cases_of(name)]
    if len([name for name in names if name in CODED]) > 1:
        show("all told sets together", told)


def show(title: str, truths: list[Truth]) -> None:
    judged = [answered(truth, starter()) for truth in truths]
    print(f"== {title}")
    print("\n".join(figures(judged)))
    print(draw_figures("three in ten dropped", dropped(truths)))
    print(draw_figures("one outcome wrong", one_wrong(truths)))
    print(draw_figures("cause not in table", cause_removed(truths)))
    print("\n".join(misses(judged)))


main(sys.argv[1:])
