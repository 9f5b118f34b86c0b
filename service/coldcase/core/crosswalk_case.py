"""The case that a client's row fills, pointer by pointer, and who of its members filled what."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from coldcase.core.compiled_table import CompiledTable
from coldcase.core.crosswalk_targets import OBSERVATIONS
from coldcase.core.unknown_words import escaped
from coldcase.errors import Flaw


class ReadRow(NamedTuple):
    """What a row says in our words: the case, as JSON has it; what is wrong, under the client's names; and
    the name of the client's that each of our pointers was filled by.
    """

    case: dict[str, Any]
    flaws: list[Flaw]
    filled_by: dict[str, str]


class WrongWord(Exception):
    """What a member of the client's says cannot be taken; and what was likely meant."""

    def __init__(self, detail: str, suggestion: str | None = None) -> None:
        self.detail, self.suggestion = detail, suggestion
        super().__init__(detail)


@dataclass
class _Said:
    """What was said of one finding: outcomes or signs seen, signs looked for and not there."""

    seen: list[str] = field(default_factory=list)
    not_seen: list[str] = field(default_factory=list)


class Filling:
    """A case in the making; findings are those of one rule table."""

    def __init__(self, compiled: CompiledTable) -> None:
        self.flaws: list[Flaw] = []
        self._compiled = compiled
        self._filled: dict[str, Any] = {}
        self._said: dict[str, _Said] = {}
        self._filled_by: dict[str, str] = {}

    def take(self, pointer: str, meaning: Any, name: str) -> None:
        """What the client's member `name` puts at a pointer. Raises WrongWord where another one says
        otherwise of a finding whose outcomes exclude each other.
        """
        if not pointer.startswith(OBSERVATIONS):
            self._filled[pointer] = meaning
        else:
            code = pointer.removeprefix(OBSERVATIONS)
            before = self._said.get(code)
            if before is not None and not _is_several(code, self._compiled) and before != _meant(meaning):
                other, said = self._filled_by[pointer][:64], (before.seen or before.not_seen)[0]
                raise WrongWord(f"'{other}' says otherwise of the same finding ({code}: {said}).")
            self._say(code, meaning)
        self._filled_by[pointer] = name

    def take_constant(self, pointer: str, value: Any) -> None:
        """What stands at a pointer where no member has filled it."""
        if not pointer.startswith(OBSERVATIONS):
            self._filled.setdefault(pointer, value)
        elif (code := pointer.removeprefix(OBSERVATIONS)) not in self._said:
            self._say(code, value)

    def row(self) -> ReadRow:
        """All of it as one case. A list of figures has no gaps: they belong to lines and windings."""
        case: dict[str, Any] = {}
        lists: dict[str, dict[int, Any]] = {}
        for pointer, value in self._filled.items():
            holder, _, last = pointer.rpartition("/")
            if last.isdecimal():
                lists.setdefault(holder, {})[int(last)] = value
            else:
                _put(case, pointer, value)
        for pointer, values in lists.items():
            if sorted(values) == list(range(len(values))):
                _put(case, pointer, [values[index] for index in range(len(values))])
            else:
                name = self._filled_by.get(f"{pointer}/{max(values)}", "")
                place = f"/{escaped(name)}" if name else ""
                self.flaws.append(Flaw(place, f"The figures before it are blank; {pointer} has no gaps."))
        observations = {code: _observed(code, one, self._compiled) for code, one in self._said.items()}
        whole = case | ({"observations": observations} if observations else {})
        return ReadRow(whole, self.flaws, self._filled_by)

    def _say(self, code: str, meaning: Any) -> None:
        known, more = self._said.setdefault(code, _Said()), _meant(meaning)
        for words, added in ((known.seen, more.seen), (known.not_seen, more.not_seen)):
            words += [word for word in dict.fromkeys(added) if word not in words]


def _meant(meaning: Any) -> _Said:
    if isinstance(meaning, Mapping):
        return _Said(_list(meaning.get("seen")), _list(meaning.get("not_seen")))
    return _Said(_list(meaning))


def _list(words: Any) -> list[str]:
    return [words] if isinstance(words, str) else list(words or ())


def _is_several(code: str, compiled: CompiledTable) -> bool:
    row = compiled.retired.get(("finding", None, code))
    finding = compiled.table.findings.get(code if row is None else row.renamed_to or "")
    return finding is not None and finding.kind == "several"


def _put(case: dict[str, Any], pointer: str, value: Any) -> None:
    *parts, last = pointer.split("/")[1:]
    holder = case
    for part in parts:
        holder = holder.setdefault(part, {})
    holder[last] = value


def _observed(code: str, one: _Said, compiled: CompiledTable) -> Any:
    if not _is_several(code, compiled):
        return one.seen[0] if one.seen else one.not_seen[0]
    if not one.not_seen:
        return one.seen
    return {"seen": one.seen, "not_seen": one.not_seen} if one.seen else {"not_seen": one.not_seen}
