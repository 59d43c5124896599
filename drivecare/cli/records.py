"""`drivecare records`: one record for several benches, kept by a PostgreSQL server."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseGroup
from drivecare.cli.common import finish, jobs_option, json_option
from drivecare.cli.terminal import notify
from drivecare.errors import BadInput
from drivecare.exit_codes import ExitCode
from drivecare.format import format_count

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.record.location import Place


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
            f"A bench may file as a member of {document.bench_role}. As the administrator, one of these for each bench:"
        )
        for statement in document.administrator:
            out.print(f"  {statement}", soft_wrap=True)
        out.print_wrapped("Then on each bench: export DRIVECARE_JOBS=ADDRESS, with no password in it (PGPASSFILE).")

    finish(document, show=show, as_json=as_json)


@records.command(
    short_help="Copy all jobs into another record.",
    examples=["drivecare records copy jobs shop-jobs"],
    ends={ExitCode.DONE: "every job is there", ExitCode.INTERRUPTED: "jobs were left out; the same again goes on"},
)
@click.argument("source", metavar="FROM")
@click.argument("target", metavar="TO")
@json_option
def copy(source: str, target: str, as_json: bool) -> None:
    """Copy all jobs FROM one record TO another, each a folder or a postgresql://...: results and chains, byte for byte.

    FROM stays as it is, and so do images, journals and sheets. A job that TO has with other results is left alone.
    """
    from drivecare.record.copy_record import copy_record
    from drivecare.record.location import jobs_place, open_record

    places = jobs_place(source), jobs_place(target)
    if isinstance(places[0], Path) and not places[0].is_dir():
        raise BadInput("is no folder of jobs", location=source, hint="Name the folder that holds them.")
    document = copy_record(*(open_record(place, notify=notify) for place in places))

    def show(out: Screen) -> None:
        out.print_wrapped(
            f"{format_count(len(document.copied), 'job')} copied, {len(document.present):,} there already, "
            f"{len(document.left_out):,} left out."
        )
        for job in document.left_out:
            out.print_wrapped(job.reason, indent=2)

    code = ExitCode.INTERRUPTED if document.left_out else ExitCode.DONE
    finish(document, show=show, as_json=as_json, exit_code=code)


@records.command(
    short_help="File what waits on this bench.",
    examples=["drivecare records push"],
    ends={ExitCode.DONE: "nothing waits any more", ExitCode.INTERRUPTED: "something waits still"},
)
@jobs_option
@json_option
def push(jobs: Place, as_json: bool) -> None:
    """File what was made on this bench while the record's server was away, in order, each result once.

    Every command that reaches the server does so first. What the record refuses, a result of a job closed meanwhile
    for one, goes on waiting, and the later results of its job with it.
    """
    from drivecare.record.location import open_record

    document = open_record(jobs).push()

    def show(out: Screen) -> None:
        for result in document.filed:
            out.print(f"Filed in job {result.job}: {result.file}", soft_wrap=True)
        for waiting in document.waiting:
            out.print_wrapped(f"Waits for job {waiting.job}, {waiting.kind}: {waiting.reason}", indent=2)
        if not document.filed and not document.waiting:
            out.print("Nothing waits on this bench.")

    code = ExitCode.INTERRUPTED if document.waiting else ExitCode.DONE
    finish(document, show=show, as_json=as_json, exit_code=code)
