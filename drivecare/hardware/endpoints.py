"""Examine both ends of a copy for its guards: what a path leads to, who uses it, whether it looks empty."""

from __future__ import annotations

import contextlib
import os
import stat
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec

from drivecare.errors import BadInput, Unavailable
from drivecare.hardware.blockdev import AttachedDrive, inspect_drive, list_drives
from drivecare.hardware.device_path import holds_devices
from drivecare.hardware.machine import THIS_MACHINE, Machine
from drivecare.hardware.media import BufferPool, Patience
from drivecare.hardware.opening import open_unheld
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.guards import Endpoint
from drivecare.transfer.sectors.partitions import ReadAt, read_partition_table
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.whole_transfers import read_fully, read_through

# A target up to this size is read whole to see whether it is empty, a larger one at samples.
READ_WHOLE_BYTES = 256 << 20
EDGE_BYTES = 16 << 20
SAMPLES, SAMPLE_BYTES = 256, 64 << 10
_MEBIBYTE_OF_ZEROS = bytes(1 << 20)
STAT_SECONDS = 2.0  # how long to wait for a file system that may hang


def examine_source(
    path: str,
    drive: Drive | None = None,
    *,
    look_inside: bool = True,
    patience: Patience | None = None,
    machine: Machine = THIS_MACHINE,
) -> Endpoint:
    """Examine the source at `path`; `drive` is what it said of itself, if it could be asked.

    With `look_inside` its partition table is read. Raises BadInput, Unavailable, Stuck, Gone.
    """
    try:
        status = os.stat(machine.node(path))  # noqa: PTH116  a device, a file or something else: one look
    except (OSError, ValueError) as error:
        raise _cannot_examine(path, error) from error
    if _stands_for_device(path, status, machine):
        source = _device_endpoint(path, drive, machine)
    else:
        source = _image_endpoint(path, status, drive, machine)
    if not source.end.size_bytes:
        raise BadInput("is empty, there is nothing to copy", location=path, hint="Check the path, or the drive's dock")
    return _with_table(source, patience, machine) if look_inside and not source.in_use else source


def examine_target(
    path: str,
    drive: Drive | None = None,
    *,
    look_inside: bool = True,
    patience: Patience | None = None,
    machine: Machine = THIS_MACHINE,
) -> Endpoint:
    """Examine the target at `path`, which may be an image file that does not exist yet.

    With `look_inside` samples of a device are read, to see whether it is empty.
    Raises BadInput, Unavailable, Stuck, Gone.
    """
    try:
        status = os.stat(machine.node(path))  # noqa: PTH116
    except FileNotFoundError as error:
        return _new_image_endpoint(path, error, drive)
    except (OSError, ValueError) as error:
        raise _cannot_examine(path, error) from error
    if not _stands_for_device(path, status, machine):
        return _image_endpoint(path, status, drive, machine)
    target = _device_endpoint(path, drive, machine)
    if look_inside and not target.in_use and target.content is None:
        target = msgspec.structs.replace(target, content=_content_of(target, patience or Patience(), machine))
    return target


def _stands_for_device(path: str, status: os.stat_result, machine: Machine) -> bool:
    """Tell whether this is a block device, or the file that stands for one on a recorded machine."""
    return stat.S_ISBLK(status.st_mode) or machine.node(path) != path


def _cannot_examine(path: str, error: OSError | ValueError) -> BadInput | Unavailable:
    if not isinstance(error, OSError) or isinstance(error, FileNotFoundError | NotADirectoryError):
        return BadInput("there is no such file or device", location=path, hint="Check the path, or `drivecare drives`")
    return Unavailable(f"cannot be examined: {error.strerror}", location=path, hint="Check its permissions")


def _new_image_endpoint(path: str, error: OSError, drive: Drive | None) -> Endpoint:
    folder = Path(path).absolute().parent
    if not folder.is_dir() or holds_devices(folder):
        raise _cannot_examine(path, error) from error  # a device that is not attached must not become a file in /dev
    return Endpoint(
        end=_image_end(path, 0, drive),
        drive=drive,
        exists=False,
        read_only=not os.access(folder, os.W_OK),
        overwrite_ids=_spellings(path),
    )


