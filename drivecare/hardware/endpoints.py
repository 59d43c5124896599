"""What the guards of a copy need to know of a path: which thing it is, who uses it, whether it looks empty."""

from __future__ import annotations

import contextlib
import os
import stat
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec

from drivecare.errors import BadInput, Unavailable
from drivecare.hardware.blockdev import AttachedDrive, inspect, list_drives
from drivecare.hardware.device_path import holds_devices
from drivecare.hardware.media import BufferPool, Patience
from drivecare.hardware.opening import open_to_look
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.medium import Buffer, Medium
from drivecare.transfer.sectors.guards import Endpoint
from drivecare.transfer.sectors.partitions import ReadAt, read_partition_table
from drivecare.transfer.sectors.receipt import End
from drivecare.transfer.sectors.whole_transfers import read_fully, read_through

# A target up to this size is read whole to see whether it is empty, a larger one in places.
READ_WHOLE_BYTES = 256 << 20
EDGE_BYTES = 16 << 20
PLACES, PLACE_BYTES = 256, 64 << 10
_ZEROS = bytes(1 << 20)
SOON_SECONDS = 2.0


def examine_source(
    path: str, drive: Drive | None = None, *, look_inside: bool = True, patience: Patience | None = None
) -> Endpoint:
    """The source at `path`; `drive` is what it said of itself, if it could be asked.

    With `look_inside` its partition table is read. Raises BadInput, Unavailable, Stuck, Gone.
    """
    try:
        status = os.stat(path)  # noqa: PTH116  a device, a file, or a wrong thing: one look
    except (OSError, ValueError) as error:
        raise _missing(path, error) from error
    side = _device(path, drive) if stat.S_ISBLK(status.st_mode) else _image(path, status, drive)
    if not side.end.size_bytes:
        raise BadInput("is empty, there is nothing to copy", location=path, hint="Check the path, or the drive's dock")
    return _with_table(side, patience) if look_inside and not side.in_use else side


def examine_target(
    path: str, drive: Drive | None = None, *, look_inside: bool = True, patience: Patience | None = None
) -> Endpoint:
    """The target at `path`, which may be an image file that does not exist yet.

    With `look_inside` a device is read in places, to see whether it is empty.
    Raises BadInput, Unavailable, Stuck, Gone.
    """
    try:
        status = os.stat(path)  # noqa: PTH116
    except FileNotFoundError as error:
        return _new_image(path, error, drive)
    except (OSError, ValueError) as error:
        raise _missing(path, error) from error
    if stat.S_ISBLK(status.st_mode):
        side = _device(path, drive)
        if look_inside and not side.in_use and side.content is None:
            side = msgspec.structs.replace(side, content=_content(side, patience or Patience()))
        return side
    return _image(path, status, drive)


def _missing(path: str, error: OSError | ValueError) -> BadInput | Unavailable:
    if not isinstance(error, OSError) or isinstance(error, FileNotFoundError | NotADirectoryError):
        return BadInput("there is no such file or device", location=path, hint="Check the path, or `drivecare drives`")
    return Unavailable(f"cannot be looked at: {error.strerror}", location=path, hint="Check its permissions")


def _new_image(path: str, error: OSError, drive: Drive | None) -> Endpoint:
    folder = Path(path).absolute().parent
    if not folder.is_dir() or holds_devices(folder):
        raise _missing(path, error) from error  # a device that is not there must not become a file in /dev
    return Endpoint(
        end=_image_end(path, 0, drive),
        drive=drive,
        exists=False,
        read_only=not os.access(folder, os.W_OK),
        overwrite_ids=_names(path),
    )


def _image_end(path: str, size_bytes: int, drive: Drive | None) -> End:
    """An image file, by its whole path: receipts are read from other folders later.

    It bears a drive's name only where it stands for one, as in the demo.
    """
    end = End(path=str(Path(path).absolute()), kind="image", size_bytes=size_bytes)
    if drive is None:
        return end
    return msgspec.structs.replace(end, model=drive.model, serial=drive.serial, identity=drive.identity)


def _image(path: str, status: os.stat_result, drive: Drive | None) -> Endpoint:
    if stat.S_ISDIR(status.st_mode):
        raise BadInput("is a directory", location=path, hint="Name an image file; for folders there is copy-files")
    if not stat.S_ISREG(status.st_mode):
        raise BadInput("is neither a drive nor an image file", location=path, hint="Name a block device or a file")
    mark = f"file {status.st_dev}:{status.st_ino}"
    return Endpoint(
        end=_image_end(path, status.st_size, drive),
        drive=drive,
        same=(mark,),
        in_use=_users_of_file(mark),
        read_only=not os.access(path, os.W_OK),
        content=f"a file of {status.st_size:,} bytes" if status.st_size else None,
        overwrite_ids=_names(path),
    )


def _device(path: str, drive: Drive | None) -> Endpoint:
    found = inspect(path)
    identity = found.identity
    if drive is not None and drive.identity.strength == "strong":
        identity = drive.identity
    serial = drive.serial if drive is not None and drive.serial else found.serial
    loop = found.bus == "loop"
    return Endpoint(
        end=End(
            path=path,
            kind="device",
            size_bytes=found.capacity_bytes,
            logical_sector_bytes=found.logical_sector_bytes,
            physical_sector_bytes=found.physical_sector_bytes,
            model=(drive.model if drive is not None else None) or found.model,
            serial=serial,
            identity=identity,
            attachment=_attachment(found),
        ),
        loop=loop,
        same=(f"device {found.device_number}", *_backing(found)),
        in_use=found.in_use,
        system=found.system,
        read_only=found.read_only,
        content="it has partitions" if found.partitions else None,
        overwrite_ids=_overwrite_ids(path, found, serial),
        drive=drive,
        disk_sequence=found.disk_sequence,
    )


