"""`coldcase openapi`: the service's description of itself."""

import argparse
from collections.abc import Mapping

from coldcase.app import create_app
from coldcase.cli.console import Commands, command, result
from coldcase.settings import Settings
from coldcase.web import openapi


def add_document_commands(commands: Commands) -> None:
    """Adds `openapi`."""
    command(
        commands, "openapi", run_openapi, "Print the OpenAPI document that openapi/openapi.json must equal."
    )


def run_openapi(_: argparse.Namespace, __: Mapping[str, str]) -> int:
    """Prints the document; needs no database."""
    result(openapi.document_text(create_app(Settings()).routes).decode().rstrip())
    return 0
