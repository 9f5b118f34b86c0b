import sys

from tests.accuracy.cases import CODED, answered, cases_of, starter
from tests.accuracy.draws import cause_removed, dropped, one_wrong
from tests.accuracy.figures import draw_figures, figures, misses


def main(names: list[str]) -> None:
    for name in names or ["development", *(name for name, path in CODED.items() if path.exists())]:
        truths = cases_of(name)
        judged = [answered(truth, starter()) for truth in truths]
        print(f"== {name}")
        print("\n".join(figures(judged)))
        print(draw_figures("three in ten dropped", dropped(truths)))
        print(draw_figures("one outcome wrong", one_wrong(truths)))
        print(draw_figures("cause not in table", cause_removed(truths)))
        print("\n".join(misses(judged)))


main(sys.argv[1:])