def _attachment(found: AttachedDrive) -> str | None:
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return None
    return None if found.disk_sequence is None else f"{boot} {found.disk_sequence}"


def _overwrite_ids(path: str, found: AttachedDrive, serial: str | None) -> tuple[str, ...]:
    """A drive goes by its serial number; a loop device is a file and goes by its path, as does what has no number."""
    if found.bus == "loop":
        return tuple(dict.fromkeys((*((found.backing_file,) if found.backing_file else ()), path, found.path)))
    return (serial,) if serial else (path,)


def _names(path: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys((path, str(Path(path).absolute()), str(Path(path).resolve()))))


def _users_of_file(mark: str) -> tuple[str, ...]:
    """Who uses the loop devices over a file: a file system mounted from an image is as busy as one on a drive."""
    if not any(Path("/sys/block").glob("loop*/loop/backing_file")):
        return ()
    try:
        over = [found for found in list_drives() if found.bus == "loop" and mark in _backing(found)]
    except Unavailable:  # no /sys here
        return ()
    return tuple(reason for found in over for reason in found.in_use)


def _backing(found: AttachedDrive) -> tuple[str, ...]:
    if found.backing_file is None:
        return ()
    status = _status_soon(found.backing_file)
    return () if status is None else (f"file {status.st_dev}:{status.st_ino}",)


def _status_soon(path: str) -> os.stat_result | None:
    """What a file is; None where there is none, or where its file system hangs as a drive does."""
    found: list[os.stat_result] = []

    def ask() -> None:
        with contextlib.suppress(OSError):
            found.append(os.stat(path))  # noqa: PTH116

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(SOON_SECONDS)
    return found[0] if found else None


def _content(side: Endpoint, patience: Patience) -> str | None:
    """Where a device holds data; None where every place looked at holds zeros. Raises Interrupted when stopped."""
    with _looked_at(side.end.path, patience) as (device, buffer):
        for place in _places(side.end.size_bytes):
            patience.raise_if_stopped()
            done, error = read_fully(device, place, buffer)
            data = bytes(buffer.view[:done])
            if data != _ZEROS[:done]:
                return f"it holds data at byte {place.offset + done - len(data.lstrip(bytes(1))):,}"
            if error is not None:
                raise Unavailable(
                    f"cannot be read at byte {place.offset + done:,}: {error.strerror}",
                    location=side.end.path,
                    hint="Take another target",
                ) from error
    return None


def _places(size: int) -> Iterator[Area]:
    """Where to look: all of a small target; both ends and 256 places of a large one."""
    if size <= READ_WHOLE_BYTES:
        yield from pieces(Area.between(0, size), len(_ZEROS))
        return
    yield from pieces(Area.between(0, EDGE_BYTES), len(_ZEROS))
    yield from pieces(Area.between(size - EDGE_BYTES, size), len(_ZEROS))
    step = size // PLACES // PLACE_BYTES * PLACE_BYTES
    for number in range(1, PLACES):
        yield Area.between(number * step, number * step + PLACE_BYTES)


def _with_table(side: Endpoint, patience: Patience | None) -> Endpoint:
    """With the sector size its partition table counts in. A source that cannot be read here has none for us."""
    with contextlib.ExitStack() as held:
        if side.is_device:
            medium, buffer = held.enter_context(_looked_at(side.end.path, patience))
            read = read_through(medium, buffer, side.end.size_bytes)
        else:
            read = _reader_of_file(side.end.path)
        table = read_partition_table(read, side.end.size_bytes)
    return msgspec.structs.replace(side, table_sector_bytes=table.sector_bytes if table.kind == "gpt" else None)


def begin_alike(source: Endpoint, target: Endpoint, patience: Patience | None) -> bool:
    """Whether the target begins with the source's first mebibyte, as one does that a copy was begun to."""
    held = []
    for side in (source, target):
        with _looked_at(side.end.path, patience) as (medium, buffer):
            area = Area.between(0, min(len(buffer.view), source.end.size_bytes, target.end.size_bytes))
            done, error = read_fully(medium, area, buffer)
            held.append(None if error is not None else bytes(buffer.view[:done]))
    return held[0] is not None and held[0] == held[1]


def _reader_of_file(path: str) -> ReadAt:
    """An image lies on a disk of the shop, which is not expected to hang: no process of its own is worth its time."""

    def read(offset: int, length: int) -> bytes:
        try:
            with open(path, "rb", buffering=0) as image:
                return os.pread(image.fileno(), length, offset)
        except OSError:
            return b""

    return read


@contextlib.contextmanager
def _looked_at(path: str, patience: Patience | None) -> Iterator[tuple[Medium, Buffer]]:
    """A medium to look into, and a buffer. A drive that hangs takes only the process that asks it: Stuck."""
    pool = BufferPool(count=1, size=len(_ZEROS))
    try:
        with open_to_look(path, pool, patience=patience) as medium:
            yield medium, pool.buffers[0]
    finally:
        pool.close()
