"""`coldcase verify`, `archive`, `erase`: the record checked, a year of it taken out, personal texts
erased.
"""

import argparse
from collections.abc import Mapping
from pathlib import Path
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from coldcase.auditing import acknowledging, archiving, sealing, verifying
from coldcase.auditing.archiving import Erasure
from coldcase.auditing.verification import Verification
from coldcase.cli import database
from coldcase.cli.console import Commands, WrongUse, as_json, command, confirmed, result, say
from coldcase.db.engine import run_once


def add_record_commands(commands: Commands) -> None:
    """Adds `verify`, `archive` and `erase`."""
    added = command(
        commands,
        "verify",
        run_verify,
        "Recompute the audit seals; exit 1 if anything is not as it was sealed.",
    )
    added.add_argument("--expect", metavar="HEAD", help="the head of a seal, as it was kept elsewhere")
    added.add_argument(
        "--archive",
        metavar="FILE",
        action="append",
        default=[],
        help="the file of an archived year; again for more",
    )
    added.add_argument("--without-archives", action="store_true", help="archived years need not be shown")
    added.add_argument(
        "--acknowledge",
        metavar="REASON",
        help="as the owner: declare all that is wrong now known, in a sealed event",
    )
    added.add_argument("--json", action="store_true")
    database.add_owner_flags(added)
    says = "As the owner: write the decisions recorded in a year to a file, verify it, and take the year out."
    added = command(commands, "archive", run_archive, says)
    added.add_argument("year", type=int, help="the year of recording, not of the job")
    added.add_argument("--to", metavar="FOLDER", default=".", help="where the file goes (default: here)")
    added.add_argument(
        "--drop", action="store_true", help="also drop the detached table; else it stays beside the record"
    )
    database.add_owner_flags(added)
    added = command(
        commands,
        "erase",
        run_erase,
        "As the owner: erase a person's label everywhere, or what was written in one verdict.",
    )
    what = added.add_mutually_exclusive_group(required=True)
    what.add_argument("--person", metavar="LABEL", help="the label alone; what the person wrote stays")
    what.add_argument("--verdict-words", metavar="ID", help="the note of this verdict; who gave it stays")
    added.add_argument(
        "--addresses",
        action="store_true",
        help="with --person: also the network addresses that stand beside the label",
    )
    added.add_argument("--dry-run", action="store_true", help="say what would be erased, and erase nothing")
    added.add_argument("--yes", action="store_true", help="do not ask")
    database.add_owner_flags(added)


