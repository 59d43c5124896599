"""Read a drive's health: ask the backend, try the ways through a USB bridge, add what the kernel knows.

Nothing here changes a setting of a drive: only questions are asked. The text is decoded in drivecare.reading.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import msgspec

from drivecare.errors import BadInput, DriveCareError, NoDrive, Unavailable
from drivecare.hardware.blockdev import AttachedDrive, inspect
from drivecare.hardware.machine import Machine
from drivecare.hardware.port import Answer, Backend
from drivecare.reading.decode import decode_report
from drivecare.reading.model import Gap, RawReport, Reading

# Everything a drive tells about itself in one call, the attributes in the layout that spells out their type.
EVERYTHING = ("-x", "-f", "old")
ESSENTIALS = ("-i", "-H", "-A")  # for a drive that hangs over one of its logs
IDENTITY = ("-i",)

# A failing drive may retry a log sector for a minute; a hung one must not hold up the bench for ever.
EVERYTHING_SECONDS = 150.0
ESSENTIALS_SECONDS = 40.0
IDENTITY_SECONDS = 20.0

# Ways through a USB bridge: the standard ones first (SAT: ATA PASS-THROUGH of 16 and of 12 bytes), then NVMe bridges,
# then bridges from before SAT. Types that write to the drive or need a port number are left to --transport.
USB_TRANSPORTS = (
    "sat",
    "sat,12",
    "sntjmicron",
    "sntasmedia",
    "sntrealtek",
    "usbjmicron",
    "usbsunplus",
    "usbprolific",
    "usbcypress",
)

ANOTHER_WAY = "Connect the drive to a native SATA or NVMe port, or use another dock."


def read_drive(
    path: str, *, transport: str | None = None, backend: Backend | None = None, root: Path = Path("/")
) -> Reading:
    """One live drive's reading. `transport` is a type of the backend ("sat", "sntjmicron", ...); None finds it.

    Raises Unavailable (no backend, no permission, device gone), NoDrive (an image file has no health of its own),
    BadInput (a partition, a transport unknown to the backend). A drive that is there but cannot be read through its
    bridge, or hangs, gives a reading whose gaps say so.
    """
    attached = inspect(path, root=root)
    if attached.bus in ("loop", "nbd"):
        raise NoDrive(
            "is an image attached as a drive and has no health of its own",
            where=path,
            hint="Assess the drive it was copied from.",
        )
    asking = backend or Machine().backend()
    answer = _ask(asking, path, transport, EVERYTHING, EVERYTHING_SECONDS)
    reading = _decoded(answer, path, transport)
    tried: list[str] = []
    if transport is None and attached.bus in ("usb", "uas") and not _speaks_for_itself(reading):
        way = way_through(asking, path, tried=tried)
        if way is not None:
            answer = _ask(asking, path, way, EVERYTHING, EVERYTHING_SECONDS)
            reading = _decoded(answer, path, way)
    if answer.exit_status is None:
        reading = _hung(asking, path, reading.transport)
    return _completed(reading, attached, transport, tried)


def read_drives(
    paths: Sequence[str], *, transport: str | None = None, backend: Backend | None = None, root: Path = Path("/")
) -> tuple[Reading | DriveCareError, ...]:
    """Several drives at the same time, in the order given: as slow as the slowest, and one error spoils no other."""
    asking = backend or Machine().backend()

    def one(path: str) -> Reading | DriveCareError:
        try:
            return read_drive(path, transport=transport, backend=asking, root=root)
        except DriveCareError as error:
            return error

    if not paths:
        return ()
    with ThreadPoolExecutor(max_workers=len(paths)) as pool:
        return tuple(pool.map(one, paths))


def _ask(backend: Backend, path: str, transport: str | None, question: tuple[str, ...], limit_seconds: float) -> Answer:
    how = ("-d", transport) if transport else ()
    answer = backend.ask((*question, *how, path), limit_seconds=limit_seconds)
    refusal = refused(answer.text, path)
    if refusal is not None:
        raise refusal
    return answer


def refused(text: str, path: str) -> DriveCareError | None:
    """The error behind a backend's words, from one table; None where it spoke with the drive or with its bridge."""
    if (unknown := re.search(r"Unknown device type '([^']*)'", text)) is not None:
        offered = re.search(r"VALID ARGUMENTS ARE: (.*?),? *(?:test )?<=", text)
        hint = f"It offers: {offered[1]}." if offered else "Leave --transport out, or try sat."
        return BadInput(f"the backend knows no transport {unknown[1]!r}", where=path, hint=hint)
    for pattern, what, hint in _REFUSALS:
        if re.search(pattern, text):
            return Unavailable(what, where=path, hint=hint)
    return None


_REFUSALS = (
    # what the backend printed; what it means; what to do
    (
        r"open device: .* failed: (?:Permission denied|Operation not permitted)",
        "may not be opened by you",
        "Run the same command with sudo; inside a container, run it outside.",
    ),
    (
        r"open device: .* failed: No such (?:device|file)",
        "is not there any more",
        "Check its cable and its power, then `drivecare drives`.",
    ),
    (
        r"open device: .* failed: Device or resource busy",
        "is held by another program",
        "End that program, then read again; `drivecare drives` may name it.",
    ),
)


