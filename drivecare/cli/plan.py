"""`drivecare plan`: which drive fits this unit, why the others do not, and the steps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drivecare.cli.common import PATH, finish, job_folder, job_options, json_option
from drivecare.cli.terminal import notify
from drivecare.format import Excerpt

if TYPE_CHECKING:
    from drivecare.fit.host_profile import Host
    from drivecare.fit.model import Candidate
    from drivecare.reading.model import Reading


class PlanCommand(click.Command):
    """A command whose help ends with the columns of the stock list."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The columns, from the table that reads them, and the example."""
        from drivecare.fit.candidates import COLUMNS

        with formatter.section("Columns of the stock list, and facts for --fact (name or model is needed)"):
            formatter.write_dl([(name, column.help) for name, column in COLUMNS.items()])
        super().format_epilog(ctx, formatter)


@click.command(
    cls=PlanCommand, epilog="\b\nExample: drivecare plan --host CH-2103 --reading old.json --stock stock.csv --job 1042"
)
@click.option("--host", "label", required=True, metavar="LABEL", help="The unit's label, or the id of a unit or bay.")
@click.option("--reading", metavar="DRIVE|FILE", help="The old drive: attached, a saved reading, or its report.")
@click.option("--stock", metavar="CSV", type=PATH, help="Drives to choose from.")
@click.option("--candidate", "given", multiple=True, metavar="DRIVE|FILE", help="One drive to try; may be repeated.")
@click.option("--height-mm", metavar="MM", help="The --candidate's height, measured by hand.")
@click.option("--fact", "facts", multiple=True, metavar="NAME=VALUE", help="Another fact of it, looked up by hand.")
@click.option("--used", metavar="SIZE", help="How much of the old drive is used, for a file copy: 212 GB.")
@click.option(
    "--migration",
    type=click.Choice(["sector-copy", "unit-initialises", "file-copy"]),
    help="How the content moves, where it is not as the profile says.",
)
@click.option("--symptom", metavar="TEXT", help="What the customer saw: says what to check before the drive.")
@job_options
@json_option
def plan(
    label: str,
    reading: str | None,
    stock: Path | None,
    given: tuple[str, ...],
    height_mm: str | None,
    facts: tuple[str, ...],
    used: str | None,
    migration: str | None,
    symptom: str | None,
    job: str | None,
    jobs: Path | None,
    as_json: bool,
) -> None:
    """Find the replacement that fits this unit, and the steps to fit it.

    A fact that nobody told never counts as fitting: such a drive is listed as one that may fit. Drives do not report
    their height, current or plug; measure, and say so with --height-mm and --fact.

    \b
    Exit code: 0 a candidate fits, 30 none fits, 31 one may fit but facts are missing.
    """
    from drivecare.cli.hosts import known_hosts
    from drivecare.cli.plan_screen import show_plan
    from drivecare.fit.host_catalogue import find_host
    from drivecare.fit.plan import exit_code, make_plan

    folder = job_folder(job, jobs) if job is not None else None
    by_hand = _facts(facts, height_mm)
    if by_hand and len(given) != 1:
        raise click.UsageError("--height-mm and --fact speak of one --candidate; give exactly one.")
    host = _moving(find_host(label, known_hosts()), migration)
    old = None if reading is None else _read(reading)
    document = make_plan(
        host,
        [*_from_stock(stock), *(_candidate(one, by_hand) for one in given)],
        label=label,
        reading=old,
        verdict=None if old is None else _verdict(old),
        used_bytes=None if used is None else _used(used),
        symptom=symptom,
        job=job,
    )
    finish(
        document,
        show=lambda out: show_plan(out, document),
        as_json=as_json,
        exit_code=exit_code(document),
        folder=folder,
    )


def _moving(host: Host, migration: Any) -> Host:
    import msgspec

    if migration is None:
        return host
    moving = msgspec.structs.replace(host.moving, kind=migration)
    return msgspec.structs.replace(host, moving=moving)


def _from_stock(stock: Path | None) -> tuple[Candidate, ...]:
    from drivecare.documents import read_bytes
    from drivecare.fit.candidates import read_stock

    if stock is None:
        return ()
    found = read_stock(read_bytes(stock), origin=str(stock))
    if found.ignored:
        notify(f"{stock}: columns not used: {', '.join(Excerpt(found.ignored).lines(str, 'of them'))}")
    for line in Excerpt(found.faults).lines(str, "faults"):
        notify(line)
    return found.candidates


def _candidate(which: str, by_hand: dict[str, str]) -> Candidate:
    from drivecare.fit.candidates import add_facts, candidate_from_reading

    reading = _read(which)
    return add_facts(candidate_from_reading(reading, verdict=_verdict(reading)), by_hand)


def _read(which: str) -> Reading:
    """An attached drive, where the name is that of a device; else a saved reading or report."""
    from drivecare.hardware.device_path import is_device

    if is_device(which):
        from drivecare.hardware.smart import read_drive

        return read_drive(which)
    from drivecare.reading.reading_files import load_reading

    return load_reading(Path(which))


def _verdict(reading: Reading) -> str:
    from drivecare.risk.assess import assess

    return assess(reading).verdict


def _facts(facts: tuple[str, ...], height_mm: str | None) -> dict[str, str]:
    found = {}
    for fact in facts:
        name, separator, value = fact.partition("=")
        if not separator:
            raise click.UsageError(f"--fact {fact!r} is not NAME=VALUE, such as height=9.5.")
        found[name] = value
    return found if height_mm is None else {**found, "height": height_mm}


def _used(text: str) -> int:
    from drivecare.errors import BadInput
    from drivecare.fit.units import parse_amount

    try:
        return parse_amount(text)
    except ValueError as error:
        raise BadInput(str(error), location="--used", hint="For example: --used '212 GB'.") from error
