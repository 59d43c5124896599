"""Read a drive's health: ask the backend, try the ways through a USB bridge, add what the kernel knows.

Nothing here changes a setting of a drive: only questions are asked. The text is decoded in drivecare.reading.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from drivecare.errors import BadInput, DriveCareError, NoDrive, Unavailable
from drivecare.hardware.blockdev import AttachedDrive, inspect_drive
from drivecare.hardware.machine import THIS_MACHINE, Machine
from drivecare.hardware.smart_port import Backend, BackendAnswer
from drivecare.reading.decode import decode_report
from drivecare.reading.kernel_facts import decode_attached
from drivecare.reading.model import Attached, RawReport, Reading, Unanswered
from drivecare.shell import spell_path

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


def read_drive(path: str, *, transport: str | None = None, machine: Machine = THIS_MACHINE) -> Reading:
    """One live drive's reading. `transport` is a type of the backend ("sat", "nvme", ...); None finds it.

    Raises Unavailable (no backend, no permission, device gone), NoDrive (an image file has no health of its own),
    BadInput (a partition, a transport unknown to the backend). A drive that is there but cannot be read through its
    bridge, or hangs, gives a reading whose gaps say so.
    """
    return _read_attached(path, transport, machine, machine.backend())


def read_drives(
    paths: Sequence[str], *, transport: str | None = None, machine: Machine = THIS_MACHINE
) -> tuple[Reading | DriveCareError, ...]:
    """Several drives at the same time, in the order given: as slow as the slowest, and one error spoils no other."""
    if not paths:
        return ()
    backend = machine.backend()

    def read_or_error(path: str) -> Reading | DriveCareError:
        try:
            return _read_attached(path, transport, machine, backend)
        except DriveCareError as error:
            return error

    with ThreadPoolExecutor(max_workers=len(paths)) as pool:
        return tuple(pool.map(read_or_error, paths))


def find_transport(backend: Backend, path: str, *, tried: list[str] | None = None) -> str | None:
    """The first transport by which the drive behind a USB bridge gives its own name; None where there is none.

    "auto" is the backend's own choice. Asks for the drive's identity only; `tried` collects what was asked.
    """
    for transport in ("auto", *USB_TRANSPORTS):
        try:
            answer = _ask_backend(backend, path, transport, IDENTITY, IDENTITY_SECONDS)
        except BadInput:
            continue  # an older backend does not know this type
        if answer.exit_status is None:
            return None  # it hangs: more questions would only take longer
        if tried is not None:
            tried.append(transport)
        if _drive_spoke(answer):
            return transport
    return None


def backend_refusal(text: str, path: str) -> DriveCareError | None:
    """The error behind a backend's words, from one table; None where it spoke with the drive or with its bridge."""
    if (unknown := re.search(r"Unknown device type '([^']*)'", text)) is not None:
        offered = re.search(r"VALID ARGUMENTS ARE: (.*?)(?:, test)? <=", text)
        hint = f"It offers: {offered[1]}." if offered else "Leave --transport out, or try sat."
        return BadInput(f"the backend knows no transport {unknown[1]!r}", location=path, hint=hint)
    for pattern, problem, hint in _REFUSALS:
        if re.search(pattern, text):
            return Unavailable(problem, location=path, hint=hint)
    return None


_REFUSALS = (
    # what the backend printed; what it means; what to do
    (
        r"open device: .* failed: (?:Permission denied|Operation not permitted)",
        "permission denied",
        "Run the same command with sudo; inside a container, run it outside.",
    ),
    (
        r"open device: .* failed: No such (?:device|file)",
        "is no longer there",
        "Check its cable and its power, then `drivecare drives`.",
    ),
    (
        r"open device: .* failed: Device or resource busy",
        "is in use by another program",
        "End that program, then read again; `drivecare drives` may name it.",
    ),
)


def _read_attached(path: str, transport: str | None, machine: Machine, backend: Backend) -> Reading:
    attached = inspect_drive(path, root=machine.root)
    if attached.bus in ("loop", "nbd"):
        hint = "Assess the drive it was copied from."
        raise NoDrive("is an image attached as a drive and has no health of its own", location=path, hint=hint)
    answer = _ask_backend(backend, path, transport, EVERYTHING, EVERYTHING_SECONDS)
    tried: list[str] = []
    if (
        transport is None
        and attached.bus in ("usb", "uas")
        and answer.exit_status is not None
        and not _drive_spoke(answer)
    ):
        transport = find_transport(backend, path, tried=tried)
        if transport is not None:
            tried.clear()
            answer = _ask_backend(backend, path, transport, EVERYTHING, EVERYTHING_SECONDS)
    unanswered: Unanswered = None
    if answer.exit_status is None:
        answer = _ask_backend(backend, path, transport, ESSENTIALS, ESSENTIALS_SECONDS)
        unanswered = "everything" if answer.exit_status is None else "logs"
    try:
        return decode_attached(
            RawReport(
                text=answer.text,
                exit_status=answer.exit_status,
                asked=answer.asked,
                attached_sector_bytes=attached.logical_sector_bytes,
                native_capacity_bytes=None if unanswered else machine.native_capacity(attached),
                bridge=attached.bridge,
                attached=_kernel_facts(attached, unanswered, tried),
            ),
            read_at=machine.clock.timestamp(),
            path=path,
            transport=transport or _native_transport(attached),
        )
    except NoDrive as error:
        raise NoDrive(
            "does not say what it is", location=path, hint="Switch the dock off and on, or use another."
        ) from error


def _kernel_facts(attached: AttachedDrive, unanswered: Unanswered, tried: list[str]) -> Attached:
    """What the kernel knows of a drive, independently of what the drive says."""
    return Attached(
        model=attached.model,
        native_serial=attached.identity.native_serial,
        wwn=attached.wwn,
        namespace=attached.identity.namespace,
        eui64=attached.identity.eui64,
        nguid=attached.identity.nguid,
        bridge_serial=attached.identity.bridge_serial,
        capacity_bytes=attached.capacity_bytes or None,
        unanswered=unanswered,
        tried=tuple(tried),
    )


def _ask_backend(
    backend: Backend, path: str, transport: str | None, question: tuple[str, ...], limit_seconds: float
) -> BackendAnswer:
    how = ("-d", transport) if transport else ()
    answer = backend.ask((*question, *how, spell_path(path)), limit_seconds=limit_seconds)
    refusal = backend_refusal(answer.text, path)
    if refusal is not None:
        raise refusal
    return answer


def _drive_spoke(answer: BackendAnswer) -> bool:
    """Whether the drive behind the bridge answered, and not the bridge in its place."""
    try:
        drive = decode_report(answer.text).drive
    except BadInput:
        return False
    return drive.protocol in ("ata", "nvme") and drive.serial is not None


def _native_transport(attached: AttachedDrive) -> str | None:
    """The transport that the backend chooses for a drive on a native port."""
    return {"sata": "sat", "nvme": "nvme", "sas": "scsi", "scsi": "scsi"}.get(attached.bus)
