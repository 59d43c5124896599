"""`drivecare records`: one record for several benches, kept by a PostgreSQL server."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseGroup
from drivecare.cli.common import finish, json_option

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen


@click.group(cls=HouseGroup, examples=["drivecare records setup postgresql:///shop"])
def records() -> None:
    """Share one record among several benches; docs/several-benches.md shows how.

    It is kept by a PostgreSQL server of yours. Each bench then names it: DRIVECARE_JOBS=postgresql://server.example/shop
    """


@records.command(
    short_help="Make the tables, or bring them up to date.",
    examples=["drivecare records setup postgresql:///shop"],
)
@click.argument("address")
@json_option
def setup(address: str, as_json: bool) -> None:
    """Set up the record in a database, as the user who is to own it, and print what lets the benches in.

    Benches may add and read results; the server lets none of them change or delete one. Run it again after an update.
    """
    from drivecare.record.address import parse_address
    from drivecare.record.shared_setup import setup_record

    document = setup_record(parse_address(address))

    def show(out: Screen) -> None:
        done = "is set up" if document.applied else "was up to date"
        out.print_wrapped(f"{document.record} {done}; {document.owner} owns it.")
        out.print_wrapped(
            f"A bench may file as a member of {document.bench_role}. As the administrator, once per bench:"
        )
        for statement in document.administrator:
            out.print(f"  {statement}", soft_wrap=True)
        out.print_wrapped("Then on each bench: export DRIVECARE_JOBS=ADDRESS, with no password in it (PGPASSFILE).")

    finish(document, show=show, as_json=as_json)
