"""`drivecare hosts`: the units and bays we know, and the shop's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseGroup
from drivecare.cli.common import PATH, finish, json_option
from drivecare.cli.completion import host_ids
from drivecare.cli.shop_profiles import known_hosts
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.fit.host_profile import HostCheck, HostDocument
    from drivecare.fit.model import HostList


@click.group(cls=HouseGroup, examples=["drivecare hosts match CH-2103"])
def hosts() -> None:
    """List and show units and bays, check a profile, match a label.

    A shop's own profiles are TOML files in the folder that $DRIVECARE_HOSTS names, else in drivecare/hosts in your
    configuration folder (~/.config).
    """


@hosts.command(
    "list",
    examples=["drivecare hosts list"],
)
@json_option
def list_hosts(as_json: bool) -> None:
    """List every unit and bay, one to a line."""
    from drivecare.fit.host_catalogue import summarize_host
    from drivecare.fit.model import HostList

    document = HostList(hosts=tuple(summarize_host(host) for host in known_hosts()))
    finish(document, show=lambda out: _show_hosts(out, document), as_json=as_json)


@hosts.command(
    "show",
    examples=["drivecare hosts show corvane-hearth-21"],
)
@click.argument("host", metavar="ID|LABEL", shell_complete=host_ids)
@json_option
def show_host(host: str, as_json: bool) -> None:
    """Show everything a profile says, with the source of each number."""
    from drivecare.fit.host_catalogue import find_host

    document = find_host(host, known_hosts())
    finish(document, show=lambda out: _show_host(out, document), as_json=as_json)


@hosts.command(
    "match",
    examples=['drivecare hosts match "Corvane Hearth CH-2103"'],
)
@click.argument("label", metavar="LABEL")
@json_option
def match_host(label: str, as_json: bool) -> None:
    """Find the unit that a label means.

    The revision on the label counts; the country the unit was sold in does not.
    """
    from drivecare.fit.host_catalogue import find_host

    document = find_host(label, known_hosts())
    finish(document, show=lambda out: out.print(f"{document.id}   {document.name}"), as_json=as_json)


@hosts.command(
    "check",
    ends={ExitCode.DONE: "nothing is wrong", ExitCode.ERROR: "something is wrong"},
    examples=["drivecare hosts check my-unit.toml"],
)
@click.argument("file", metavar="FILE", type=PATH)
@json_option
def check_host(file: Path, as_json: bool) -> None:
    """Check whether a profile can be used, and where it is wrong."""
    from drivecare.documents import MOST_PROFILE_BYTES, read_bytes
    from drivecare.fit.host_catalogue import read_part_beside
    from drivecare.fit.profile_check import check_profile

    data = read_bytes(file, limit_bytes=MOST_PROFILE_BYTES)
    document = check_profile(data, origin=str(file), read_part=read_part_beside(file.parent))
    code = ExitCode.DONE if document.valid else ExitCode.ERROR
    finish(document, show=lambda out: _show_check(out, document), as_json=as_json, exit_code=code)


def _show_hosts(out: Screen, document: HostList) -> None:
    rows = [(host.id, host.bay, host.interface, host.migration.replace("-", " ")) for host in document.hosts]
    out.print_table([("id", "takes a drive", "plug and link", "moves by"), *rows], heading=True)


def _show_check(out: Screen, document: HostCheck) -> None:
    for problem in document.problems:
        location = f"{document.file}: {problem.key}" if problem.key else document.file
        out.print(f"{location}: {problem.reason}", soft_wrap=True)
    if document.valid:
        out.print(f"{document.file}: nothing wrong", soft_wrap=True)


def _show_host(out: Screen, host: HostDocument) -> None:
    """One line for each table with its values and its source, then the steps."""
    import msgspec

    from drivecare.fit.steps import describe_step

    out.print_wrapped(f"{host.name}, {host.what} (id {host.id}, {host.origin})", indent=2, style="bold")
    for name in ("label", "bay", "interface", "supply", "capacity", "recording", "sectors", "moving"):
        table = getattr(host, name)
        if table is not None:
            fields = msgspec.to_builtins(table)
            source = fields.pop("source")
            values = ", ".join(f"{key} {_format_field(value)}" for key, value in fields.items() if _is_set(value))
            out.print_wrapped(f"{values}   [{source}]", first=f"  {name:10} ", indent=13)
    for number, step in enumerate(host.steps, 1):
        out.print_wrapped(describe_step(step), first=f"{number:3}. ", indent=5)
    for caution in host.cautions:
        out.print_wrapped(f"Mind: {caution}", first="  ", indent=8)


def _is_set(value: object) -> bool:
    return value is not None and value is not False and value != ()


def _format_field(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return " or ".join(str(choice) for choice in value)
    if isinstance(value, dict):
        return "(" + ", ".join(f"{key} {inner}" for key, inner in value.items()) + ")"
    if value is True:
        return "yes"
    return f"{value:,}" if isinstance(value, int) else str(value)
