"""The PostgreSQL programs of the wheel, and the system account that runs them where the command runs as root."""

import logging
import pwd
import subprocess
from contextlib import suppress

from coldcase.db.local_files import locked, make_run_folder
from coldcase.errors import StoreAway

log = logging.getLogger(__name__)

ACCOUNT = "pgserver"


def server_account(name: str = ACCOUNT) -> pwd.struct_passwd:
    """The system account that the server runs as under root, which PostgreSQL refuses to run as; made, and told of, if there is none.

    Raises StoreAway if it cannot be made.
    """
    with suppress(KeyError):
        return pwd.getpwnam(name)
    # Two commands that start at the same moment would both make it.
    with locked(make_run_folder() / "account.lock", seconds=60):
        with suppress(KeyError):
            return pwd.getpwnam(name)
        try:
            command = ["useradd", "--system", "--user-group", "--no-create-home", "--home-dir", "/nonexistent"]
            subprocess.run([*command, "--shell", "/bin/false", name], stdin=subprocess.DEVNULL, capture_output=True, text=True, check=True)  # noqa: S603
        except (OSError, subprocess.CalledProcessError) as error:
            said = getattr(error, "stderr", None) or str(error)
            raise StoreAway(
                f"PostgreSQL does not run as root, and the system account '{name}' for it could not be made ({said.strip()}): "
                "make one, run the command as another account, or name a server with --database-url."
            ) from error
        log.warning("made the system account '%s': PostgreSQL does not run as root", name)
        return pwd.getpwnam(name)