def run_verify(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Prints what was found; names each discrepancy. Writes nothing, unless it is to acknowledge."""
    found = _verified(args, environ)
    if args.acknowledge is not None:
        count = database.as_owner(
            args,
            environ,
            lambda conn: acknowledging.acknowledge(
                conn, found, args.acknowledge, actor=database.command_line_actor()
            ),
        )
        _seal(args, environ)
        say(f"coldcase: {count} troubles are acknowledged, under a seal; each verification tells of them")
        found = _verified(args, environ)
    if args.json:
        as_json(found.as_document())
    else:
        _print(found, excused=args.without_archives)
    return 0 if found.good and (args.without_archives or not found.not_shown) else 1


def _verified(args: argparse.Namespace, environ: Mapping[str, str]) -> Verification:
    expect = _head(args.expect)

    async def everything(conn: AsyncConnection) -> Verification:
        found = await verifying.verify(conn, expect=expect, every_digest=args.acknowledge is not None)
        for name in args.archive:
            await archiving.check_archive_file(conn, Path(name), found)
        return found

    with database.reading_url(database.read_settings(args, environ)) as url:
        return run_once(url, everything)


def _seal(args: argparse.Namespace, environ: Mapping[str, str]) -> None:
    """An event counts only once it is under a seal; the service would make one within a minute."""

    async def all_of_it(conn: AsyncConnection) -> None:
        made = await sealing.seal(conn)
        if made is not None:
            say(f"coldcase: sealed {made.count} records as seal {made.number}, head {made.head.hex()}")

    database.as_owner(args, environ, all_of_it)


def _print(found: Verification, *, excused: bool) -> None:
    for discrepancy in found.troubles:
        result(f"{discrepancy.what}: {discrepancy.detail}")
    if found.wrong > len(found.troubles):
        result(f"and {found.wrong - len(found.troubles)} more")
    for archive in found.not_shown:
        say(
            f"coldcase: the {archive.count} decisions of {archive.year} are believed gone, file not shown"
            f" ({'excused' if excused else '--archive, --without-archives'})"
        )
    for known in found.acknowledgements:
        say(
            f"coldcase: {known.found} troubles acknowledged on {known.at:%Y-%m-%d} (audit event "
            f"{known.event}): {known.reason}"
        )
    rest = {
        "not yet sealed": found.unsealed,
        "in archived years": found.taken_out,
        "with erased words": found.erased,
    }
    told = "".join(f", {count} {what}" for what, count in rest.items() if count)
    told += f", in {found.epochs} servers one after another" if found.epochs > 1 else ""
    wrong = f"{found.wrong or 'nothing'} wrong"
    if found.not_shown and not excused:
        # What makes the exit code 1 has to stand in the line that sums up.
        years = ", ".join(str(archive.year) for archive in found.not_shown)
        wrong += f" with what is here, but the archive of {years} was not shown"
    say(f"coldcase: {found.records} records under {found.seals} seals{told}; {wrong}")
    say(f"coldcase: head {found.head or '(no seal yet)'}")


def _head(text: str | None) -> bytes | None:
    try:
        head = None if text is None else bytes.fromhex(text)
    except ValueError:
        head = b""
    if head is not None and len(head) != 32:
        raise WrongUse("--expect takes the 64 hexadecimal digits of a head, as the service logged it.")
    return head


def run_archive(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Takes a year out; prints the file's name."""
    folder = Path(args.to)
    if not folder.is_dir():
        raise WrongUse(f"{folder} is no folder.")
    done = database.as_owner(
        args,
        environ,
        lambda conn: archiving.archive_year(
            conn, args.year, folder, drop=args.drop, actor=database.command_line_actor()
        ),
    )
    _seal(args, environ)
    say(
        f"coldcase: {done.count} decisions of {args.year} are in the file and out of the record; its "
        f"SHA-256 is {done.sha256}"
    )
    result(str(done.path))
    return 0


def run_erase(args: argparse.Namespace, environ: Mapping[str, str]) -> int:
    """Says how many records lose words, asks, and erases them. Nothing brings them back."""
    if args.addresses and args.person is None:
        raise WrongUse("--addresses goes with --person.")
    verdict = None if args.verdict_words is None else _uuid(args.verdict_words)

    def run(*, dry_run: bool) -> Erasure:
        told = {"person": args.person, "addresses": args.addresses, "verdict": verdict, "dry_run": dry_run}
        return database.as_owner(
            args,
            environ,
            lambda conn: archiving.erase_personal_texts(conn, **told, actor=database.command_line_actor()),
        )

    if not args.yes or args.dry_run:
        found = run(dry_run=True)
        _tell("would be erased", found)
        if args.dry_run or not found.records:
            return 0 if found.records else 1
        if not confirmed("Erase them for good?"):
            say("coldcase: nothing was erased")
            return 1
    found = run(dry_run=False)
    _tell("erased", found)
    return 0 if found.records else 1


def _tell(done: str, found: Erasure) -> None:
    say(
        f"coldcase: {done}: "
        f"{', '.join(f'{count} {word}' for word, count in found.texts.items()) or 'nothing'}"
    )
    if found.whole:
        say(
            f"coldcase: {found.whole} of these records are of an early release: their other words "
            "go with them"
        )


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError as error:
        raise WrongUse(f"'{text}' is no verdict's id.") from error
