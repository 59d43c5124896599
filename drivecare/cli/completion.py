"""What the shell completes: jobs, drives, files, units and symptoms. click writes the scripts for bash, zsh and fish.

A completer never fails and prints nothing: what cannot be looked up is not completed. The serial number that
`--allow-overwrite` asks for is never offered, since a person vouches for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from drivecare.errors import DriveCareError

Completer = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]
_DEVICES = "/dev/"


def _completer(offer: Callable[[click.Context, str], Iterable[CompletionItem]]) -> Completer:
    """Make a completer of what is offered for a word that was begun."""

    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG001
        try:
            return list(offer(ctx, incomplete))
        except (DriveCareError, OSError):
            return []

    return complete


def _starting(items: Iterable[tuple[str, str | None]], incomplete: str) -> list[CompletionItem]:
    """The items, each a word with its meaning, that begin as what was typed does."""
    return [CompletionItem(word, help=meaning) for word, meaning in items if word.startswith(incomplete)]


@_completer
def job_ids(ctx: click.Context, incomplete: str) -> Iterable[CompletionItem]:
    """Complete the ID of a job."""
    return _starting(_jobs(ctx), incomplete)


@_completer
def drives_and_files(ctx: click.Context, incomplete: str) -> Iterable[CompletionItem]:
    """Complete a drive where the word is a device's or not begun yet, else a file."""
    if not (incomplete.startswith(_DEVICES) or _DEVICES.startswith(incomplete)):
        return [CompletionItem(incomplete, type="file")]
    from drivecare.cli.common import machine
    from drivecare.work.attached_drives import list_attached

    # The shell completes files by itself or not at all, so before the first letter both are listed here.
    files = [] if incomplete else [path for path in Path().iterdir() if not path.name.startswith(".")]
    drives = [
        (drive.path, " ".join(filter(None, (drive.model, drive.serial))) or None)
        for drive in list_attached(machine(ctx)).drives
    ]
    names = sorted(f"{path.name}/" if path.is_dir() else path.name for path in files)
    return _starting([*drives, *((name, None) for name in names)], incomplete)


@_completer
def host_ids(ctx: click.Context, incomplete: str) -> Iterable[CompletionItem]:  # noqa: ARG001  as every completer
    """Complete the ID of a unit's profile."""
    from drivecare.cli.shop_profiles import host_folders
    from drivecare.fit.host_catalogue import load_hosts

    return _starting([(host.id, host.name) for host in load_hosts(host_folders()).hosts], incomplete)


@_completer
def symptom_ids(ctx: click.Context, incomplete: str) -> Iterable[CompletionItem]:
    """Complete a symptom: those that all units share, and those of the unit that the line names."""
    from drivecare.cli.shop_profiles import host_folders
    from drivecare.fit.host_catalogue import common_symptoms, find_host, load_hosts

    label = ctx.params.get("label")
    own = find_host(label, load_hosts(host_folders()).hosts).symptoms if label else ()
    return _starting([(symptom.id, symptom.says) for symptom in (*own, *common_symptoms())], incomplete)


@_completer
def jobs_and_facts(ctx: click.Context, incomplete: str) -> Iterable[CompletionItem]:
    """Complete the name of a fact that a person records, and before it the ID of its job."""
    from drivecare.job.attestations import FACTS

    facts: list[tuple[str, str | None]] = [(name, None) for name in FACTS]
    return _starting(facts if ctx.params.get("words") else [*_jobs(ctx), *facts], incomplete)


def _jobs(ctx: click.Context) -> list[tuple[str, str | None]]:
    from drivecare.record.location import open_record

    return [(id, None) for id in open_record(ctx.params.get("jobs")).ids()]
