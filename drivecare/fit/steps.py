"""The steps of a swap in order, and the cautions that come before them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from drivecare.fit.host_profile import BenchPhase, BenchStep, Host
from drivecare.fit.model import Advice, JudgedCandidate, ReplacedDrive
from drivecare.fit.standards import connectors
from drivecare.format import join_and
from drivecare.reading.model import Reading

CAUTIONS: Final = (
    "Power: unplug, wait, then measure. Capacitors in a mains supply stay charged; leave the supply itself to someone "
    "licensed for it, and follow your local electrical code.",
    "Static: wear an earthed wrist strap and hold drives by their edges.",
    "Customer: have the consent in writing, and look at no more than the job needs. Privacy law differs by country.",
    "Seals: a seal over a screw may be a warranty seal where you are. Tell the customer before you break it.",
    "Coin cell: if you lift one, insulate it and keep it away from children; clock and settings are lost.",
    "Desktop: switch automounting off before you plug in the customer's drive; mounting can write to it.",
    "Identifiers: after a copy the old and the new drive carry the same ones; never leave both attached.",
)


def make_cautions(host: Host, reading: Reading | None, encrypted: Sequence[str] = ()) -> tuple[str, ...]:
    """List what to mind throughout: the usual cautions, this unit's, this drive's."""
    return (*CAUTIONS, *host.cautions, *_drive_cautions(host, reading), *_key_cautions(encrypted))


def _key_cautions(encrypted: Sequence[str]) -> Iterator[str]:
    if encrypted:
        yield (
            f"Encrypted on the old drive: {join_and(encrypted)}. A copy may not open or start elsewhere: have the "
            "customer's recovery key before you wipe or return anything."
        )


def _drive_cautions(host: Host, reading: Reading | None) -> Iterator[str]:
    if host.moving.paired:
        yield "Pairing: this unit may refuse even a perfect copy on another drive. Keep the old one until that has run."
    if reading is None:
        return
    drive = reading.drive
    if drive.security == "locked":
        yield "The old drive is locked with a password: it cannot be read until it is unlocked."
    hidden = (drive.native_capacity_bytes or 0) - (drive.capacity_bytes or 0)
    if drive.capacity_bytes is not None and hidden > 0 and drive.protocol == "nvme":
        yield f"The old drive has {hidden:,} bytes outside the namespace that was read; a copy of one leaves the rest."
    elif drive.capacity_bytes is not None and hidden > 0:
        yield f"The old drive hides {hidden:,} bytes at its end; a copy of the visible part leaves them behind."


def make_steps(
    host: Host,
    source: ReplacedDrive | None,
    chosen: JudgedCandidate | None,
    advice: Advice | None,
    *,
    job: str | None = None,
) -> tuple[str, ...]:
    """List every step as a sentence or two, in the order of the work, each with its caution.

    Commands name OLD and NEW, to be filled in, and the job where it is known.
    """
    return tuple(_list_steps(host, source, chosen, advice, job or "JOB"))


def _list_steps(
    host: Host, source: ReplacedDrive | None, chosen: JudgedCandidate | None, advice: Advice | None, job: str
) -> Iterator[str]:
    if advice is not None and not advice.drive_likely:
        first = join_and(advice.first or ("the rest of the unit",))
        yield f"The drive is not the likely cause here ({advice.cause}): check {first} first."
    yield from _bench_steps(host, "open")
    if source is not None and source.verdict == "evacuate":
        yield "The old drive is losing data: run nothing else on it, and copy it before you test or order anything."
    if connectors()[host.interface.connector].soldered:
        yield (
            "Nothing can be fitted here: save the content through the unit itself while it still runs. Replacing "
            "chips on its board is board repair."
        )
        return
    yield from _array_steps(host)
    if chosen is None:
        if source is not None and source.verdict == "evacuate":
            yield f"Do not wait for a new drive: drivecare copy OLD IMAGE --job {job}."
        yield "Stop here until a drive is chosen: order one by the order list, then plan again with it as --candidate."
        return
    new = f"{chosen.name}" + (f" (shelf {chosen.shelf})" if chosen.shelf else "")
    yield f"Take {new} and judge it before use: drivecare assess NEW --as new --job {job}."
    yield from _move(host, source, job)
    for check in chosen.checks:
        if check.check == "larger-drive":
            yield f"Know that the new drive is larger: {check.reason}. Change nothing on it before the gate is open."
    yield f"Ask the gate: drivecare gate {job}. Continue only when it is open."
    for check in chosen.checks:
        if check.result == "warn" and check.check in ("height", "form-factor", "screw-depth", "adapter"):
            yield f"Have ready for the new drive: {check.reason}."
    if "pata" in host.interface.protocols:
        position = host.interface.pata_position
        setting = "as the old drive's stood" if position is None else f"to {position.replace('-', ' ')}"
        yield f"Set the jumper of the drive or its adapter {setting}, and mind pin 1: the marked edge of the cable."
    yield from _bench_steps(host, "fit")
    yield f"Know before the first start: {host.moving.how}"
    yield from _bench_steps(host, "close")
    yield "Keep the old drive, labelled, until the customer agrees that all is well."


def _array_steps(host: Host) -> Iterator[str]:
    """What a drive pulled from an array is, before its content moves."""
    match host.moving.array:
        case "stripe":
            yield (
                "One member of a stripe set is not a copy of the customer's data, and the set is lost without it: make "
                "an image of every member before the unit starts again, and ask the customer for a backup."
            )
        case "parity":
            yield (
                "One member of a parity set is not a copy of the customer's data, and a second failure during the "
                "rebuild loses the set: ask the customer for a backup first."
            )
        case "mirror":
            yield "The member left holds all of the customer's data now: ask for a backup before the rebuild."
        case None if host.moving.kind == "unit-initialises":
            yield (
                "Find out whether this unit joins its drives to an array: one member of a stripe or parity set is not "
                "a copy of the customer's data."
            )


def _move(host: Host, source: ReplacedDrive | None, job: str) -> Iterator[str]:
    """The steps that move the content, in the way the unit needs."""
    kind = host.moving.kind
    detach = (
        f"Power off the dock, detach the old drive and label it (drivecare job label {job}); record that: "
        f"drivecare job record {job} detached."
    )
    if kind == "sector-copy":
        yield (
            f"Attach both drives to the bench machine, nothing mounted: drivecare copy OLD NEW --job {job}. The copy "
            "counts once it ends as verified; to read it back again later: drivecare verify RECEIPT NEW."
        )
        yield detach
    elif kind == "file-copy":
        if source is not None and source.verdict == "evacuate":
            yield "Take the files from the copy of the old drive, opened read-only: the old drive is not loaded."
        yield f"Copy the files with their checksums: drivecare copy-files OLD-FOLDER NEW-FOLDER --job {job}."
        yield detach
    else:
        if source is not None and source.verdict in ("evacuate", "replace", "recheck"):
            yield f"If the customer wants what is on the old drive, first: drivecare copy OLD IMAGE --job {job}."
        rebuilt = host.moving.array in ("mirror", "parity")
        how = "rebuilds it from the members left, over anything copied" if rebuilt else "sets it up itself"
        yield (
            f"Leave the new drive empty: this unit {how}. Record that: "
            f"drivecare job record {job} route new-drive-empty."
        )


def _bench_steps(host: Host, phase: BenchPhase) -> Iterator[str]:
    for step in host.steps:
        if step.phase == phase:
            yield describe_step(step)


def describe_step(step: BenchStep) -> str:
    """Describe a step with what it takes and what to mind."""
    parts = [step.do.rstrip(".")]
    if step.tool:
        parts.append(f"Tool: {step.tool}")
    if step.screws:
        parts.append(f"Screws: {step.screws}")
    if step.caution:
        parts.append(f"Mind: {step.caution.rstrip('.')}")
    return ". ".join(parts) + "."
