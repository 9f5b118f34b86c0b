"""Where a line stands among the others: as a plain list of what came would say."""

from contextlib import closing

from hypothesis import given
from hypothesis import strategies as st

from coldcase.importing.counting import LineSeen, Seen

LINE = st.tuples(
    st.sampled_from([b"a", b"b", b"c"]), st.none() | st.integers(0, 3), st.sampled_from([b"J", b"K", None])
)


@given(st.lists(LINE, max_size=30))
def test_a_line_stands_where_all_before_it_say(lines):
    taken: set[tuple[bytes, int]] = set()
    counts: dict[bytes, int] = {}
    jobs: dict[bytes, tuple[bytes, int]] = {}
    with closing(Seen(None)) as seen:
        for number, (content, said, job) in enumerate(lines, start=1):
            place = seen.place(LineSeen(content, said, job, number))
            before = counts.get(content, 0) if said is None else said
            first = jobs.setdefault(job, (content, number)) if job is not None else (content, number)
            expected = (before, first[1] if first[0] != content else None, (content, before) in taken)
            assert tuple(place) == expected
            counts[content] = counts.get(content, 0) + 1
            taken.add((content, before))