def _decoded(answer: Answer, path: str, transport: str | None) -> Reading:
    """The decoded answer; an empty reading that keeps the text where it names no drive."""
    read_at = datetime.now().astimezone().isoformat(timespec="seconds")
    try:
        return decode_report(
            answer.text,
            read_at=read_at,
            path=path,
            transport=transport,
            exit_status=answer.exit_status,
            asked=answer.asked,
        )
    except BadInput:
        raw = RawReport(text=answer.text, exit_status=answer.exit_status, asked=answer.asked)
        return Reading(read_at=read_at, path=path, transport=transport, raw=raw)


def _speaks_for_itself(reading: Reading) -> bool:
    """Whether the drive behind the bridge answered, and not the bridge in its place."""
    return reading.drive.protocol in ("ata", "nvme") and reading.drive.serial is not None


def way_through(backend: Backend, path: str, *, tried: list[str] | None = None) -> str | None:
    """The first transport by which the drive behind a USB bridge gives its own name; None where there is none.

    "auto" is the backend's own choice. Asks for the drive's identity only; `tried` collects what was asked.
    """
    for transport in ("auto", *USB_TRANSPORTS):
        try:
            answer = _ask(backend, path, transport, IDENTITY, IDENTITY_SECONDS)
        except BadInput:
            continue  # an older backend does not know this type
        if tried is not None:
            tried.append(transport)
        if _speaks_for_itself(_decoded(answer, path, transport)):
            return transport
    return None


def _hung(backend: Backend, path: str, transport: str | None) -> Reading:
    """What a drive tells that hung over the long question: the short one, and a gap that says so."""
    answer = _ask(backend, path, transport, ESSENTIALS, ESSENTIALS_SECONDS)
    reading = _decoded(answer, path, transport)
    if answer.exit_status is None:
        gap = Gap(
            code="no-answer",
            what=f"the drive did not answer within {EVERYTHING_SECONDS + ESSENTIALS_SECONDS:.0f} seconds",
            blocks=True,
            advice="Switch the dock off and on, try another port and cable, and read again.",
        )
    else:
        gap = Gap(
            code="logs-unanswered",
            what=f"the drive hung over its logs for {EVERYTHING_SECONDS:.0f} seconds; only attributes were read",
            advice="Read again after switching the dock off and on.",
        )
    return msgspec.structs.replace(reading, gaps=(*reading.gaps, gap))


def _completed(reading: Reading, attached: AttachedDrive, transport: str | None, tried: Sequence[str]) -> Reading:
    """The reading with what the kernel knows besides: the bridge, its serial number, the size it presents."""
    drive = reading.drive
    identity = drive.identity
    if identity.bridge_serial is None and attached.identity.bridge_serial:
        identity = msgspec.structs.replace(identity, bridge_serial=attached.identity.bridge_serial)
    if identity.strength == "none":
        identity = attached.identity
    gaps = list(reading.gaps)
    if drive.capacity_bytes and attached.capacity_bytes and drive.capacity_bytes != attached.capacity_bytes:
        gaps.append(_size_differs(drive.capacity_bytes, attached))
    if not any(gap.blocks for gap in gaps) and not _has_health(reading):
        gaps.append(_blocked(attached, transport, tried))
    return msgspec.structs.replace(
        reading,
        bridge=reading.bridge or attached.bridge,
        gaps=tuple(gaps),
        drive=msgspec.structs.replace(
            drive,
            model=drive.model or attached.model,
            serial=drive.serial or attached.identity.native_serial,
            identity=identity,
            capacity_bytes=drive.capacity_bytes or attached.capacity_bytes or None,
            attached_sector_bytes=attached.logical_sector_bytes,
            logical_sector_bytes=drive.logical_sector_bytes or attached.logical_sector_bytes,
        ),
    )


def _has_health(reading: Reading) -> bool:
    return reading.drive_says != "silent" or bool(reading.attributes) or reading.values != type(reading.values)()


def _size_differs(native_bytes: int, attached: AttachedDrive) -> Gap:
    return Gap(
        code="size-differs",
        what=f"the drive says it has {native_bytes:,} bytes, this machine sees {attached.capacity_bytes:,}",
        advice="Do not copy through this bridge. " + ANOTHER_WAY if attached.bridge else "Read it on another port.",
    )


def _blocked(attached: AttachedDrive, transport: str | None, tried: Sequence[str]) -> Gap:
    if attached.bridge or attached.bus in ("usb", "uas"):
        ways = f" (tried {', '.join(tried)})" if tried else f" (over {transport})" if transport else ""
        return Gap(
            code="bridge-blocked",
            what=f"the USB bridge lets no health data through{ways}",
            blocks=True,
            advice=ANOTHER_WAY,
        )
    return Gap(
        code="no-health-data",
        what="the drive gives no health data over this connection",
        blocks=True,
        advice="If it sits behind a controller, name its port with --transport, or use a native port.",
    )