def _image_end(path: str, size_bytes: int, drive: Drive | None) -> End:
    """An image file, by its absolute path: receipts are read from other folders later.

    It carries a drive's name only where it stands for one, as in the demo.
    """
    end = End(path=str(Path(path).absolute()), kind="image", size_bytes=size_bytes)
    if drive is None:
        return end
    return msgspec.structs.replace(end, model=drive.model, serial=drive.serial, identity=drive.identity)


def _image_endpoint(path: str, status: os.stat_result, drive: Drive | None, machine: Machine) -> Endpoint:
    if stat.S_ISDIR(status.st_mode):
        raise BadInput("is a folder", location=path, hint="Name an image file; for folders there is copy-files")
    if not stat.S_ISREG(status.st_mode):
        raise BadInput("is neither a drive nor an image file", location=path, hint="Name a block device or a file")
    mark = _file_mark(status)
    return Endpoint(
        end=_image_end(path, status.st_size, drive),
        drive=drive,
        marks=(mark,),
        in_use=_users_of_file(mark, machine.root),
        read_only=not os.access(path, os.W_OK),
        content=f"a file of {status.st_size:,} bytes" if status.st_size else None,
        overwrite_ids=_spellings(path),
    )


def _device_endpoint(path: str, drive: Drive | None, machine: Machine) -> Endpoint:
    attached = inspect_drive(path, root=machine.root)
    own = drive if drive is not None else Drive()
    serial = own.serial or attached.serial
    return Endpoint(
        end=End(
            path=path,
            kind="device",
            size_bytes=attached.capacity_bytes,
            logical_sector_bytes=attached.logical_sector_bytes,
            physical_sector_bytes=attached.physical_sector_bytes,
            model=own.model or attached.model,
            serial=serial,
            identity=own.identity if own.identity.strength == "strong" else attached.identity,
            attachment=_attachment(attached, machine.root),
        ),
        loop=attached.bus == "loop",
        marks=(f"device {attached.device_number}", *_mark_of_backing_file(attached)),
        in_use=attached.in_use,
        system=attached.system,
        read_only=attached.read_only,
        content="it has partitions" if attached.partitions else None,
        overwrite_ids=_overwrite_ids(path, attached, serial),
        drive=drive,
        disk_sequence=attached.disk_sequence,
    )


