"""The two digests of a copy: one proves its chunks, the other names the whole.

BLAKE3 proves chunks and parts, because every byte is digested twice for them and it takes a fifth of the time of
SHA-256 (docs/copy-speed.md). The whole is digested once, in the read-back, by default with SHA-256: a
customer can check that with `sha256sum`. Journals and receipts of 0.1.0 hold SHA-256 throughout.
"""

from __future__ import annotations

import hashlib
from typing import Literal, Protocol

Algorithm = Literal["sha256", "blake3"]

PROPER_NAMES: dict[Algorithm, str] = {"sha256": "SHA-256", "blake3": "BLAKE3"}

DIGEST_BYTES = 32  # of either


class Hash(Protocol):
    """A digest that is being made."""

    def update(self, data: memoryview, /) -> object:
        """Take the next bytes."""

    def digest(self) -> bytes:
        """The digest of the bytes so far."""

    def hexdigest(self) -> str:
        """The same in lower-case hexadecimal."""


def new_hash(algorithm: Algorithm) -> Hash:
    """Start a digest."""
    if algorithm == "sha256":
        return hashlib.sha256()
    from blake3 import blake3  # commands that only read a receipt do without the package

    return blake3()
