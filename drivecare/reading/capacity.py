"""What a labelled size means in bytes, by the two published counts.

IDEMA LBA1-03 (sizes up to 8,000 GB): LBAs = 97,696,368 + 1,953,504 x (GB - 50) of 512 bytes, which equals its 4096-byte
form byte for byte. SFF-8447 section 4.2.1 (above 8,000 GB): the advertised bytes rounded up to a whole GiB.
"""

from __future__ import annotations

import math
from typing import Final

SMALLEST_GB: Final = 50
IDEMA_LARGEST_GB: Final = 8_000
_GIB: Final = 1 << 30
_SECTOR: Final = 512


def idema_bytes(gigabytes: int) -> int:
    """Bytes of a drive labelled `gigabytes` by IDEMA LBA1-03; the count is defined from 50 GB on."""
    return (97_696_368 + 1_953_504 * (gigabytes - 50)) * _SECTOR


def sff_bytes(gigabytes: int) -> int:
    """Bytes of a drive labelled `gigabytes` by SFF-8447: rounded up to a whole GiB."""
    return -(-gigabytes * 10**9 // _GIB) * _GIB


def standard_bytes(gigabytes: int) -> tuple[int, ...]:
    """The byte counts a drive labelled `gigabytes` may have; both forms occur at 8,000 GB itself."""
    if gigabytes < IDEMA_LARGEST_GB:
        return (idema_bytes(gigabytes),)
    if gigabytes == IDEMA_LARGEST_GB:
        return idema_bytes(gigabytes), sff_bytes(gigabytes)
    return (sff_bytes(gigabytes),)


def labelled_gigabytes(capacity_bytes: int) -> int | None:
    """The label whose standard count is exactly `capacity_bytes`; None where it follows neither standard.

    A GiB is more than a GB, so above 8,000 GB two neighbouring labels can share one count: the rounder one is meant.
    """
    near = capacity_bytes // 10**9
    matching = [gb for gb in (near, near - 1) if gb >= SMALLEST_GB and capacity_bytes in standard_bytes(gb)]
    return max(matching, key=lambda gb: math.gcd(gb, 1_000), default=None)