def _attachment(attached: AttachedDrive, root: Path) -> str | None:
    """What changes when this machine restarts or the device is attached again; None where the kernel counts neither."""
    try:
        boot = (root / "proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return None
    return None if attached.disk_sequence is None else f"{boot} {attached.disk_sequence}"


def _overwrite_ids(path: str, attached: AttachedDrive, serial: str | None) -> tuple[str, ...]:
    """A drive goes by its serial number; a loop device is a file and goes by its path, as does what has no number."""
    if attached.bus == "loop":
        backing = (attached.backing_file,) if attached.backing_file else ()
        return tuple(dict.fromkeys((*backing, path, attached.path)))
    return (serial,) if serial else (path,)


def _spellings(path: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys((path, str(Path(path).absolute()), str(Path(path).resolve()))))


def _users_of_file(mark: str, root: Path) -> tuple[str, ...]:
    """Who uses the loop devices over a file: a mounted image is as much in use as a mounted drive."""
    if not any((root / "sys/block").glob("loop*/loop/backing_file")):
        return ()
    try:
        drives = list_drives(root=root)
    except Unavailable:  # no /sys
        return ()
    loops = (drive for drive in drives if drive.bus == "loop" and mark in _mark_of_backing_file(drive))
    return tuple(reason for loop in loops for reason in loop.in_use)


def _mark_of_backing_file(attached: AttachedDrive) -> tuple[str, ...]:
    if attached.backing_file is None:
        return ()
    status = _stat_in_time(attached.backing_file)
    return () if status is None else (_file_mark(status),)


def _file_mark(status: os.stat_result) -> str:
    return f"file {status.st_dev}:{status.st_ino}"


def _stat_in_time(path: str) -> os.stat_result | None:
    """The status of a file; None where there is none, or where its file system hangs as a drive does."""
    answers: list[os.stat_result] = []

    def ask() -> None:
        with contextlib.suppress(OSError):
            answers.append(os.stat(path))  # noqa: PTH116

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(STAT_SECONDS)
    return answers[0] if answers else None


def _content_of(target: Endpoint, patience: Patience, machine: Machine = THIS_MACHINE) -> str | None:
    """Where a device holds data; None where every sample holds zeros. Raises Interrupted when stopped."""
    with _look_into(machine.node(target.end.path), patience) as (device, buffer):
        for sample in _samples(target.end.size_bytes):
            patience.raise_if_stopped()
            count, error = read_fully(device, sample, buffer)
            data = bytes(buffer.view[:count])
            if data != _MEBIBYTE_OF_ZEROS[:count]:
                return f"it holds data at byte {sample.offset + count - len(data.lstrip(bytes(1))):,}"
            if error is not None:
                raise Unavailable(
                    f"cannot be read at byte {sample.offset + count:,}: {error.strerror}",
                    location=target.end.path,
                    hint="Take another target",
                ) from error
    return None


def _samples(size: int) -> Iterator[Area]:
    """The areas to read: all of a small target; both ends and 256 samples of a large one."""
    if size <= READ_WHOLE_BYTES:
        yield from pieces(Area.between(0, size), len(_MEBIBYTE_OF_ZEROS))
        return
    yield from pieces(Area.between(0, EDGE_BYTES), len(_MEBIBYTE_OF_ZEROS))
    yield from pieces(Area.between(size - EDGE_BYTES, size), len(_MEBIBYTE_OF_ZEROS))
    step = size // SAMPLES // SAMPLE_BYTES * SAMPLE_BYTES
    for number in range(1, SAMPLES):
        yield Area.between(number * step, number * step + SAMPLE_BYTES)


def _with_table(source: Endpoint, patience: Patience | None, machine: Machine) -> Endpoint:
    """Add the sector size that the source's partition table counts in; none where the table cannot be read."""
    with contextlib.ExitStack() as stack:
        if source.is_device:
            medium, buffer = stack.enter_context(_look_into(machine.node(source.end.path), patience))
            read = read_through(medium, buffer, source.end.size_bytes)
        else:
            read = _read_file_at(source.end.path)
        table = read_partition_table(read, source.end.size_bytes)
    return msgspec.structs.replace(source, table_sector_bytes=table.sector_bytes if table.kind == "gpt" else None)


def begin_alike(
    source: Endpoint, target: Endpoint, patience: Patience | None, *, machine: Machine = THIS_MACHINE
) -> bool:
    """Tell whether the target begins with the source's first mebibyte, as it does once a copy to it has begun."""
    starts = []
    for endpoint in (source, target):
        with _look_into(machine.node(endpoint.end.path), patience) as (medium, buffer):
            area = Area.between(0, min(len(buffer.view), source.end.size_bytes, target.end.size_bytes))
            count, error = read_fully(medium, area, buffer)
            starts.append(None if error is not None else bytes(buffer.view[:count]))
    return starts[0] is not None and starts[0] == starts[1]


def _read_file_at(path: str) -> ReadAt:
    """Read an image in this process: it lies on a disk of the shop, which is not expected to hang."""

    def read(offset: int, length: int) -> bytes:
        try:
            with open(path, "rb", buffering=0) as image:
                return os.pread(image.fileno(), length, offset)
        except OSError:
            return b""

    return read


@contextlib.contextmanager
def _look_into(path: str, patience: Patience | None) -> Iterator[tuple[Medium, Buffer]]:
    """A medium to look into, and a buffer. A drive that hangs costs only the process that reads it: Stuck."""
    pool = BufferPool(count=1, size=len(_MEBIBYTE_OF_ZEROS))
    try:
        with open_unheld(path, pool, patience=patience) as medium:
            yield medium, pool.buffers[0]
    finally:
        pool.close()
