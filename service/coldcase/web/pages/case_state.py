"""Where somebody is in the case form: what is asked now, what was answered, passed over or pointed at. The
whole of it travels in the form itself, so that the page works without a script and on any replica.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal
from uuid import uuid4

from coldcase.core.rule_table import ALL_EFFORTS, Effort
from coldcase.web.pages.case_form import Form, first

AT_ONCE = 3
"""Questions that stand open at a time: an answer to one may make the next one needless."""

How = Literal["ask", "all"]


@dataclass(frozen=True, slots=True)
class CaseState:
    """`fields` say the case; `key` is its `Idempotency-Key`. `how`: asked in the order that pays, or
    station by station. `shown` are the questions on the page in their order, `passed` those passed over,
    `pointed` those of which something can be told.
    """

    fields: Mapping[str, list[str]]
    key: str
    how: How = "ask"
    can: tuple[Effort, ...] = ALL_EFFORTS
    pointed: tuple[str, ...] = ()
    passed: tuple[str, ...] = ()
    shown: tuple[str, ...] = ()


def new_key() -> str:
    """What makes a form's case recorded once, however often it is sent."""
    return f"form-{uuid4()}"


def fresh_state(fields: Mapping[str, list[str]]) -> CaseState:
    """A form that nobody has answered yet."""
    return CaseState(with_unit(fields), new_key())


def with_unit(fields: Mapping[str, list[str]]) -> dict[str, list[str]]:
    """The fields with a unit that can be read: what was not said of it is not known."""
    said = {name: list(texts) for name, texts in fields.items()}
    for name in ("unit.compressor_type", "unit.motor"):
        if not first(said, name):
            said[name] = ["unknown"]
    return said


def state_of(form: Form, known: Collection[str]) -> CaseState:
    """The state that a form carries; what the table does not know is no question."""
    efforts = tuple(effort for effort in ALL_EFFORTS if effort in form.get("can", ()))
    key = first(form, "key")
    return CaseState(
        fields=with_unit(
            {name: list(texts) for name, texts in form.items() if "." in name or name == "supersedes"}
        ),
        key=key if key.startswith("form-") and key.isascii() and len(key) <= 64 else new_key(),
        how="all" if first(form, "how") == "all" else "ask",
        can=efforts or ALL_EFFORTS,
        pointed=_among(form.get("point", ()), known),
        passed=_among(form.get("passed", ()), known),
        shown=_among(form.get("shown", ()), known),
    )


def _among(codes: Iterable[str], known: Collection[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(code for code in codes if code in known))


def after(state: CaseState, done: str, answered: Collection[str]) -> CaseState:
    """The state after a button: `next` puts away what is shown, `pass.CODE` one question, `ask` and `all`
    change the way of asking, `again` makes another case of it.
    """
    if done == "next":
        return _put_away(state, state.shown, answered)
    if done.startswith("pass."):
        return _put_away(state, (done.removeprefix("pass."),), ())
    if done in ("ask", "all"):
        return replace(state, how="all" if done == "all" else "ask", shown=())
    return replace(state, key=new_key()) if done == "again" else state


def _put_away(state: CaseState, codes: Collection[str], answered: Collection[str]) -> CaseState:
    over = [code for code in codes if code in state.shown and code not in answered]
    return replace(
        state,
        shown=tuple(code for code in state.shown if code not in codes),
        passed=tuple(dict.fromkeys([*state.passed, *over])),
        pointed=tuple(code for code in state.pointed if code not in over),
    )


def asked_now(state: CaseState, answered: Collection[str], in_order: Sequence[str]) -> CaseState:
    """The state with the questions that stand open now. What stands up to the last answer stays where it is,
    for somebody is reading there; what comes below it is asked anew.
    """
    last = max((place for place, code in enumerate(state.shown) if code in answered), default=-1)
    shown = list(state.shown[: last + 1])
    room = AT_ONCE - sum(code not in answered for code in shown)
    fresh = [code for code in in_order if code not in shown]
    return replace(state, shown=(*shown, *fresh[: max(room, 1)]))
