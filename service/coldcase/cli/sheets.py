"""The sheets of a rule table as files of a folder."""

from pathlib import Path

from coldcase import governing
from coldcase.cli.console import WrongUse, result
from coldcase.core.table_sheets import SHEETS


def write_sheets(document: bytes, folder: str) -> None:
    """Writes the three sheets and prints their paths. Raises `WrongUse` where one is there: it may have been
    edited.
    """
    place = Path(folder)
    made = {place / f"{name}.csv": text for name, text in governing.sheets_of(document).items()}
    for path in made:
        if path.exists():
            raise WrongUse(f"{path} is there already: name another folder, or move it away.")
    try:
        place.mkdir(parents=True, exist_ok=True)
        for path, text in made.items():
            # With its mark, or some spreadsheets take it for another encoding.
            path.write_bytes(text.encode("utf-8-sig"))
            result(str(path))
    except OSError as error:
        raise WrongUse(f"{folder}: {error.strerror}") from error


def read_sheets(folder: str) -> dict[str, str]:
    """The texts of those sheets that are in a folder, by name. Raises `WrongUse` if there is none or one
    cannot be read.
    """
    found = {}
    for name in SHEETS:
        path = Path(folder) / f"{name}.csv"
        try:
            found[name] = path.read_bytes().decode("utf-8-sig")
        except FileNotFoundError:
            continue
        except OSError as error:
            raise WrongUse(f"{path}: {error.strerror}") from error
        except UnicodeDecodeError as error:
            raise WrongUse(f"{path}: not UTF-8: save it as CSV in UTF-8.") from error
    if not found:
        names = ", ".join(f"{name}.csv" for name in SHEETS)
        raise WrongUse(f"{folder}: there is none of {names}.")
    return found
