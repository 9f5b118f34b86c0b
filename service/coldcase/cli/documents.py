"""`coldcase openapi`: the service's description of itself."""

import argparse
from collections.abc import Mapping

from coldcase.app import create_app
from coldcase.cli.talk import Commands, command, result
from coldcase.settings import Settings
from coldcase.web import contract


def add_commands(commands: Commands) -> None:
    """Adds `openapi`."""
    command(commands, "openapi", openapi, "Print the OpenAPI document that openapi/openapi.json must equal.")


def openapi(_: argparse.Namespace, __: Mapping[str, str]) -> int:
    """Prints the document; needs no database."""
    result(contract.text(create_app(Settings()).routes).decode().rstrip())
    return 0
