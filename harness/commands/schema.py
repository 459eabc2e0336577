"""`branchproof schema`: the JSON Schemas of profiles, sites files and told runs. Layer: front end."""

from __future__ import annotations

import argparse
import json
import sys

from rich.console import Console

from harness.errors import EXIT_PROVEN
from harness.profile.schema import schema
from harness.profile.sites import sites_schema
from harness.reports.structured import story_schema

ORDER = 85


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    printing = commands.add_parser("schema", help="print the profile's JSON Schema")
    instead = printing.add_mutually_exclusive_group()
    instead.add_argument("--sites", action="store_true", help="that of the sites file instead")
    instead.add_argument("--story", action="store_true", help="that of a report in JSON instead")
    printing.set_defaults(run=_run_schema)


def _run_schema(args: argparse.Namespace, console: Console) -> int:
    made = sites_schema() if args.sites else story_schema() if args.story else schema()
    sys.stdout.write(json.dumps(made, indent=2) + "\n")
    return EXIT_PROVEN
