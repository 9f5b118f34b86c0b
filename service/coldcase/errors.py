"""Domain errors: each class has a stable `code`, and its docstring is the message. No HTTP here."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flaw:
    """One thing that is wrong with what was sent: where (RFC 6901 pointer), what, and the likeliest meant
    code.
    """

    pointer: str
    detail: str
    suggestion: str | None = None


MOST_FLAWS = 200
"""Flaws of one thing that was sent; of more it is told how many."""


def as_told(flaws: tuple[Flaw, ...]) -> tuple[Flaw, ...]:
    """As many flaws as may be told, and then one that counts the rest."""
    rest = len(flaws) - MOST_FLAWS
    return flaws if rest <= 0 else (*flaws[:MOST_FLAWS], Flaw("", f"{rest} more flaws are not listed."))


class ColdcaseError(Exception):
    """Something went wrong."""

    code = "error"

    def __init__(self, detail: str | None = None) -> None:
        self.detail = detail or " ".join((self.__doc__ or "").split())
        super().__init__(self.detail)


class Malformed(ColdcaseError):
    """The text is not JSON as RFC 8259 has it: UTF-8, one value, no member named twice, no NaN or
    Infinity.
    """

    code = "malformed"


class Flawed(ColdcaseError):
    """What was sent cannot be taken as it is; `errors` lists every flaw found."""

    code = "flawed"

    def __init__(self, flaws: tuple[Flaw, ...], detail: str | None = None) -> None:
        self.flaws = flaws
        super().__init__(detail)


class BadCase(Flawed):
    """The case cannot be taken as it is; `errors` lists every flaw found."""

    code = "bad_case"


class BadLine(Flawed):
    """The line of an import cannot be taken as it is; `errors` lists every flaw found."""

    code = "bad_line"


class BadRuleTable(Flawed):
    """The rule table cannot be used as it is; `errors` lists every flaw found."""

    code = "bad_rule_table"


class BadTableRequest(Flawed):
    """What was sent for a rule table cannot be taken as it is; `errors` lists every flaw found."""

    code = "bad_table_request"


class PreconditionRequired(ColdcaseError):
    """A draft is changed with `If-Match`, its `ETag` as the caller saw it, so that nobody undoes another's
    change unseen.
    """

    code = "precondition_required"


class PreconditionFailed(ColdcaseError):
    """The draft is no longer the one that `If-Match` names. Look at it again."""

    code = "precondition_failed"


class WrongState(ColdcaseError):
    """The rule table's state does not allow it: what was published stays as it is, and what was withdrawn
    needs an approval.
    """

    code = "wrong_state"


class PersonNeeded(ColdcaseError):
    """A person approves: this key names none."""

    code = "person_needed"


class OwnDraft(ColdcaseError):
    """Another person approves a draft than whoever made or edited it."""

    code = "own_draft"


class DigestStale(ColdcaseError):
    """The digest is not that of the rule table as it is now: look at what it holds, then send its digest."""

    code = "digest_stale"


class NotApproved(ColdcaseError):
    """Only a rule table that is approved as it is now, or that was published before, can be published."""

    code = "not_approved"


class NotCurrent(ColdcaseError):
    """Another rule table was published meanwhile, or this one already is the current one."""

    code = "not_current"


class StillCurrent(ColdcaseError):
    """The current rule table cannot be withdrawn: publish another one first."""

    code = "still_current"


class TooManyDrafts(ColdcaseError):
    """The client has as many open drafts as one may have: have one published or withdrawn first."""

    code = "too_many_drafts"


class NotBacktested(ColdcaseError):
    """A rule table is approved after a finished backtest of it as it is now, on recorded decisions if there
    are any.
    """

    code = "not_backtested"


class NothingToPropose(ColdcaseError):
    """Too few verdicts name a cause: a number of a rule table is touched from ten on."""

    code = "nothing_to_propose"


class AlreadyOnRecord(ColdcaseError):
    """A rule table with the same content is on record under another number: publish that one."""

    code = "already_on_record"


class TooLarge(ColdcaseError):
    """The body is larger than the limit of this call."""

    code = "too_large"


class ScopeMissing(ColdcaseError):
    """The key does not carry the scope that this call needs."""

    code = "scope_missing"


class NotFound(ColdcaseError):
    """There is no such record, or this key may not see it."""

    code = "not_found"


class StoreAway(ColdcaseError):
    """The database cannot be reached or takes no records just now, so nothing was recorded. Send the same
    request again in a moment.
    """

    code = "store_away"


class OutcomeUnknown(ColdcaseError):
    """The connection was lost during the commit, so whether anything was recorded is not known. Send it again
    with the same key.
    """

    code = "outcome_unknown"


class Busy(ColdcaseError):
    """More is waiting for the record than the service takes on. Send the same request again in a moment."""

    code = "busy"


class KeyReused(ColdcaseError):
    """The Idempotency-Key was already used for something else."""

    code = "key_reused"


class KeyInFlight(ColdcaseError):
    """A request with this Idempotency-Key is still being worked on. Send it again in a moment."""

    code = "key_in_flight"


class Archived(ColdcaseError):
    """The decision was taken out of the record with its year; it stands in the archive."""

    code = "archived"


class SupersedesUnknown(ColdcaseError):
    """`supersedes` names no earlier decision of this client for the same job."""

    code = "supersedes_unknown"


class NotRecordable(ColdcaseError):
    """The record cannot hold a value of this case."""

    code = "not_recordable"


class BadCursor(ColdcaseError):
    """The cursor is not one that this list gave out, or it belongs to another order of the list."""

    code = "bad_cursor"


class StaleSchema(ColdcaseError):
    """The database is not up to date. `coldcase migrate` brings it up to date."""

    code = "stale_schema"


class RightsMissing(ColdcaseError):
    """The service's role may not do what it must. `coldcase migrate` makes its rights anew."""

    code = "rights_missing"


class CannotMigrate(ColdcaseError):
    """The database could not be brought up to date; nothing was half done."""

    code = "cannot_migrate"


class NoEmbeddedDatabase(ColdcaseError):
    """The embedded database is not installed: install `coldcase[embedded]`, or name a server with
    --database-url.
    """

    code = "no_embedded_database"


class DataDirUnusable(ColdcaseError):
    """The data folder of the embedded database cannot be used as it is."""

    code = "data_dir_unusable"
