"""`coldcase` and `python -m coldcase`. The only place that reads the environment."""

import os
import sys

from coldcase.cli import main


def run() -> int:
    """Runs the command that was asked for; answers its exit code."""
    return main(sys.argv[1:], os.environ)


if __name__ == "__main__":
    sys.exit(run())
