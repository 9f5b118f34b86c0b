"""`coldcase verify`, `archive`, `erase`: the record checked, a year of it taken out, words taken out of it."""

import argparse
from collections.abc import Mapping
from pathlib import Path
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing import archiving, verifying
from coldcase.auditing.verifying import Verification
from coldcase.classifying import now
from coldcase.cli import store
from coldcase.cli.talk import Commands, WrongUse, as_json, command, result, say
from coldcase.db.engine import run_once


def add_commands(commands: Commands) -> None:
    """Adds `verify`, `archive` and `erase`."""
    added = command(commands, "verify", verify, "Recompute the audit seals; exit 1 if anything is not as it was sealed.")
    added.add_argument("--expect", metavar="HEAD", help="the head of a seal, as it was kept elsewhere")
    added.add_argument("--archive", metavar="FILE", action="append", default=[], help="also an archived year; again for more")
    added.add_argument("--json", action="store_true")
    store.add_flags(added)
    added = command(commands, "archive", archive, "As the owner: write a year's decisions to a file, verify it, and take the year out.")
    added.add_argument("year", type=int)
    added.add_argument("--to", metavar="FOLDER", default=".", help="where the file goes (default: here)")
    added.add_argument("--drop", action="store_true", help="also drop the detached table; else it stays beside the record")
    store.add_owner_flags(added)
    added = command(commands, "erase", erase, "As the owner: erase a person's label everywhere, or the words of one verdict.")
    what = added.add_mutually_exclusive_group(required=True)
    what.add_argument("--person", metavar="LABEL")
    what.add_argument("--verdict", metavar="ID")
    store.add_owner_flags(added)


def verify(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints what was found; names each trouble."""
    expect = _head(args.expect)

    async def everything(conn: AsyncConnection) -> Verification:
        found = await verifying.verify(conn, expect=expect)
        for name in args.archive:
            await archiving.check(conn, Path(name), found)
        return found

    with store.service_settings(store.read_settings(args, environ)) as settings:
        store.check(settings)
        assert settings.database_url is not None  # noqa: S101 - `service_settings` named it
        found = run_once(settings.database_url, everything)
    if args.json:
        as_json(found)
    else:
        _print(found)
    return 0 if found.good else 1


def _print(found: Verification) -> None:
    for trouble in found.troubles:
        result(f"{trouble.what}: {trouble.detail}")
    if found.wrong > len(found.troubles):
        result(f"and {found.wrong - len(found.troubles)} more")
    rest = {"not yet sealed": found.unsealed, "in archived years": found.taken_out, "with erased words": found.erased}
    told = "".join(f", {count} {what}" for what, count in rest.items() if count)
    say(f"coldcase: {found.records} records under {found.seals} seals{told}; {found.wrong or 'nothing'} wrong")
    say(f"coldcase: head {found.head or '(no seal yet)'}")


def _head(text: str | None) -> bytes | None:
    try:
        head = None if text is None else bytes.fromhex(text)
    except ValueError:
        head = b""
    if head is not None and len(head) != 32:
        raise WrongUse("--expect takes the 64 hexadecimal digits of a head, as the service logged it.")
    return head


def archive(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Takes a year out; prints the file's name."""
    folder = Path(args.to)
    if not folder.is_dir():
        raise WrongUse(f"{folder} is no folder.")
    done = store.as_owner(
        args, environ, lambda conn: archiving.archive(conn, args.year, folder, drop=args.drop, actor=store.actor(), now=now())
    )
    say(f"coldcase: {done.count} decisions of {args.year} are in the file and out of the record; its SHA-256 is {done.sha256}")
    result(str(done.path))
    return 0


def erase(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Erases words; says how many records lost some."""
    verdict = None if args.verdict is None else _uuid(args.verdict)
    found = store.as_owner(
        args, environ, lambda conn: archiving.erase(conn, person=args.person, verdict=verdict, actor=store.actor(), now=now())
    )
    say(f"coldcase: words of {sum(found.values())} records are erased")
    return 0 if found else 1


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError as error:
        raise WrongUse(f"'{text}' is no verdict's id.") from error
