"""How large a SATA drive really is: the native maximum address, which a host protected area hides.

One question without data, which changes nothing: READ NATIVE MAX ADDRESS EXT (27h; Linux, include/linux/ata.h) where
the drive has a host protected area feature, GET NATIVE MAX ADDRESS EXT (78h/0000h of ACS-3, from memory) where it has
the newer one. It travels as SCSI ATA PASS-THROUGH (16) (SAT-3) through the kernel's SG_IO.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
from pathlib import Path

from drivecare.hardware.blockdev import AttachedDrive
from drivecare.hardware.naming import identify_data

_SG_IO = 0x2285
_NO_DATA = -1
_READ_NATIVE_MAX_EXT = (0x27, 0x0000)
_GET_NATIVE_MAX_EXT = (0x78, 0x0000)


def native_capacity(drive: AttachedDrive) -> int | None:
    """Bytes of the whole drive, hidden ones included; None where the drive has no such feature or will not say."""
    if drive.bus != "sata":
        return None
    identify = identify_data(Path("/sys/dev/block") / drive.device_number)
    command = native_command(identify) if identify else None
    if command is None:
        return None
    try:
        sense = _pass_through(drive.path, *command)
    except OSError:
        return None
    last = last_sector(sense)
    return None if last is None else (last + 1) * drive.logical_sector_bytes


def native_command(identify: bytes) -> tuple[int, int] | None:
    """(command, feature) the drive knows: IDENTIFY word 119 bit 8, or bit 10 of words 82 and 83; None for neither."""
    words = [int.from_bytes(identify[index : index + 2], "little") for index in range(0, 512, 2)]
    if words[119] >> 14 == 1 and words[119] & 0x100:
        return _GET_NATIVE_MAX_EXT
    if words[83] >> 14 == 1 and words[82] & 0x400 and words[83] & 0x400:
        return _READ_NATIVE_MAX_EXT
    return None


def last_sector(sense: bytes) -> int | None:
    """The LBA an ATA Status Return descriptor carries (SAT-3: code 09h); None where the command failed.

    The order of the bytes is that of Linux 6.1, drivers/ata/libata-scsi.c, ata_gen_passthru_sense.
    """
    if len(sense) < 22 or sense[0] & 0x7F != 0x72 or sense[8] != 0x09:
        return None
    status, error = sense[21], sense[11]
    if status & 0x01 or error:
        return None
    order = (18, 16, 14, 19, 17, 15)  # bits 47-40, 39-32, 31-24, 23-16, 15-8, 7-0
    return int.from_bytes(bytes(sense[index] for index in order), "big")


class _SgHeader(ctypes.Structure):
    """struct sg_io_hdr of <scsi/sg.h>."""

    _fields_ = (
        ("interface_id", ctypes.c_int),
        ("dxfer_direction", ctypes.c_int),
        ("cmd_len", ctypes.c_ubyte),
        ("mx_sb_len", ctypes.c_ubyte),
        ("iovec_count", ctypes.c_ushort),
        ("dxfer_len", ctypes.c_uint),
        ("dxferp", ctypes.c_void_p),
        ("cmdp", ctypes.c_void_p),
        ("sbp", ctypes.c_void_p),
        ("timeout", ctypes.c_uint),
        ("flags", ctypes.c_uint),
        ("pack_id", ctypes.c_int),
        ("usr_ptr", ctypes.c_void_p),
        ("status", ctypes.c_ubyte),
        ("masked_status", ctypes.c_ubyte),
        ("msg_status", ctypes.c_ubyte),
        ("sb_len_wr", ctypes.c_ubyte),
        ("host_status", ctypes.c_ushort),
        ("driver_status", ctypes.c_ushort),
        ("resid", ctypes.c_int),
        ("duration", ctypes.c_uint),
        ("info", ctypes.c_uint),
    )


def _pass_through(path: str, command: int, feature: int) -> bytes:
    """Sense data of one 48-bit command without data. Raises OSError where the kernel refuses."""
    cdb = bytearray(16)
    cdb[0] = 0x85
    cdb[1] = 3 << 1 | 1  # non-data, 48-bit
    cdb[2] = 0x20  # CK_COND: give the registers back as sense data
    cdb[3:5] = feature.to_bytes(2, "big")
    cdb[13] = 0x40  # LBA
    cdb[14] = command
    packet = (ctypes.c_ubyte * 16).from_buffer(cdb)
    sense = (ctypes.c_ubyte * 64)()
    header = _SgHeader(
        interface_id=ord("S"),
        dxfer_direction=_NO_DATA,
        cmd_len=16,
        mx_sb_len=len(sense),
        cmdp=ctypes.addressof(packet),
        sbp=ctypes.addressof(sense),
        timeout=10_000,
    )
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        fcntl.ioctl(descriptor, _SG_IO, header)
    finally:
        os.close(descriptor)
    return bytes(sense)
