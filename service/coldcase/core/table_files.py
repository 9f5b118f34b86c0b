"""Reads a rule table from a folder of TOML files, or from one JSON or TOML document.

A folder has `table.toml` (settings and base rates), `groups.toml`, `handling.toml` (discounts and cautions),
`refrigerants.toml`, `limits.toml`, `links.toml` (may be missing), `patterns.toml`, `causes/<family>.toml` and
`findings/<station>.toml`.
"""

import tomllib
from collections.abc import Mapping
from typing import Any


def assemble(files: Mapping[str, str]) -> dict[str, Any]:
    """One table document from the texts of a folder, by relative path with `/`.

    Raises `tomllib.TOMLDecodeError` or `KeyError` (a file is missing).
    """
    documents = {name: tomllib.loads(text) for name, text in files.items() if name.endswith(".toml")}
    table = (
        documents["table.toml"]
        | documents["handling.toml"]
        | documents["limits.toml"]
        | documents.get("links.toml", {})
    )
    table["groups"] = documents["groups.toml"]
    table["refrigerants"] = documents["refrigerants.toml"]
    table["patterns"] = documents["patterns.toml"]
    table["causes"] = _in_folder(documents, "causes/", "family")
    table["findings"] = _in_folder(documents, "findings/", "station")
    return table


def _in_folder(documents: Mapping[str, dict[str, Any]], folder: str, member: str) -> dict[str, Any]:
    rows: dict[str, Any] = {}
    for name, document in sorted(documents.items()):
        if name.startswith(folder):
            stem = name.removeprefix(folder).removesuffix(".toml")
            rows |= {code: {**row, member: stem} for code, row in document.items()}
    return rows
