"""`coldcase keys …`: who may call the service, and what for. The secret is printed once, alone on standard
output.
"""

import argparse
from collections.abc import Mapping
from datetime import UTC, datetime, time
from uuid import UUID

import msgspec
from uuid_utils import compat

from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, as_json, command, result, say
from coldcase.clock import now
from coldcase.core.case import Label
from coldcase.core.labels import LABEL_SAYS
from coldcase.db import keys
from coldcase.db.keys import ALL_SCOPES, ApiKey


def add_key_commands(commands: Commands) -> None:
    """Adds `keys`."""
    group = commands.add_parser("keys", help="API keys.").add_subparsers(metavar="COMMAND", required=True)
    added = command(group, "create", run_create_key, "Make a key and print its secret, this once.")
    added.add_argument("--client", required=True, help="the firm that holds the key; made if it is new")
    added.add_argument("--person", help="a label for whoever stands behind the key")
    added.add_argument(
        "--scope",
        required=True,
        action="append",
        choices=ALL_SCOPES,
        metavar="SCOPE",
        help=f"again for more: {', '.join(ALL_SCOPES)}",
    )
    added.add_argument(
        "--expires", metavar="DATE", help="the first day (UTC) on which the key no longer works, 2027-01-31"
    )
    database.add_owner_flags(added)
    added = command(group, "list", run_list_keys, "List keys; a secret is never shown again.")
    added.add_argument("--json", action="store_true")
    database.add_owner_flags(added)
    added = command(
        group, "revoke", run_revoke_key, "Revoke a key for good; every replica knows within a second or two."
    )
    added.add_argument("id", help="as `keys list` shows it")
    database.add_owner_flags(added)


def run_create_key(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Makes a key; the secret goes to standard output, the rest to standard error."""
    secret = keys.new_secret()
    expires = _day(args.expires)
    client, person = (
        _label("--client", args.client),
        None if args.person is None else _label("--person", args.person),
    )
    made = database.as_owner(
        args,
        environ,
        lambda conn: keys.create_key(
            conn,
            id_=compat.uuid7(),
            client_name=client,
            person=person,
            scopes=args.scope,
            secret_sha256=keys.secret_digest(secret),
            now=now(),
            expires_at=expires,
        ),
        migrate=True,
    )
    say(
        f"coldcase: key {made.id} of {made.client} for {', '.join(sorted(made.scopes))}; its secret, "
        "shown this once:"
    )
    result(secret)
    return 0


def run_list_keys(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints all keys."""
    found = database.as_owner(args, environ, keys.list_keys)
    if args.json:
        as_json(found)
    for key in () if args.json else found:
        result(
            "  ".join([str(key.id), _state(key), key.client, key.person or "-", ",".join(sorted(key.scopes))])
        )
    return 0


def run_revoke_key(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Revokes one key."""
    try:
        id_ = UUID(args.id)
    except ValueError as error:
        raise WrongUse(f"'{args.id}' is no key's id; `coldcase keys list` shows them.") from error
    key = database.as_owner(args, environ, lambda conn: keys.revoke_key(conn, id_, now=now()))
    say(f"coldcase: key {key.id} of {key.client} is revoked")
    return 0


def _state(key: ApiKey) -> str:
    if key.revoked_at is not None:
        return f"revoked {key.revoked_at:%Y-%m-%d}"
    if key.is_good(now()):
        return "good" if key.expires_at is None else f"until {key.expires_at:%Y-%m-%d}"
    return "expired"


def _label(flag: str, text: str) -> str:
    try:
        return msgspec.convert(text.strip(), Label)
    except msgspec.ValidationError as error:
        raise WrongUse(f"{flag}: {LABEL_SAYS} It has 200 at most.") from error


def _day(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.combine(datetime.strptime(text, "%Y-%m-%d").date(), time(), UTC)  # noqa: DTZ007  # a day, UTC is added
    except ValueError as error:
        raise WrongUse(f"'{text}' is no date like 2027-01-31.") from error
