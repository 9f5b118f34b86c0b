"""Answers kept for whoever asks about the same evidence, each with its JSON. Pure."""

import hashlib
import threading
from typing import NamedTuple

import msgspec

from coldcase.classifying import encode_answer, rest_of
from coldcase.core.answer import Answer
from coldcase.core.case import UNIT_LABELS, Job
from coldcase.core.case_reader import ParsedCase
from coldcase.core.compiled_table import CompiledTable

NO_LABELS = dict.fromkeys(UNIT_LABELS)


class WrittenAnswer(NamedTuple):
    """An answer with its JSON from where its head ends, which `with_head` puts before it."""

    answer: Answer
    rest: bytes

    @property
    def size(self) -> int:
        """What it takes in memory, about."""
        return 2 * len(self.rest)

    def to(self, parsed: ParsedCase) -> "WrittenAnswer":
        """The same to another case of this evidence."""
        case = parsed.case
        own = msgspec.structs.replace(self.answer, job_ref=case.job.ref, supersedes=case.supersedes)
        return WrittenAnswer(own, self.rest)


def with_json(answer: Answer) -> WrittenAnswer:
    """The answer with its JSON."""
    return WrittenAnswer(answer, rest_of(answer))


class KeptAnswers:
    """Answers by the evidence that they are to, those asked for last, up to a number of bytes; for any number
    of threads.

    The same evidence under the same table has the same answer, whoever sends it. Answers to cases that were
    read leniently are not kept: they quote what was sent.
    """

    def __init__(self, most_bytes: int) -> None:
        self.bytes = 0
        self._most_bytes = most_bytes
        self._kept: dict[bytes, WrittenAnswer] = {}
        self._turn = threading.Lock()

    def get(self, key: bytes) -> WrittenAnswer | None:
        """The answer to the evidence of this key, if it is kept."""
        with self._turn:
            found = self._kept.pop(key, None)
            if found is not None:
                # Behind all others, so that it goes last.
                self._kept[key] = found
            return found

    def keep(self, key: bytes, answer: Answer) -> WrittenAnswer:
        """Keeps an answer; the one that is kept already, if there is one."""
        new = with_json(answer)
        with self._turn:
            if key in self._kept:
                return self._kept[key]
            self._kept[key] = new
            self.bytes += new.size
            while self.bytes > self._most_bytes:
                self.bytes -= self._kept.pop(next(iter(self._kept))).size
        return new


def evidence_key(parsed: ParsedCase, compiled: CompiledTable, *, next_checks: bool = True) -> bytes | None:
    """Of all that an answer may depend on: the whole case but for what never is weighed, so that whatever is
    added counts. None for a case whose answer is not to be kept.
    """
    if parsed.left_out:
        return None
    case = parsed.case
    unit = msgspec.structs.replace(case.unit, **NO_LABELS)
    # When it failed says something beside the day of its installation alone.
    job = Job() if unit.installed_at is None else Job(failed_at=case.job.failed_at)
    weighed = msgspec.structs.replace(case, unit=unit, job=job, evidence=[], supersedes=None)
    of = (compiled.digest, next_checks, weighed, parsed.notes, parsed.efforts)
    return hashlib.sha256(encode_answer(of)).digest()
