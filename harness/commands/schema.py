"""`branchproof schema`: the JSON Schema of profiles and sites files. Layer: front end."""

from __future__ import annotations

import argparse
import json
import sys

from rich.console import Console

from harness.errors import EXIT_PROVEN
from harness.profile.schema import schema
from harness.profile.sites import sites_schema

ORDER = 85


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    printing = commands.add_parser("schema", help="print the profile's JSON Schema")
    printing.add_argument("--sites", action="store_true", help="that of the sites file instead")
    printing.set_defaults(run=_run_schema)


def _run_schema(args: argparse.Namespace, console: Console) -> int:
    sys.stdout.write(json.dumps(sites_schema() if args.sites else schema(), indent=2) + "\n")
    return EXIT_PROVEN
